"""What a keeper notes about a tank: as stored, as typed, and as shown."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import MAXYEAR, MINYEAR, date, datetime, time, timedelta
from typing import Annotated

from colorread.limits import SOURCE_AMOUNT_RANGE_G, checked_number
from colorread.records import Kept, json_line, plain, read_record
from colorread.tank.settings import Tank
from colorread.words import date_words

_TEXT_MAX = 500  # characters: a choice of this project
_BUBBLES_RANGE = (1.0, 1000.0)  # a minute; nobody can count more: assumption
_WATER_RANGE = (0.01, 1.0)  # photos do not show smaller changes: assumption
_COUNT_DAYS = 3.0  # an older bubble count may no longer hold: assumption
_CLOCK_AHEAD = timedelta(minutes=10)  # how far the clock in the room may be ahead of this machine's: assumption
# Letters that mark notes in a figure.
LETTERS = "W water changed, R refilled, G gas changed, D diffuser, F fluid renewed, N other note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """
    A note about a tank; besides the time, it needs at least one other parameter.

    Parameters
    ----------
    at : datetime
        When, on the tank's own clock, to the minute, without offset.
    text : str
        In the keeper's words.
    water_change : float or None
        Share of the water that was replaced [-].
    refilled : bool
        Whether the bottle was refilled or the cylinder changed.
    refill_g : float or None
        Sugar, citric acid or gas in the refill [g].
    gas_changed : bool
        Whether the gas was turned up or down.
    fluid_renewed : bool
        Whether the fluid in the vial was renewed.
    diffuser : bool
        Whether the diffuser was cleaned, moved or replaced.
    bubbles : float or None
        Bubbles counted, after whatever else was done [1/min].

    Attributes
    ----------
    schema : str
        Schema of its JSON.
    """

    schema: str = field(default="colorread.event/1", init=False)
    at: Annotated[datetime, Kept(timespec="minutes")]
    text: str = ""
    water_change: float | None = None
    refilled: bool = False
    refill_g: float | None = None
    gas_changed: bool = False
    fluid_renewed: bool = False
    diffuser: bool = False
    bubbles: float | None = None

    @property
    def changes_gas_rate(self) -> bool:
        """Whether it changes the rate of gas into the water."""
        return self.refilled or self.gas_changed or self.diffuser

    @property
    def id(self) -> str:
        """Hexadecimal digits, unique within a tank."""
        return hashlib.sha256(json_line(self).encode()).hexdigest()

    def __post_init__(self) -> None:
        if self.at.tzinfo is not None or self.at.second or self.at.microsecond:
            raise ValueError("The time of a note must be local time to the minute, without an offset.")
        if not MINYEAR < self.at.year < MAXYEAR:  # no room to count days from
            raise ValueError(f"The year of a note must be from {MINYEAR + 1} to {MAXYEAR - 1}, not {self.at.year}.")
        if not self.text.isprintable() or len(self.text) > _TEXT_MAX:
            raise ValueError(f"The text of a note must be one line of at most {_TEXT_MAX} characters.")
        if self.bubbles is not None:
            checked_number("The number of bubbles a minute", self.bubbles, *_BUBBLES_RANGE)
        if self.refill_g is not None:
            checked_number("The amount of the refill in g", self.refill_g, *SOURCE_AMOUNT_RANGE_G)
        if self.water_change is not None and not _WATER_RANGE[0] <= self.water_change <= _WATER_RANGE[1]:
            raise ValueError("The water change must be from 1 to 100 %.")
        if self.refill_g is not None and not self.refilled:
            raise ValueError("An amount can be noted only with a refill.")
        is_empty = not self.text and self.water_change is None and self.bubbles is None
        if is_empty and not (self.changes_gas_rate or self.fluid_renewed):
            raise ValueError("Nothing to note yet: enter a text, or choose what was done.")


def updated_tank(tank: Tank, events: Iterable[Event]) -> Tank:
    """
    Return a tank with its settings updated by notes.

    Parameters
    ----------
    tank : Tank
        With the days entered in its settings.
    events : iterable of Event
        In any order.

    Returns
    -------
    Tank
        With the days of the last refill and the last fluid, from settings or notes, whichever is later.
    """
    source, renewed = tank.source, tank.fluid_renewed
    for event in sorted(events, key=lambda event: event.at):
        day = event.at.date()
        if event.refilled and source is not None and (source.started is None or day >= source.started):
            # Without a noted amount, the refill is taken to be as large as the charge before.
            source = replace(source, started=day, amount_g=event.refill_g or source.amount_g)
        if event.fluid_renewed and (renewed is None or day > renewed):
            renewed = day
    return replace(tank, source=source, fluid_renewed=renewed)


def bubbles_now(events: Sequence[Event], now: datetime) -> float | None:
    """Return the last bubble count of events in order of time [1/min]; None if days from `now`, or the gas changed."""
    for event in reversed(events):
        if event.bubbles is not None:
            return event.bubbles if abs(now - event.at) <= timedelta(days=_COUNT_DAYS) else None
        if event.changes_gas_rate:
            return None
    return None


def typed_event(typed: Mapping[str, object], now: datetime) -> Event:
    """
    Return a note from what was typed on the command line or the page, or sent by a program.

    Parameters
    ----------
    typed : mapping of str to object
        Named as in JSON; whatever is missing was not done. The time is as in `parse_moment`.
    now : datetime
        On the tank's clock, without offset.

    Returns
    -------
    Event
        The note.

    Raises
    ------
    ValueError
        If the note is not valid or in the future; one sentence.
    """
    values = plain(Event(at=now.replace(second=0, microsecond=0), text="-")) | {"at": "", "text": ""} | dict(typed)
    if isinstance(values["at"], str):
        values["at"] = parse_moment(values["at"], now).isoformat()
    if isinstance(values["text"], str):
        values["text"] = values["text"].strip()
    return read_record(Event, "the note", values)


def parse_moment(text: str, now: datetime) -> datetime:
    """Return a time from ``2025-06-04 18:30``, or ``18:30`` for today, or empty text for now."""
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
        If the text is not such a share; one sentence.
    """
    match = re.fullmatch(r"\s*(\d{1,3}(?:[.,]\d+)?)\s*%?\s*", text)
    if match is None:
        raise ValueError(f"A water change must look like 30%, not {text!r}.")
    return round(float(match.group(1).replace(",", ".")) / 100.0, 4)


