"""What is planned, in words."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from datetime import date, datetime

from colorread.tank.event_text import moment_words
from colorread.tank.results import Plan, PlannedFor
from colorread.words import date_words

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
        days = itertools.groupby(others, key=lambda photo: photo.at.date())
        later = "; ".join(_day_words([photo.at for photo in photos], today) for _, photos in days)
        then = f" Then: {later}." if others else ""
        tells = f" {TELLS[first.tells]}" if TELLS[first.tells] else ""
        lines.append(f"Next photo: {moment_words(first.at, today)}.{tells}{then}")
    if plan.refill_on is not None:
        lines.append(f"The gas lasts until about {date_words(plan.refill_on)}.")
    if plan.renew_fluid_on is not None:
        lines.append(f"Renew the fluid by {date_words(plan.renew_fluid_on)}.")
    return tuple(lines)


def _day_words(times: Sequence[datetime], today: date | None) -> str:
    return ", ".join((moment_words(times[0], today), *(f"{at:%H:%M}" for at in times[1:])))
