"""What days of readings show about a tank, or why they show nothing, and the one verdict for now."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from calibration import Floats
from colorread import words
from colorread.result import LEVELS, Interval, Level, Reading, chance_above, depends_on_held, level_of
from colorread.tank import forecast, tank_words
from colorread.tank.advice import advise
from colorread.tank.events import Event, bubbles_now, updated_tank
from colorread.tank.fit import TankFit, steady_fit
from colorread.tank.forecast import interval
from colorread.tank.model import is_on
from colorread.tank.posterior import LN_LAG, LN_LOSS
from colorread.tank.results import Change, Course, Estimate, Findings, Now, PhotoPoint, TankSummary
from colorread.tank.series import NoCourseError, age_days, has_future_date, wall_clock
from colorread.tank.settings import DailySpan, Tank

DAILY_PEAK = "CO2 in the tank at its daily peak"
_STEP_H, _AHEAD_H = 0.5, 24.0  # step of the course, and how far it runs past the last photo: assumptions
# A number is shown if its interval lies within this factor of the value and the photos narrowed its prior; otherwise it
# would show the prior, not the photos. Assumptions.
_LAG_FACTOR, _LOSS_FACTOR = 1.5, 1.8
# A trend seen over at most two weeks says nothing about the time beyond two months: assumption.
_FAR_DAYS = 60.0
_READINGS_BACK = 6  # readings to go back for the level held before, two days of three photos: assumption
_CONTRADICTED_FROM = 0.95  # probability that the vial is above its course: assumption
_NO_LOSS = "Needs photos at the end of the night and in the hours after the gas goes off."
_NO_LAG = "Needs photos one, two and three hours after the gas goes on."
# By day, when oxygen is not low; less CO2 harms no fish.
_ALL_DAY = "Needs photos from a few daytime hours without gas (pull the hose out of the tank)."


def summarize(
    tank: Tank, readings: Sequence[Reading], events: Iterable[Event] = (), *, now: datetime | None = None
) -> TankSummary:
    """
    Return what days of readings show about a tank.

    Parameters
    ----------
    tank : Tank
        Its settings.
    readings : sequence of Reading
        Of this tank, in any order, including refused ones.
    events : iterable of Event, optional
        What was noted about it, in any order.
    now : datetime, optional
        On the tank's clock; by default that of the machine. Photos dated over a day later had a wrong clock.

    Returns
    -------
    TankSummary
        With reasons in place of numbers that cannot be determined.
    """
    now = wall_clock(now or datetime.now())
    happened = tuple(sorted((event for event in events if event.at <= now), key=lambda event: event.at))
    entered, tank = tank, updated_tank(tank, happened)
    read = [reading for reading in readings if reading.status == "read"]
    usable = [reading for reading in read if not has_future_date(reading, now)]
    timed = [reading for reading in usable if reading.taken_at is not None]
    timed.sort(key=lambda reading: (_at(reading), reading.photo))
    first_at, last_at = (_at(timed[0]), _at(timed[-1])) if timed else (None, None)
    days_old = 0 if tank.made_up or last_at is None else max(age_days(last_at, now), 0)
    notes = tank_words.input_notes(usable)
    findings, fit, reason = None, None, ""
    try:
        fit, unsteady = steady_fit(entered, usable, happened)
    except NoCourseError as error:
        reason = str(error)
        more: tuple[str, ...] = (reason,)
        verdict = None
        watch = (*words.watch_cautions(tank.judged_by), *words.STANDING_CAUTIONS)  # everything, if nothing was read
        if timed:
            highest = _highest_of_late(timed)
            at = _at(highest)
            earlier = f"{words.HIGHEST_IN_VIAL} ({words.date_words(at)}, {at:%H:%M})"
            verdict = _now_of_reading(highest, tank.judged_by, words.IN_VIAL if highest is timed[-1] else earlier)
            watch = verdict.verdict.cautions
        cautions = (*watch, *words.gas_cautions(tank.source_kind, tank.valve))
    else:
        held = _level_before(entered, fit, timed, happened)
        findings = _findings(tank, fit, held, happened, n_unused=len(read) - len(fit.series.readings))
        verdict = _now_of_days(tank, findings, timed[-1], held)
        gas = tank_words.gas_trend_words(tank, findings, is_old=days_old > words.OLD_DAYS)
        more = (gas, unsteady, tank_words.noted_since_words(happened, fit.series.last_at))
        cautions = (*findings.advice.cautions, *words.STANDING_CAUTIONS)
        notes = (*notes, *tank_words.fit_notes(tank, fit))
    plan_from = last_at if tank.made_up and last_at else now
    return TankSummary(
        tank=tank,
        events=happened,
        n_read=len(read),
        n_refused=len(readings) - len(read),
        first_at=first_at,
        last_at=last_at,
        now=verdict,
        days_old=days_old,
        more=tuple(sentence for sentence in (tank_words.future_words(len(read) - len(usable)), *more) if sentence),
        cautions=cautions,
        notes=notes,
        fluid_advice=tank_words.fluid_words(tank.fluid_renewed, None if last_at is None else last_at.date()),
        findings=findings,
        reason=reason,
        plan=forecast.plan_of(tank, fit, None if findings is None else findings.source, plan_from),
    )


def _at(reading: Reading) -> datetime:
    """Return when the photo of a timed reading was taken, on the tank's clock."""
    assert reading.taken_at is not None
    return wall_clock(reading.taken_at)


