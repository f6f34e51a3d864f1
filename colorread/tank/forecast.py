"""What is to come: a settled day of the tank, as it runs or with something changed, its night, and the next photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from colorread.chemistry import RENEW_AFTER_WEEKS
from colorread.result import Interval
from colorread.tank.fit import TankFit
from colorread.tank.model import Draws, Schedule, TankParameters, is_on, settled_state, simulate
from colorread.tank.results import (
    Change,
    DayForecast,
    Night,
    Plan,
    PlannedFor,
    PlannedPhoto,
    SourceOutlook,
    TimerValve,
)
from colorread.tank.settings import DailySpan, Tank
from colorread.words import Marks

_STEP_H = 0.25
# Of the draws that are there so many are simulated, evenly spaced: enough for 90 % intervals: assumption.
N_DRAWS = 300
HOURS: NDArray[np.float64] = np.arange(0.0, 24.0 + _STEP_H / 2.0, _STEP_H)
_QUANTILES = (0.05, 0.5, 0.95)
_LEAD_H = 1.0  # from the gas to the lamp, one to two hours: common practice, no source
# Probability of passing the fish limit by night from which it is aerated: less than by day, as the oxygen is lowest
# before lights on (facts of pond keeping: dawn is the critical hour, SRAC 464 and 468); the number is an assumption.
NIGHT_CHANCE = 0.05
# Where a timer valve cannot bring the chance below that, it must halve it to be worth its price: assumption.
_WORTH_FACTOR = 0.5
_AHEAD_H, _NEXT_H = 48, 24  # of all photos, and of the next one
_N_PHOTOS = 4
_APART_H = 2.0  # a vial shows little else before: assumption
_AWAKE_H = (7, 22)  # whole hours of the clock at which a keeper may take a photo: assumption
_STALE_DAYS = 7.0  # a course carried on for longer says little of an hour: assumption
_LEAST_NARROWING = 0.01  # of a standard deviation: less is no reason for one more photo: assumption
# Hours after the gas goes on and off: common practice, no source, as the vial shows most of its lag while the tank
# rises and most of the loss once the gas is off.
_AFTER_SWITCHING_H = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DayStart:
    """
    What a day is simulated from.

    Parameters
    ----------
    parameters : TankParameters
        D draws; the gas rate is that of the day, within which it stays as it is; it fades from day to day.
    schedule : Schedule
        When gas and lamp are on.
    marks : Marks
        What the day is judged by.
    """

    parameters: TankParameters
    schedule: Schedule
    marks: Marks


def midnight_after(fit: TankFit) -> datetime:
    """Return the begin of the day after the last reading."""
    return datetime.combine(fit.last_at.date() + timedelta(days=1), time())


def day_start(fit: TankFit, marks: Marks, when: datetime) -> DayStart:
    """Return what a day with the gas rate of a time is simulated from; usually that is its midnight."""
    parameters = fit.parameters.take(np.linspace(0, len(fit.tank_mg_l) - 1, N_DRAWS).astype(np.intp))
    hours = (when - fit.series.midnight).total_seconds() / 3600.0
    faded = parameters.gas_mg_l_h * np.exp(-parameters.fall_per_h * hours)
    return DayStart(parameters=replace(parameters, gas_mg_l_h=faded), schedule=fit.schedule, marks=marks)


def day_course(start: DayStart, change: Change, rate_factor: Draws | float | None = None) -> NDArray[np.float64]:
    """
    Return the tank at `HOURS` of a day after some days of the same, (D, 97) [mg/L].

    A `rate_factor`, of all draws or of each, stands in place of the change's one.
    """
    factor = change.rate_factor if rate_factor is None else rate_factor
    gas_mg_l_h = start.parameters.gas_mg_l_h * factor
    parameters = replace(start.parameters, gas_mg_l_h=gas_mg_l_h, fall_per_h=np.zeros_like(gas_mg_l_h))
    schedule = replace(start.schedule, gas=change.gas or start.schedule.gas, night_loss_factor=change.night_loss_factor)
    tank, vial = settled_state(parameters, schedule, days=3)
    return simulate(parameters, schedule, HOURS, tank_mg_l=tank, vial_mg_l=vial)[0]


def forecast(start: DayStart, change: Change, words: str, rate_factor: Draws | float | None = None) -> DayForecast:
    """Judge a simulated day; `words` are the change as an instruction, `rate_factor` is that of `day_course`."""
    tank, marks, lit = day_course(start, change, rate_factor), start.marks, lit_hours(start.schedule)
    low, middle, high = np.quantile(tank, _QUANTILES, axis=0)
    within = (tank >= marks.plants_low_mg_l) & (tank <= marks.plants_high_mg_l)
    first_lit = start.schedule.lights if start.schedule.lights is not None else start.schedule.gas
    share = within[:, lit].mean(axis=1)
    above = (tank[:, :-1] > marks.fish_mg_l).mean(axis=1) * 24.0
    return DayForecast(
        change=change,
        words=words,
        hours=HOURS,
        co2_mg_l=middle,
        low_mg_l=low,
        high_mg_l=high,
        lights_on_mg_l=interval(tank[:, int(np.argmin(np.abs(HOURS - first_lit.on_h)))]),
        peak_mg_l=interval(tank.max(axis=1)),
        night_low_mg_l=interval(tank[:, ~lit].min(axis=1) if not lit.all() else tank.min(axis=1)),
        hours_above_fish_mark=interval(above),
        plants_share=float(share.mean()),
        plants_share_low=min(float(np.quantile(share, _QUANTILES[0])), float(share.mean())),
        plants_share_high=max(float(np.quantile(share, _QUANTILES[-1])), float(share.mean())),
        fish_probability=float((tank.max(axis=1) <= marks.fish_mg_l).mean()),
    )


def rate_for_peak(start: DayStart, peak_mg_l: float, rate_factor: Draws | float = 1.0) -> Draws:
    """Return at which share of a gas rate the day peaks at a level; not above 0 where it does so without gas [-]."""
    # The CO2 is the sum of what the gas brings, in proportion to its rate, and what is there without it.
    full, none = (day_course(start, Change(), factor).max(axis=1) for factor in (rate_factor, 0.0))
    return np.asarray((peak_mg_l - none) / np.maximum(full - none, 1e-6))


def lit_hours(schedule: Schedule) -> NDArray[np.bool_]:
    """Return at which of `HOURS` the plants can use CO2: in the light, or with the gas where that is not known."""
    span = schedule.lights if schedule.lights is not None else schedule.gas
    return np.array([is_on(span, hour) for hour in HOURS])


def interval(draws: NDArray[np.float64]) -> Interval:
    """Return median and 90 % interval of equally likely draws."""
    low, value, high = (float(end) for end in np.quantile(draws, _QUANTILES))
    return Interval(value=value, low=low, high=high)


def hours_for_lights(lights: DailySpan | None) -> DailySpan | None:
    """Return the hours of gas that serve a lamp, from an hour before it on; None where that is all day or not known."""
    if lights is None or lights.hours + _LEAD_H >= 23.5:
        return None
    return DailySpan(on=shifted(lights.on, -_LEAD_H), off=lights.off)


def shifted(clock: time, hours: float) -> time:
    """Return a time of day so much later."""
    minutes = (clock.hour * 60 + clock.minute + round(hours * 60)) % (24 * 60)
    return time(minutes // 60, minutes % 60)


def night_of(start: DayStart, rate_factor: Draws | float = 1.0) -> Night | None:
    """Return what the CO2 does by night; None where the gas stops each day, or no hours without light are known."""
    if start.schedule.gas.hours < 24.0 or (dark := _dark_hours(start)) is None:
        return None
    course = day_course(start, Change(), rate_factor)[:, dark]
    chance = _chance_above(course, start)
    return Night(
        low_mg_l=interval(course.min(axis=1)),
        high_mg_l=interval(course.max(axis=1)),
        chance_above_limit=chance,
        aerate=chance > NIGHT_CHANCE,
    )


def timer_valve(start: DayStart, tank: Tank) -> TimerValve | None:
    """
    Return what a timer valve would change.

    None where there is one or may be one, the gas is not from a cylinder, it stops each day as it is, or the lamp's
    hours are not known.
    """
    if tank.source_kind != "cylinder" or tank.valve not in ("none", "needle"):
        return None
    night, gas, dark = night_of(start), hours_for_lights(start.schedule.lights), _dark_hours(start)
    if night is None or gas is None:
        return None
    chance = _chance_above(day_course(start, Change(gas=gas))[:, dark], start)
    return TimerValve(
        gas=gas,
        chance_without=night.chance_above_limit,
        chance_with=chance,
        saved=1.0 - gas.hours / 24.0,
        is_worth_it=night.aerate and chance <= max(NIGHT_CHANCE, _WORTH_FACTOR * night.chance_above_limit),
    )


def _dark_hours(start: DayStart) -> NDArray[np.bool_] | None:
    """Return at which hours of a simulated day the lamp is off; None where that is not known, or never."""
    dark = ~lit_hours(start.schedule)
    return None if start.schedule.lights is None or not dark.any() else dark


def _chance_above(course: NDArray[np.float64], start: DayStart) -> float:
    return float((course.max(axis=1) > start.marks.fish_mg_l).mean())


def planned_photos(fit: TankFit, now: datetime) -> tuple[PlannedPhoto, ...]:
    """
    Return the next photos by what the days have left open, in the order of time.

    Each is the one, of the hours after the one before it, that narrows the number known least by then: loss, lag or
    gas rate. That is reckoned to first order, from how they go together with the reading to be expected, all as
    logarithms, over the draws (linear Gaussian updating of their covariance).
    """
    start = max(now, fit.last_at + timedelta(hours=_APART_H / 2.0))
    times = _whole_hours(start)
    hours = np.array([(when - fit.series.midnight).total_seconds() / 3600.0 for when in times])
    readings, noise_std = fit.expected_readings(hours)
    parameters = fit.parameters
    names: tuple[PlannedFor, ...] = ("loss", "lag", "gas rate")
    numbers = np.stack(
        [np.log(parameters.loss_per_h), np.log(parameters.lag_h), np.log(fit.gas_rates(hours[:1])[:, 0])], axis=1
    )
    known = len(names)
    covariance = np.cov(np.concatenate([numbers, readings], axis=1).T)
    noise = noise_std**2
    photos: list[PlannedPhoto] = []
    possible = hours < hours[0] + _NEXT_H
    while len(photos) < _N_PHOTOS and possible.any():
        least = int(np.argmax(np.diag(covariance)[:known]))
        seen = np.diag(covariance)[known:] + noise
        narrowed = covariance[least, known:] ** 2 / seen / covariance[least, least]
        narrowing = 1.0 - np.sqrt(np.maximum(1.0 - narrowed, 0.0))
        best = int(np.argmax(np.where(possible, narrowing, -1.0)))
        if photos and narrowing[best] < _LEAST_NARROWING:
            break
        photos.append(PlannedPhoto(at=times[best], tells=names[least], narrowing=float(narrowing[best])))
        possible = hours >= hours[best] + _APART_H
        column = covariance[:, known + best]
        covariance = covariance - np.outer(column, column) / seen[best]
    return tuple(photos)


def usual_photos(tank: Tank, now: datetime) -> tuple[PlannedPhoto, ...]:
    """Return the next photos where no course says more, as `telling_hours`; none where no hours are known."""
    wanted = {round(clock.hour + clock.minute / 60.0) % 24 for clock in telling_hours(tank.lights, tank.gas_hours)}
    times = [when for when in _whole_hours(now) if when.hour in wanted]
    return tuple(PlannedPhoto(at=when, tells="usual", narrowing=0.0) for when in times[:_N_PHOTOS])


def telling_hours(lights: DailySpan | None, gas: DailySpan | None) -> tuple[time, ...]:
    """
    Return when photos tell most of a tank of which no days are known.

    Around the switching of the gas; of gas that never stops, or whose hours are not known, through the light.
    """
    if gas is not None and gas.hours < 24.0:
        return tuple(shifted(clock, after_h) for clock in (gas.on, gas.off) for after_h in (0.0, _AFTER_SWITCHING_H))
    if lights is None:
        return ()
    return lights.on, shifted(lights.on, lights.hours / 2.0), lights.off


def plan_of(tank: Tank, fit: TankFit | None, source: SourceOutlook | None, now: datetime) -> Plan:
    """Return what to do next, and when, as far as it can be told; none of it in the past."""
    if fit is not None and now - fit.last_at > timedelta(days=_STALE_DAYS):
        fit = source = None
    photos = () if fit is None else planned_photos(fit, now)
    refill_from = refill_on = refill_until = None
    if fit is not None and source is not None and source.days_left is not None and source.days_left.value is not None:
        left, last_at = source.days_left, fit.last_at
        refill_from, refill_on, refill_until = (
            None if days is None else max((last_at + timedelta(days=days)).date(), now.date())
            for days in (left.low, left.value, left.high)
        )
    renewed = tank.fluid_renewed
    renew_on = None if renewed is None else renewed + timedelta(weeks=RENEW_AFTER_WEEKS)
    return Plan(
        photos=photos or usual_photos(tank, now),
        refill_on=refill_on,
        refill_from=refill_from,
        refill_until=refill_until,
        renew_fluid_on=None if renew_on is None else max(renew_on, now.date()),
    )


def _whole_hours(start: datetime) -> Sequence[datetime]:
    """Return the hours of the next days at which a keeper is awake."""
    first = datetime.combine(start.date(), time(start.hour)) + timedelta(hours=1)
    hours = (first + timedelta(hours=step) for step in range(_AHEAD_H))
    return [when for when in hours if _AWAKE_H[0] <= when.hour <= _AWAKE_H[1]]
