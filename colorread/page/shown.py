"""Readings in the words of the page: the same words as everywhere, in the units that the keeper chose."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from colorread.log import LogEntry
from colorread.page.shown_units import Units
from colorread.result import Reading
from colorread.tank import age_days, is_of_the_future
from colorread.words import (
    Answer,
    Marks,
    answer_of,
    bar_svg,
    budget_words,
    clean_name,
    flag_texts,
    judged,
    ph_words,
    time_words,
    when_words,
)

_DAYS_FROM_H = 48  # an age from here on is told in days
_CLOCKS_APART = timedelta(minutes=2)  # of a phone and this machine, that both are right: assumption


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    """
    One reading in words; texts may be empty.

    Parameters
    ----------
    sha256 : str
        Of the photo.
    name, when, time, age : str
        What it is called, when it was taken, how that is known, and how long ago it was.
    is_read : bool
        Whether there are numbers.
    is_doubtful : bool
        Whether a person should say that the outline is the fluid.
    answer : Answer or None
        What every screen begins with; None where refused.
    bar : str
        The bar below the number, drawn.
    ph : str
        With its interval.
    cautions, notes : tuple of str
        What to watch, and what made it less sure.
    message, next_step : str
        Why it was refused and what to do.
    record : tuple of (str, str)
        What it was read with.
    """

    sha256: str
    name: str
    when: str
    time: str
    age: str
    is_read: bool
    is_doubtful: bool
    answer: Answer | None
    bar: str
    ph: str
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    message: str
    next_step: str
    record: tuple[tuple[str, str], ...]


def view_reading(entry: LogEntry, units: Units, marks: Marks, now: datetime) -> ReadingView:
    """
    Put a reading into words.

    Parameters
    ----------
    entry : LogEntry
        Read or refused.
    units : Units
        Chosen by the keeper.
    marks : Marks
        What the tank is judged by now, whatever it was when the photo was read.
    now : datetime
        With offset.

    Returns
    -------
    ReadingView
        For the templates.
    """
    reading = judged(entry.reading, marks)
    verdict, co2 = reading.verdict, reading.co2_mg_l
    days_old = 0 if reading.taken_at is None else age_days(reading.taken_at, now)
    return ReadingView(
        sha256=entry.sha256,
        name=clean_name(reading.photo.rpartition("/")[2]),
        when=when_words(reading.taken_at, now),
        time=time_words(reading),
        age="" if reading.taken_at is None else age_words(reading.taken_at, now),
        is_read=verdict is not None,
        is_doubtful=verdict is not None and "odd-color" in reading.flags,
        answer=None if co2 is None or verdict is None else answer_of(co2, verdict, days_old=days_old),
        bar="" if co2 is None else bar_svg(co2, marks),
        ph="" if reading.ph is None else ph_words(reading.ph).short(),
        cautions=() if verdict is None else verdict.cautions,
        notes=tuple(text.sentence for text in flag_texts(reading)),
        message="" if reading.reason is None else reading.reason.message,
        next_step="" if reading.reason is None else reading.reason.next_step,
        record=tuple(_record(reading, units)),
    )


def age_words(taken_at: datetime, now: datetime) -> str:
    """
    Return how long ago a photo was taken.

    Parameters
    ----------
    taken_at : datetime
        On the clock of the tank; with offset where known.
    now : datetime
        With offset.

    Returns
    -------
    str
        Such as ``3 hours ago``.
    """
    age = _age(taken_at, now)
    if age < -_CLOCKS_APART:
        return "in the future by this computer's clock"
    minutes = max(round(age / timedelta(minutes=1)), 0)
    if age >= timedelta(hours=_DAYS_FROM_H):
        count, unit = age_days(taken_at, now), "day"
    else:
        count, unit = (minutes, "minute") if minutes < 90 else (round(minutes / 60), "hour")
    return f"{count} {unit}{'' if count == 1 else 's'} ago"


def last_read(entries: Iterable[LogEntry], now: datetime) -> LogEntry | None:
    """
    Return the last reading with numbers.

    Parameters
    ----------
    entries : iterable of LogEntry
        The newest first; only as many as needed are asked for.
    now : datetime
        By the clock of this machine.

    Returns
    -------
    LogEntry or None
        None where there is none of a time that can be true.
    """
    for entry in entries:
        reading = entry.reading
        if reading.status == "read" and reading.taken_at is not None and not is_of_the_future(reading, now):
            return entry
    return None


def _age(taken_at: datetime, now: datetime) -> timedelta:
    return now - taken_at if taken_at.utcoffset() is not None else now.replace(tzinfo=None) - taken_at


def _record(reading: Reading, units: Units) -> list[tuple[str, str]]:
    """Return what the photo was read with, and what nobody stated."""
    inputs = {
        "kh": ("Tank water" if reading.fluid == "tank-water" else "Fluid", units.kh.text(reading.kh_dkh)),
        "temperature": ("Temperature", units.temperature.text(reading.temperature_c)),
        "light": ("Lamp", "unknown" if reading.light == "unknown" else reading.light.replace("-", " ")),
    }
    rows = [
        (label, f"{value} (assumed)" if name in reading.assumed and value != "unknown" else value)
        for name, (label, value) in inputs.items()
    ]
    rows.append(("Profile", "none" if reading.profile is None else clean_name(reading.profile)))
    if reading.tank_ph is not None:
        rows.append(("A probe in the tank should show", f"pH {ph_words(reading.tank_ph).short()}"))
    if budget := budget_words(reading):
        rows.append(("Uncertainty from", budget))
    rows.append(("Taken", time_words(reading) or "time unknown"))
    rows.append(("Photo", clean_name(reading.photo.rpartition("/")[2])))
    return rows
