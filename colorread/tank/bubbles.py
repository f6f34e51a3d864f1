"""A share of the gas as bubbles a minute, which is what a keeper sets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from colorread.tank.events import Event
from colorread.tank.results import Advice, DayForecast

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


def with_bubbles(advice: Advice, bubbles: float | None) -> Advice:
    """
    Return advice that says changes of the gas rate as bubbles too.

    Parameters
    ----------
    advice : Advice
        Any advice.
    bubbles : float or None
        Bubbles that come now; None where not known [1/min].

    Returns
    -------
    Advice
        The same in numbers.
    """
    if bubbles is None:
        return advice
    recommended = None if advice.recommended is None else _with_bubbles(advice.recommended, bubbles)
    sentences = advice.sentences
    if recommended is not None and advice.recommended is not None:
        sentences = tuple(sentence.replace(advice.recommended.words, recommended.words) for sentence in sentences)
    others = tuple(_with_bubbles(day, bubbles) for day in advice.others)
    return replace(advice, recommended=recommended, others=others, sentences=sentences)


def _with_bubbles(day: DayForecast, bubbles: float) -> DayForecast:
    factor = day.change.rate_factor
    if factor == 1.0:
        return day
    turned = f"from {bubbles:.0f} to {bubbles * factor:.0f} bubbles a minute"
    return replace(day, words=f"{day.words.removesuffix('.')}, {turned}.")
