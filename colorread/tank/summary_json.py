"""Summaries of a tank as plain values for programs."""

from __future__ import annotations

import math
from typing import Any, get_args

from colorread import __version__
from colorread.reading.record import Interval
from colorread.tank.events import event_to_dict
from colorread.tank.results import SCHEMA, Course, DayForecast, Estimate, EstimateName, TankSummary


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
    source = None if told is None else told.source
    advice = None if told is None else told.advice
    now, answer = summary.now, summary.answer
    return {
        "schema": SCHEMA,
        "software": f"colorread {__version__}",
        "tank": summary.tank.name,
        "made_up": summary.tank.made_up,
        "n_read": summary.n_read,
        "n_refused": summary.n_refused,
        "n_unused": 0 if told is None else told.n_unused,
        "first_at": None if summary.first_at is None else summary.first_at.isoformat(),
        "last_at": None if summary.last_at is None else summary.last_at.isoformat(),
        "now": None
        if now is None or answer is None
        else {
            "what": now.what,
            "co2_mg_l": _interval(now.co2_mg_l),
            "fish": now.verdict.fish,
            "plants": now.verdict.plants,
            "sentences": [answer.fish, answer.plants, answer.to_do],
            "days_old": summary.days_old,
        },
        "more": list(summary.more),
        "tank_co2": [
            {"photo": point.photo, "taken_at": point.taken_at.isoformat(), **_interval(point.co2_mg_l)}
            for point in summary.tank_co2
        ],
        **{name: _estimate(estimate) for name, estimate in estimates.items()},
        "cannot_tell": {name: estimate.reason for name, estimate in estimates.items() if estimate.interval is None},
        "common_std_ph": 0.0 if told is None else _rounded(told.common_std_ph),
        "fitted": {} if told is None else {name: _interval(value) for name, value in told.fitted.items()},
        "course": None if told is None else _course(told.course),
        "source": None
        if source is None
        else {
            "total_g": _rounded(source.total_g),
            "used_g": _interval(source.used_g),
            "days_left": None if source.days_left is None else _interval(source.days_left),
            "sentence": source.sentence,
        },
        "fluid_advice": summary.fluid_advice,
        "advice": None
        if advice is None
        else {
            "day": advice.day.isoformat(),
            "sentences": list(advice.sentences),
            "cautions": list(advice.cautions),
            "today": _day(advice.today),
            "recommended": None if advice.recommended is None else _day(advice.recommended),
            "others": [_day(day) for day in advice.others],
        },
        "cautions": list(summary.cautions),
        "notes": list(summary.notes),
        "events": [event_to_dict(event) for event in summary.events],
        "plan": {
            "photos": [
                {
                    "at": photo.at.isoformat(timespec="minutes"),
                    "tells": photo.tells,
                    "narrowing": _rounded(photo.narrowing),
                }
                for photo in summary.plan.photos
            ],
            "refill_on": None if summary.plan.refill_on is None else summary.plan.refill_on.isoformat(),
            "renew_fluid_on": None if summary.plan.renew_fluid_on is None else summary.plan.renew_fluid_on.isoformat(),
        },
    }


def _course(course: Course) -> list[dict[str, Any]]:
    columns = (course.tank_mg_l, course.tank_low_mg_l, course.tank_high_mg_l, course.vial_mg_l)
    return [
        {
            "at": at.isoformat(timespec="minutes"),
            **dict(zip(("value", "low", "high", "vial"), map(_rounded, row), strict=True)),
        }
        for at, *row in zip(course.times, *columns, strict=True)
    ]


def _day(day: DayForecast) -> dict[str, Any]:
    change = day.change
    return {
        "words": day.words,
        "change": {
            "gas": None if change.gas is None else str(change.gas),
            "rate_factor": change.rate_factor,
            "night_loss_factor": change.night_loss_factor,
            "refill_on": None if change.refill_on is None else change.refill_on.isoformat(),
        },
        "lights_on_mg_l": _interval(day.lights_on_mg_l),
        "peak_mg_l": _interval(day.peak_mg_l),
        "night_low_mg_l": _interval(day.night_low_mg_l),
        "hours_above_fish_mark": _interval(day.hours_above_fish_mark),
        "plants_share": _rounded(day.plants_share),
        "plants_share_low": _rounded(day.plants_share_low),
        "plants_share_high": _rounded(day.plants_share_high),
        "fish_probability": _rounded(day.fish_probability),
    }


def _estimate(estimate: Estimate) -> dict[str, float | None] | None:
    return None if estimate.interval is None else _interval(estimate.interval)


def _interval(interval: Interval) -> dict[str, float | None]:
    return {"value": _rounded(interval.value), "low": _rounded(interval.low), "high": _rounded(interval.high)}


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 3)