def _now_of_reading(reading: Reading, marks: words.Marks, what: str = words.IN_VIAL) -> Now:
    """Return the verdict by a reading of the vial, where there is no course or the reading contradicts it."""
    assert reading.co2_mg_l is not None
    verdict = words.judge(reading.co2_mg_l, marks, calibrated=reading.profile is not None)
    return Now(what=what, co2_mg_l=reading.co2_mg_l, verdict=verdict)


def _highest_of_late(timed: Sequence[Reading]) -> Reading:
    """Return the highest reading of the last two days, as a low morning does not rule out a high evening."""

    def height(reading: Reading) -> tuple[float, datetime]:
        assert reading.co2_mg_l is not None
        return math.inf if reading.co2_mg_l.high is None else reading.co2_mg_l.high, _at(reading)

    since = _at(timed[-1]) - timedelta(days=2)
    return max((reading for reading in timed if _at(reading) >= since), key=height)


def _now_of_days(tank: Tank, findings: Findings, last: Reading, held: Level | None) -> Now:
    """Return the verdict by the daily peak, or by the last reading if that contradicts it."""
    marks, day = tank.judged_by, findings.advice.today
    if _contradicts(last, findings, marks):
        return _now_of_reading(last, marks)
    verdict = words.judge(day.peak_mg_l, marks, held=held)
    plants, fish, _ = verdict.sentences
    if verdict.fish != "act":
        plants = f"In their range for {words.percent_words(day.plants_share)} of {tank_words.lit_words(tank.lights)}."
    to_do = findings.advice.sentences[0]
    if verdict.fish == "watch" and last.profile is None:
        to_do += f" {words.CALIBRATE}"
    verdict = replace(verdict, sentences=(plants, fish, to_do), cautions=findings.advice.cautions)
    return Now(what=DAILY_PEAK, co2_mg_l=day.peak_mg_l, verdict=verdict)


def _contradicts(last: Reading, findings: Findings, marks: words.Marks) -> bool:
    """Return whether the last reading is more serious than the course, and surely above the course of the vial."""
    assert last.co2_mg_l is not None
    of_reading, of_days = (
        LEVELS.index(level_of(co2, marks.fish_mg_l)) for co2 in (last.co2_mg_l, findings.advice.today.peak_mg_l)
    )
    nearest = min(range(len(findings.course.times)), key=lambda i: abs(findings.course.times[i] - _at(last)))
    vial_mg_l = max(float(findings.course.vial_mg_l[nearest]), 1e-3)
    return of_reading > of_days and chance_above(last.co2_mg_l, vial_mg_l) >= _CONTRADICTED_FROM


def _level_before(
    tank: Tank, fit: TankFit, timed: Sequence[Reading], events: Sequence[Event], n_back: int = _READINGS_BACK
) -> Level | None:
    """Return the level held before the last reading (it changes only beyond a margin); None if it does not matter."""
    earlier, limit_mg_l = timed[:-1], tank.judged_by.fish_mg_l
    if not earlier or not n_back or not depends_on_held(_peak(tank, fit), limit_mg_l):
        return None
    noted = [event for event in events if event.at <= _at(earlier[-1])]
    try:
        before, _ = steady_fit(tank, earlier, noted)
    except NoCourseError:
        return _now_of_reading(_highest_of_late(earlier), tank.judged_by).verdict.fish
    return level_of(_peak(tank, before), limit_mg_l, _level_before(tank, before, earlier, noted, n_back - 1))


def _peak(tank: Tank, fit: TankFit) -> Interval:
    """Return the peak of the day after the last reading [mg/L]."""
    return interval(forecast.day_course(forecast.day_start(fit, tank.judged_by), Change()).max(axis=1))


