"""What is planned for a tank, as a calendar file."""

from __future__ import annotations

import os
from datetime import date, datetime, timedelta

from calibration import write_whole
from colorread import __version__
from colorread.tank import TELLS, TankSummary, refill_words

_PHOTO_TAKES = timedelta(minutes=15)  # assumption


def calendar_bytes(summary: TankSummary) -> bytes:
    """
    Return photos, refill and new fluid of a tank as a calendar.

    Parameters
    ----------
    summary : TankSummary
        With what is planned.

    Returns
    -------
    bytes
        RFC 5545. Times are those of the clock on the wall, as the tank's timers keep them; a later file replaces the
        entries of an earlier one for the same times.
    """
    from icalendar import Alarm, Calendar, Event

    tank, plan = summary.tank, summary.plan
    calendar = Calendar()
    calendar.add("prodid", f"-//colorread {__version__}//EN")
    calendar.add("version", "2.0")

    def add(kind: str, start: date, words: str, details: str = "") -> None:
        entry = Event()
        # The same for the same tank and time, so that importing again doubles nothing.
        entry.add("uid", f"{kind}-{start.isoformat()}-{tank.name.encode().hex()}@colorread")
        entry.add("dtstamp", datetime.now().astimezone())
        entry.add("summary", f"{tank.name}: {words}")
        entry.add("dtstart", start)
        if isinstance(start, datetime):
            entry.add("duration", _PHOTO_TAKES)
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", words)
            alarm.add("trigger", timedelta(0))
            entry.add_component(alarm)
        if details:
            entry.add("description", details)
        calendar.add_component(entry)

    for photo in plan.photos:
        add("photo", photo.at, "photo of the vial", TELLS[photo.tells])
    if plan.refill_on is not None:
        add("refill", plan.refill_on, "refill the gas", f"The gas lasts until about {refill_words(plan)}.")
    if plan.renew_fluid_on is not None:
        add("fluid", plan.renew_fluid_on, "renew the fluid in the vial")
    return bytes(calendar.to_ical())


def write_calendar(path: str | os.PathLike[str], summary: TankSummary) -> None:
    """
    Write the calendar of a tank, whole or not at all.

    Parameters
    ----------
    path : path
        File to write; replaced where it exists.
    summary : TankSummary
        With what is planned.

    Raises
    ------
    ValueError
        If nothing is planned.
    OSError
        If it cannot be written.
    """
    plan = summary.plan
    if not plan.photos and plan.refill_on is None and plan.renew_fluid_on is None:
        raise ValueError("Nothing is planned yet. Enter the gas and lights' hours of the tank.")
    write_whole(path, calendar_bytes(summary))
