"""Summaries of a tank as plain values for programs."""

from __future__ import annotations

from typing import Any, get_args

from colorread import __version__
from colorread.records import plain
from colorread.tank.results import THREE_DIGITS, Course, EstimateName, SourceOutlook, TankSummary


def summary_to_dict(summary: TankSummary) -> dict[str, Any]:
    """
    Return a summary as plain values, rounded to what they are worth.

    Parameters
    ----------
    summary : TankSummary
        Of one tank.

    Returns
    -------
    dict
        Keys as documented in DEVELOPERS.md. A number that the data cannot tell is None, and its reason stands under
        ``cannot_tell``.
    """
    told = summary.told
    estimates = {name: summary.estimate(name) for name in get_args(EstimateName)}
    now, answer = summary.now, summary.answer
    data = {
        "schema": "colorread.summary/1",
        "software": f"colorread {__version__}",
        "tank": summary.tank.name,
        "made_up": summary.tank.made_up,
        "n_read": summary.n_read,
        "n_refused": summary.n_refused,
        "n_unused": 0 if told is None else told.n_unused,
        "first_at": summary.first_at,
        "last_at": summary.last_at,
        "now": None
        if now is None or answer is None
        else {
            "what": now.what,
            "co2_mg_l": plain(now.co2_mg_l, THREE_DIGITS),
            "fish": now.verdict.fish,
            "plants": now.verdict.plants,
            "sentences": (answer.fish, answer.plants, answer.to_do),
            "days_old": summary.days_old,
        },
        "more": summary.more,
        "tank_co2": [
            {"photo": point.photo, "taken_at": point.taken_at, **plain(point.co2_mg_l, THREE_DIGITS)}
            for point in summary.tank_co2
        ],
        **{name: plain(estimate.interval, THREE_DIGITS) for name, estimate in estimates.items()},
        "cannot_tell": {name: estimate.reason for name, estimate in estimates.items() if estimate.interval is None},
        "common_std_ph": plain(0.0 if told is None else told.common_std_ph, THREE_DIGITS),
        "fitted": plain({} if told is None else told.fitted, THREE_DIGITS),
        "course": None if told is None else plain(_rows(told.course), THREE_DIGITS),
        "source": None if told is None or told.source is None else plain(_source(told.source), THREE_DIGITS),
        "fluid_advice": summary.fluid_advice,
        "advice": None if told is None else told.advice,
        "cautions": summary.cautions,
        "notes": summary.notes,
        "events": summary.events,
        "plan": summary.plan,
    }
    return {name: plain(value) for name, value in data.items()}


def _rows(course: Course) -> list[dict[str, Any]]:
    columns = (course.tank_mg_l, course.tank_low_mg_l, course.tank_high_mg_l, course.vial_mg_l)
    return [
        {"at": at.isoformat(timespec="minutes"), "value": value, "low": low, "high": high, "vial": vial}
        for at, value, low, high, vial in zip(course.times, *columns, strict=True)
    ]


def _source(source: SourceOutlook) -> dict[str, object]:
    return {name: getattr(source, name) for name in ("total_g", "used_g", "days_left", "sentence")}