def _findings(tank: Tank, fit: TankFit, held: Level | None, events: Sequence[Event], *, n_unused: int) -> Findings:
    series, parameters = fit.series, fit.parameters
    course_h = np.arange(0.0, series.hours[-1] + _AHEAD_H, _STEP_H)
    tank_course, vial_course = fit.course(course_h)
    points = tuple(
        PhotoPoint(photo=reading.photo, taken_at=reading.taken_at, co2_mg_l=interval(draws))
        for reading, draws in zip(series.readings, fit.course(series.hours)[0].T, strict=True)
        if reading.taken_at is not None
    )
    last_day = course_h // 24.0 == series.hours[-1] // 24.0
    day = tank_course[:, last_day]
    lights_on, night_low = _around_light(tank.lights, day, course_h[last_day] % 24.0)
    trend = forecast.gas_trend(fit)
    no_loss, no_lag = (_ALL_DAY, _ALL_DAY) if fit.schedule.gas.hours >= 24.0 else (_NO_LOSS, _NO_LAG)
    return Findings(
        tank_co2=points,
        course=Course(
            times=tuple(series.when(hour) for hour in course_h),
            tank_mg_l=np.quantile(tank_course, (0.05, 0.5, 0.95), axis=0),
            vial_mg_l=np.median(vial_course, axis=0),
        ),
        estimates={
            "lights_on_mg_l": lights_on,
            "peak_mg_l": Estimate(interval=interval(day.max(axis=1))),
            "night_low_mg_l": night_low,
            "hours_above_fish_mark": Estimate(interval=interval((day > tank.judged_by.fish_mg_l).mean(axis=1) * 24.0)),
            "gas_mg_l_per_hour": Estimate(interval=interval(fit.gas_rates(series.hours[-1:])[:, 0])),
            "gas_trend_percent_per_day": trend,
            "loss_per_hour": _if_narrowed(parameters.loss_per_h, LN_LOSS.std, _LOSS_FACTOR, no_loss),
            "lag_hours": _if_narrowed(parameters.lag_h, LN_LAG.std, _LAG_FACTOR, no_lag),
            "fades_in_days": _fades(fit, tank, trend),
        },
        source=forecast.source_outlook(fit, tank),
        advice=advise(fit, tank, held, bubbles=bubbles_now(events, fit.series.last_at)),
        n_unused=n_unused,
        common_std_ph=float(np.sqrt(np.mean(series.shared_std**2 + series.color_std**2)) / math.log(10.0)),
        fitted={
            "loss_per_hour": interval(parameters.loss_per_h),
            "lag_hours": interval(parameters.lag_h),
            "uptake_per_hour_in_the_light": interval(parameters.uptake_per_h),
            "level_without_gas_mg_l": interval(parameters.base_mg_l),
        },
    )


def _around_light(lights: DailySpan | None, day: Floats, hour_of_day: Floats) -> tuple[Estimate, Estimate]:
    """Return the CO2 at lights on and the lowest at night, from the course of a day at these hours of the day."""
    if lights is None:
        unknown = Estimate(reason="The lighting hours are not known.")
        return unknown, unknown
    lights_on = Estimate(interval=interval(day[:, int(np.argmin(np.abs(hour_of_day - lights.on_h)))]))
    night = np.array([not is_on(lights, hour) for hour in hour_of_day])
    if not night.any():
        return lights_on, Estimate(reason="The lights are on day and night.")
    return lights_on, Estimate(interval=interval(day[:, night].min(axis=1)))


def _if_narrowed(draws: Floats, prior_std_ln: float, factor: float, reason: str) -> Estimate:
    """Return a number, or the reason if its interval is too wide or hardly narrower than its prior."""
    low, value, high = np.quantile(draws, (0.05, 0.5, 0.95))
    is_narrow = high <= value * factor and low >= value / factor
    if is_narrow and float(np.std(np.log(draws))) < forecast.NARROWED * prior_std_ln:
        return Estimate(interval=interval(draws))
    return Estimate(reason=reason)


def _fades(fit: TankFit, tank: Tank, trend: Estimate) -> Estimate:
    """Return in how many days the daily peak falls below the plants' range if the gas keeps fading."""
    start = forecast.day_start(fit, tank.judged_by, fit.series.last_at)
    needed = np.maximum(forecast.rate_for_peak(start, tank.marks.plants_low_mg_l), 1e-6)
    if float(np.quantile(needed, 0.05)) >= 1.0:  # whatever the trend
        return Estimate(interval=Interval(value=0.0, low=0.0, high=0.0))
    if trend.interval is None:
        return trend
    fall_per_day = np.maximum(start.parameters.fall_per_h * 24.0, 1e-9)
    days = interval(np.clip(-np.log(needed) / fall_per_day, 0.0, 10.0 * _FAR_DAYS))
    if (days.value or 0.0) > _FAR_DAYS:
        return Estimate(reason=f"No fading that matters within {_FAR_DAYS:.0f} days.")
    return Estimate(interval=replace(days, high=None) if (days.high or 0.0) > _FAR_DAYS else days)
