"""What is noted of a tank as it is typed, and as it is shown."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta

from colorread.records import plain, record_of
from colorread.tank.events import Event
from colorread.words import date_words

LETTERS = "W water changed, R refilled, G gas changed, D diffuser, F fluid renewed, N other note"
"""What the letters in a figure mean."""
_CLOCK_AHEAD = timedelta(minutes=10)  # of the clock in the room before that of this machine: assumption


def typed_event(typed: Mapping[str, object], now: datetime) -> Event:
    """
    Return what is to be noted, from wherever it comes: the command line, the page or a program.

    Parameters
    ----------
    typed : mapping of str to object
        Named as in JSON; what lacks was not done. The time is as `parse_moment` takes it.
    now : datetime
        On the tank's clock, without offset.

    Returns
    -------
    Event
        What was noted.

    Raises
    ------
    ValueError
        If it cannot be, or is of the future; one sentence.
    """
    nothing = plain(Event(at=datetime(2000, 1, 1), text="-")) | {"at": "", "text": ""}
    values = nothing | dict(typed)
    at, text = values["at"], values["text"]
    if isinstance(at, str):
        values["at"] = parse_moment(at, now).isoformat()
    if isinstance(text, str):
        values["text"] = text.strip()
    return record_of(Event, "the note", values)


def parse_moment(text: str, now: datetime) -> datetime:
    """
    Return when something was done, from text such as ``2025-06-04 18:30`` or ``18:30`` for today.

    Parameters
    ----------
    text : str
        Day and time of the tank's clock, or the time alone; empty for now.
    now : datetime
        On the tank's clock, without offset.

    Returns
    -------
    datetime
        To the minute.

    Raises
    ------
    ValueError
        If the text is no such time, or of the future; one sentence.
    """
    typed = text.strip()
    try:
        if not typed:
            moment = now
        elif re.fullmatch(r"\d{1,2}:\d{2}", typed):
            hour, minute = map(int, typed.split(":"))
            moment = datetime.combine(now.date(), time(hour, minute))
        else:
            moment = datetime.fromisoformat(typed)
            if moment.tzinfo is not None or re.fullmatch(r"[\d-]+", typed):  # a day alone is not enough
                raise ValueError
    except ValueError:
        raise ValueError(f"A time must look like 2025-06-04 18:30, or 18:30 for today, not {text!r}.") from None
    if moment > now + _CLOCK_AHEAD:
        raise ValueError(f"{moment:%Y-%m-%d %H:%M} is in the future; enter when it was done.")
    return moment.replace(second=0, microsecond=0)


def parse_share(text: str) -> float:
    """
    Return a share of the water from text such as ``30%`` or ``30``.

    Parameters
    ----------
    text : str
        In percent.

    Returns
    -------
    float
        From 0 to 1 [-].

    Raises
    ------
    ValueError
        If the text is no such share; one sentence.
    """
    match = re.fullmatch(r"\s*(\d{1,3}(?:[.,]\d+)?)\s*%?\s*", text)
    if match is None:
        raise ValueError(f"A water change must look like 30%, not {text!r}.")
    return round(float(match.group(1).replace(",", ".")) / 100.0, 4)


def event_words(event: Event) -> str:
    """
    Return what was noted, in words.

    Parameters
    ----------
    event : Event
        Any event.

    Returns
    -------
    str
        Such as ``water change 30 %, gas changed, 60 bubbles a minute: as advised``.
    """
    done = [
        "" if event.water_change is None else f"water change {event.water_change * 100.0:g} %",
        "" if not event.refilled else "refilled" + ("" if event.refill_g is None else f" with {event.refill_g:g} g"),
        "gas changed" if event.gas_changed else "",
        "diffuser" if event.diffuser else "",
        "fluid renewed" if event.fluid_renewed else "",
        "" if event.bubbles is None else f"{event.bubbles:g} bubbles a minute",
    ]
    words = ", ".join(part for part in done if part)
    return ": ".join(part for part in (words, event.text) if part)


def event_letters(event: Event) -> str:
    """
    Return what was done as letters for a figure, see `LETTERS`.

    Parameters
    ----------
    event : Event
        Any event.

    Returns
    -------
    str
        Empty for a count of bubbles alone.
    """
    done = {
        "W": event.water_change is not None,
        "R": event.refilled,
        "G": event.gas_changed,
        "D": event.diffuser,
        "F": event.fluid_renewed,
    }
    letters = "".join(letter for letter, is_done in done.items() if is_done)
    return letters or ("N" if event.text else "")


def moment_words(at: datetime, today: date | None = None) -> str:
    """
    Return a time in words.

    Parameters
    ----------
    at : datetime
        On the tank's clock.
    today : datetime.date, optional
        For "today" and "tomorrow"; none for paper, which is read on another day.

    Returns
    -------
    str
        Such as ``tomorrow 13:00`` or ``May 12, 13:00``.
    """
    days = None if today is None else (at.date() - today).days
    if days in (0, 1):
        return f"{'tomorrow' if days else 'today'} {at:%H:%M}"
    return f"{date_words(at)}, {at:%H:%M}"
