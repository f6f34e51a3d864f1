"""The one verdict that days of readings end in, and what is said of the gas."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from colorread.result import LEVELS, Interval, Level, Reading, chance_above, level_of
from colorread.tank.day_words import LEAST_DAYS, is_already, lit_words
from colorread.tank.event_text import event_words
from colorread.tank.events import Event
from colorread.tank.results import Now, Told
from colorread.tank.series import wall_clock
from colorread.tank.settings import Tank
from colorread.words import CALIBRATE, IN_VIAL, Marks, days_words, judge, number_words, percent_words

DAILY_PEAK = "CO2 in the tank at its daily peak"
_CONTRADICTED_FROM = 0.95  # probability that the vial is above where the days put it: assumption
_LEAKING_PERCENT_A_DAY = -3.0  # assumption: less may be the weather or the fit
_LEAK = (
    "A cylinder does not fade by itself. Ventilate, and check regulator, valve and hose for leaks; once fixed, more "
    "gas may flow again."
)


def now_of_days(tank: Tank, told: Told, last: Reading, held: Level | None) -> Now:
    """
    Return the verdict for now where the days give a course.

    Parameters
    ----------
    tank : Tank
        Its limits.
    told : Told
        What the course tells.
    last : Reading
        The last reading; where it shows far more than the course allows and is graver, it speaks.
    held : {'no concern', 'watch', 'act'} or None
        Level before the last photo.

    Returns
    -------
    Now
        Of the daily peak as the tank runs now.
    """
    marks, day = tank.judged_by, told.advice.today
    if _contradicts(last, told, marks):
        return now_of_reading(last, marks)
    verdict = judge(day.peak_mg_l, marks, held=held)
    plants, fish, _ = verdict.sentences
    if verdict.fish != "act":
        plants = f"In their range for about {percent_words(day.plants_share)} of {lit_words(tank.lights)}."
    to_do = told.advice.sentences[0]
    if verdict.fish == "watch" and last.profile is None:
        to_do += f" {CALIBRATE}"
    return Now(
        what=DAILY_PEAK,
        co2_mg_l=day.peak_mg_l,
        verdict=replace(verdict, sentences=(plants, fish, to_do), cautions=told.advice.cautions),
        taken_at=last.taken_at,
    )


def now_of_reading(reading: Reading, marks: Marks) -> Now:
    """
    Return the verdict for now where there is no course.

    Parameters
    ----------
    reading : Reading
        With numbers; see `highest_of_late`.
    marks : Marks
        What it is judged by.

    Returns
    -------
    Now
        Of the vial.
    """
    assert reading.co2_mg_l is not None
    return Now(
        what=IN_VIAL,
        co2_mg_l=reading.co2_mg_l,
        verdict=judge(reading.co2_mg_l, marks, calibrated=reading.profile is not None),
        taken_at=reading.taken_at,
    )


def highest_of_late(timed: Sequence[Reading]) -> Reading:
    """
    Return the highest reading of the two days up to the last photo, as a low morning does not undo a high evening.

    Parameters
    ----------
    timed : sequence of Reading
        With numbers and times, in order; at least one.

    Returns
    -------
    Reading
        The later one of equals.
    """

    def height(reading: Reading) -> tuple[float, float]:
        co2, at = reading.co2_mg_l, reading.taken_at
        assert co2 is not None
        assert at is not None
        return np.inf if co2.high is None else co2.high, wall_clock(at).timestamp()

    last_at = timed[-1].taken_at
    assert last_at is not None
    since = wall_clock(last_at) - timedelta(days=2)
    return max((reading for reading in timed if reading.taken_at and wall_clock(reading.taken_at) >= since), key=height)


def gas_words(tank: Tank, told: Told) -> str:
    """
    Return how the gas changes.

    Parameters
    ----------
    tank : Tank
        Its source and limits.
    told : Told
        What the course tells.

    Returns
    -------
    str
        A sentence or more.
    """
    trend, fades = told.estimates["gas_trend_percent_per_day"], told.estimates["fades_in_days"]
    if trend.interval is None:
        return trend.reason
    low, high = trend.interval.low or 0.0, trend.interval.high or 0.0
    change = number_words(trend.interval, "% per day", signed=True).short()
    if low < 0.0 < high:
        return f"Gas: no clear trend, {change}."
    words = f"Gas: {change}."
    if fades.interval is not None:
        words += f" {_fading_words(tank, told, fades.interval)}"
    if tank.source_kind == "cylinder" and high < 0.0 and (trend.interval.value or 0.0) <= _LEAKING_PERCENT_A_DAY:
        words += f" {_LEAK}"
    return words


def noted_since_words(events: Sequence[Event], last_at: datetime) -> str:
    """
    Return what was done to the gas after the last photo, which shows nothing of it.

    Parameters
    ----------
    events : sequence of Event
        In the order of time.
    last_at : datetime
        Time of the last photo, on the tank's clock.

    Returns
    -------
    str
        Two sentences, or none.
    """
    since = [event for event in events if event.turns_gas and event.at > last_at]
    if not since:
        return ""
    return f"Noted since the last photo: {event_words(since[-1])}. How much gas flows now needs a new photo."


def _fading_words(tank: Tank, told: Told, days: Interval) -> str:
    lower = f"{tank.marks.plants_low_mg_l:g} mg/L"
    if (days.value or 0.0) >= LEAST_DAYS:
        return f"At this rate, the daily peak falls below {lower} in about {days_words(days).short()}."
    peak = told.estimates["peak_mg_l"].interval
    is_below = is_already(days) and peak is not None and peak.high is not None
    is_below = is_below and peak is not None and (peak.high or 0.0) < tank.marks.plants_low_mg_l
    return f"The daily peak {'is' if is_below else 'may be'} below {lower} already."


def _contradicts(last: Reading, told: Told, marks: Marks) -> bool:
    """Whether the last reading is graver than the course, and lies above where the course has the vial."""
    assert last.co2_mg_l is not None
    assert last.taken_at is not None
    levels = (level_of(co2, marks.fish_mg_l) for co2 in (last.co2_mg_l, told.advice.today.peak_mg_l))
    of_reading, of_days = map(LEVELS.index, levels)
    at = wall_clock(last.taken_at)
    nearest = min(range(len(told.course.times)), key=lambda i: abs(told.course.times[i] - at))
    vial_mg_l = max(float(told.course.vial_mg_l[nearest]), 1e-3)
    return of_reading > of_days and chance_above(last.co2_mg_l, vial_mg_l) >= _CONTRADICTED_FROM
