"""What is planned, in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from colorread.tank.results import Plan, PlannedFor
from colorread.tank.typed_event import moment_words
from colorread.words.numbers import date_words

TELLS: Mapping[PlannedFor, str] = {
    "loss": "It tells most about the loss to the air.",
    "lag": "It tells most about the lag of the vial.",
    "gas rate": "It tells most about the gas rate.",
    "usual": "",
}
"""What a planned photo is good for, a sentence."""


def plan_lines(plan: Plan, today: date | None = None) -> tuple[str, ...]:
    """
    Return what is planned.

    Parameters
    ----------
    plan : Plan
        Of a tank.
    today : datetime.date, optional
        For "today" and "tomorrow"; none for paper, which is read on another day.

    Returns
    -------
    tuple of str
        A line for the photos, one for the refill, one for the fluid; as far as they can be told.
    """
    lines = []
    if plan.photos:
        first, *others = plan.photos
        then = f" Then: {'; '.join(moment_words(photo.at, today) for photo in others)}." if others else ""
        tells = f" {TELLS[first.tells]}" if TELLS[first.tells] else ""
        lines.append(f"Next photo: {moment_words(first.at, today)}.{tells}{then}")
    for what, day in (("Refill", plan.refill_on), ("Renew the fluid", plan.renew_fluid_on)):
        if day is not None:
            lines.append(f"{what} by {date_words(day)}.")
    return tuple(lines)
