"""A share of the gas as bubbles a minute, which is what a keeper sets."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from colorread.tank.events import Event

_COUNT_DAYS = 3.0  # a count of before may hold no more: assumption


def bubbles_now(events: Sequence[Event], now: datetime) -> float | None:
    """
    Return the bubbles that come now.

    Parameters
    ----------
    events : sequence of Event
        What was noted, in the order of time.
    now : datetime
        On the tank's clock.

    Returns
    -------
    float or None
        The last count; None where it is too old, or the gas was turned since [1/min].
    """
    for event in reversed(events):
        if event.bubbles is not None:
            return event.bubbles if now - event.at <= timedelta(days=_COUNT_DAYS) else None
        if event.turns_gas:
            return None
    return None


def bubble_words(bubbles: float | None, factor: float) -> str:
    """
    Return a turn of a valve as bubbles, for behind its share in a sentence.

    Parameters
    ----------
    bubbles : float or None
        Bubbles that come now; None where not known [1/min].
    factor : float
        Gas rate against that of now [-].

    Returns
    -------
    str
        Such as ``, from 60 to 51 bubbles a minute``; empty where not known.
    """
    return "" if bubbles is None else f", from {bubbles:.0f} to {bubbles * factor:.0f} bubbles a minute"