def _done(event: Event) -> dict[str, str]:
    """Return what was done in words, by its letter in a figure."""
    done = {
        "W": event.water_change and f"water change {event.water_change * 100.0:g} %",
        "R": event.refilled and "refilled" + ("" if event.refill_g is None else f" with {event.refill_g:g} g"),
        "G": event.gas_changed and "gas changed",
        "D": event.diffuser and "diffuser",
        "F": event.fluid_renewed and "fluid renewed",
    }
    return {letter: words for letter, words in done.items() if words}


def event_words(event: Event) -> str:
    """
    Return a note in words.

    Parameters
    ----------
    event : Event
        Any event.

    Returns
    -------
    str
        Such as ``water change 30 %, gas changed, 60 bubbles a minute: as advised``.
    """
    bubbles = [] if event.bubbles is None else [f"{event.bubbles:g} bubbles a minute"]
    return ": ".join(part for part in (", ".join([*_done(event).values(), *bubbles]), event.text) if part)


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
        Empty for a bubble count alone.
    """
    return "".join(_done(event)) or ("N" if event.text else "")


def moment_words(at: datetime, today: date | None = None) -> str:
    """
    Return a time in words.

    Parameters
    ----------
    at : datetime
        On the tank's clock.
    today : datetime.date, optional
        For "today" and "tomorrow"; leave it out for paper, which is read on another day.

    Returns
    -------
    str
        Such as ``tomorrow 13:00`` or ``May 12, 13:00``.
    """
    days = None if today is None else (at.date() - today).days
    if days in (0, 1):
        return f"{'tomorrow' if days else 'today'} {at:%H:%M}"
    return f"{date_words(at)}, {at:%H:%M}"
