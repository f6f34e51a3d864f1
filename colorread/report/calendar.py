"""The plan of a tank as a calendar file."""

from __future__ import annotations

import os
from datetime import date, datetime, timedelta

from calibration import write_atomic
from colorread import __version__
from colorread.tank import PHOTO_PURPOSES, TankSummary, refill_words

_PHOTO_TAKES = timedelta(minutes=15)  # assumption


def calendar_bytes(summary: TankSummary) -> bytes:
    """
    Return the planned photos, refill and new fluid of a tank as a calendar.

    Parameters
    ----------
    summary : TankSummary
        With the plan.

    Returns
    -------
    bytes
        RFC 5545. Times are local without a zone, like the tank's timers. A later file replaces the entries of an
        earlier one for the same times.
    """
    from icalendar import Alarm, Calendar, Event

    tank = summary.tank.name
    calendar = Calendar()
    calendar.add("prodid", f"-//colorread {__version__}//EN")
    calendar.add("version", "2.0")
    for kind, start, words, details in _entries(summary):
        event = Event()
        # Always the same for a tank and time, so that importing again duplicates nothing.
        event.add("uid", f"{kind}-{start.isoformat()}-{tank.encode().hex()}@colorread")
        event.add("dtstamp", datetime.now().astimezone())
        event.add("summary", f"{tank}: {words}")
        event.add("dtstart", start)
        if isinstance(start, datetime):
            event.add("duration", _PHOTO_TAKES)
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", words)
            alarm.add("trigger", timedelta(0))
            event.add_component(alarm)
        if details:
            event.add("description", details)
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def write_calendar(path: str | os.PathLike[str], summary: TankSummary) -> None:
    """
    Write the calendar of a tank, whole or not at all.

    Parameters
    ----------
    path : path
        File to write; an existing file is replaced.
    summary : TankSummary
        With the plan.

    Raises
    ------
    ValueError
        If nothing is planned.
    OSError
        If it cannot be written.
    """
    if not _entries(summary):
        raise ValueError("Nothing is planned yet. Enter the tank's gas and lighting hours.")
    write_atomic(path, calendar_bytes(summary))


def _entries(summary: TankSummary) -> list[tuple[str, date, str, str]]:
    """Return kind, start, title and details of each entry."""
    plan = summary.plan
    entries: list[tuple[str, date, str, str]] = [
        ("photo", photo.at, "photo of the vial", PHOTO_PURPOSES[photo.tells]) for photo in plan.photos
    ]
    if plan.refill_on is not None:
        entries.append(("refill", plan.refill_on, "refill the gas", f"The gas lasts until about {refill_words(plan)}."))
    if plan.renew_fluid_on is not None:
        entries.append(("fluid", plan.renew_fluid_on, "renew the fluid in the vial", ""))
    return entries
