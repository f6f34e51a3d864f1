"""Forecasts: a settled day as it is or with a change, its night, the end of the charge, and the next photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from calibration import Floats
from colorread.chemistry import RENEW_AFTER_WEEKS
from colorread.result import Interval, chance_above
from colorread.tank.charge import USUAL_YIELD, co2_of_charge_g
from colorread.tank.fit import TankFit
from colorread.tank.model import Draws, Schedule, TankParameters, is_on, settled_state, simulate
from colorread.tank.results import (
    NEVER_DAYS,
    Change,
    DayForecast,
    Estimate,
    Night,
    Plan,
    PlannedFor,
    PlannedPhoto,
    SourceOutlook,
    TimerValve,
)
from colorread.tank.settings import DailySpan, GasSource, Tank
from colorread.words import Marks, date_words

_STEP_H = 0.25  # step of a simulated day; the CO2 hardly changes within it: assumption
# Draws to simulate, evenly spaced among all of them; this is enough for 90 % intervals: assumption.
N_DRAWS = 300
HOURS: Floats = np.arange(0.0, 24.0 + _STEP_H / 2.0, _STEP_H)
_QUANTILES = (0.05, 0.5, 0.95)
_LEAD_H = 1.0  # the gas comes on one to two hours before the lights: common practice, no source
# Aerate above this chance of passing the fish limit at night. It is lower than by day, as oxygen is lowest before
# lights on (known from ponds: dawn is the critical hour, SRAC 464 and 468); the number is an assumption.
NIGHT_CHANCE = 0.05
# A timer valve that cannot bring the chance below that must halve it to be worth its price: assumption.
_WORTH_FACTOR = 0.5
_TREND_SEEN_H = 48.0  # readings needed after the gas was turned; fewer show the new rate but no trend: assumption
# Before the first photo the gas rate is capped at twice the present one, so that a small error in the trend does not
# grow without bound: assumption.
_PAST_RATE_MAX = 2.0
# The photos determine a number if its standard deviation is below this share of its prior's: assumption.
NARROWED = 0.75
_AHEAD_H, _NEXT_H = 48, 24  # how far ahead to plan photos, and the first of them: assumptions
_N_PHOTOS = 4  # planned at a time: assumption
_APART_H = 2.0  # a vial shows little new any sooner: assumption
_AWAKE_H = (7, 22)  # whole hours of the clock at which a keeper may take a photo: assumption
_STALE_DAYS = 7.0  # a course extrapolated for longer says little about single hours: assumption
_LEAST_NARROWING = 0.01  # share of a standard deviation; less does not justify another photo: assumption
# Hours after the gas goes on and off at which the vial best shows its lag and the loss, respectively: common practice,
# no source.
_AFTER_SWITCHING_H = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DayStart:
    """
    What a day is simulated from.

    Parameters
    ----------
    parameters : TankParameters
        D draws; the gas rate is that of the day. It fades from day to day, not within a day.
    schedule : Schedule
        When gas and lamp are on.
    marks : Marks
        The limits that the day is judged by.
    """

    parameters: TankParameters
    schedule: Schedule
    marks: Marks


def interval(draws: Floats) -> Interval:
    """Return median and 90 % interval of equally likely draws."""
    low, value, high = (float(end) for end in np.quantile(draws, _QUANTILES))
    return Interval(value=value, low=low, high=high)


def midnight_after(fit: TankFit) -> datetime:
    """Return the midnight that ends the day of the last reading."""
    return datetime.combine(fit.series.last_at.date() + timedelta(days=1), time())


def day_start(fit: TankFit, marks: Marks, when: datetime | None = None) -> DayStart:
    """Return what to simulate a day from, with the gas rate at a moment, by default at `midnight_after`."""
    parameters = fit.parameters
    parameters = parameters.take(np.linspace(0, len(parameters.lag_h) - 1, N_DRAWS).astype(np.intp))
    hours = fit.series.hours_to(when or midnight_after(fit))
    faded = parameters.gas_mg_l_h * np.exp(-parameters.fall_per_h * hours)
    return DayStart(parameters=replace(parameters, gas_mg_l_h=faded), schedule=fit.schedule, marks=marks)


def day_course(start: DayStart, change: Change, rate_factor: Draws | float | None = None) -> Floats:
    """
    Return the tank's CO2 at `HOURS` of a day that follows some days like it, shape (D, 97) [mg/L].

    A `rate_factor`, one for all draws or one for each, replaces that of the change.
    """
    factor = change.rate_factor if rate_factor is None else rate_factor
    gas_mg_l_h = start.parameters.gas_mg_l_h * factor
    parameters = replace(start.parameters, gas_mg_l_h=gas_mg_l_h, fall_per_h=np.zeros_like(gas_mg_l_h))
    schedule = replace(start.schedule, gas=change.gas or start.schedule.gas, night_loss_factor=change.night_loss_factor)
    return np.asarray(simulate(parameters, schedule, HOURS, settled_state(parameters, schedule, days=3))[0])


def forecast(start: DayStart, change: Change, words: str, rate_factor: Draws | float | None = None) -> DayForecast:
    """Simulate and judge a day; `words` are the change as an instruction, `rate_factor` is as in `day_course`."""
    tank, marks, lit = day_course(start, change, rate_factor), start.marks, lit_hours(start.schedule)
    lights_on = int(np.argmin(np.abs(HOURS - (start.schedule.lights or start.schedule.gas).on_h)))
    night = np.ones_like(lit) if lit.all() else ~lit
    peak_mg_l = interval(tank.max(axis=1))
    within = (tank >= marks.plants_low_mg_l) & (tank <= marks.plants_high_mg_l)
    shares = within[:, lit].mean(axis=1)
    share = float(shares.mean())
    return DayForecast(
        change=change,
        words=words,
        co2_mg_l=np.quantile(tank, _QUANTILES, axis=0),
        lights_on_mg_l=interval(tank[:, lights_on]),
        peak_mg_l=peak_mg_l,
        night_low_mg_l=interval(tank[:, night].min(axis=1)),
        hours_above_fish_mark=interval((tank[:, :-1] > marks.fish_mg_l).mean(axis=1) * 24.0),
        plants_share=share,
        plants_share_low=min(float(np.quantile(shares, _QUANTILES[0])), share),
        plants_share_high=max(float(np.quantile(shares, _QUANTILES[-1])), share),
        fish_probability=1.0 - chance_above(peak_mg_l, marks.fish_mg_l),
    )


def rate_for_peak(start: DayStart, peak_mg_l: float, rate_factor: Draws | float = 1.0) -> Draws:
    """Return the share of a gas rate at which the day peaks at a level; 0 or less if it does so without gas [-]."""
    # The CO2 is what the gas adds, in proportion to its rate, plus what is there without it. The hour of the peak
    # depends on the rate, hence the minimum over all hours.
    full, none = (day_course(start, Change(), factor) for factor in (rate_factor, 0.0))
    return np.asarray(((peak_mg_l - none) / np.maximum(full - none, 1e-6)).min(axis=1))


def lit_hours(schedule: Schedule) -> NDArray[np.bool_]:
    """Return at which of `HOURS` plants can use CO2: lights on, or gas on if the lights' hours are not known."""
    return np.array([is_on(schedule.lights or schedule.gas, hour) for hour in HOURS])


def hours_for_lights(lights: DailySpan | None) -> DailySpan | None:
    """Return gas hours from an hour before lights on to lights off; None if that is all day or lights are not known."""
    if lights is None or lights.hours + _LEAD_H >= 23.5:
        return None
    return DailySpan(on=shifted(lights.on, -_LEAD_H), off=lights.off)


def shifted(clock: time, hours: float) -> time:
    """Return the time of day a number of hours later."""
    minutes = (clock.hour * 60 + clock.minute + round(hours * 60)) % (24 * 60)
    return time(minutes // 60, minutes % 60)


def night_of(start: DayStart, rate_factor: Draws | float = 1.0, *, new_gas: DailySpan | None = None) -> Night | None:
    """
    Return what the CO2 does at night, as it is or with new gas hours.

    None if the gas stops each day as it is, or no dark hours are known.
    """
    dark = ~lit_hours(start.schedule)
    if start.schedule.gas.hours < 24.0 or start.schedule.lights is None or not dark.any():
        return None
    course = day_course(start, Change(gas=new_gas), rate_factor)[:, dark]
    high_mg_l = interval(course.max(axis=1))
    chance = chance_above(high_mg_l, start.marks.fish_mg_l)
    return Night(
        low_mg_l=interval(course.min(axis=1)),
        high_mg_l=high_mg_l,
        chance_above_limit=chance,
        aerate=chance > NIGHT_CHANCE,
    )


def timer_valve(
    start: DayStart, tank: Tank, night: Night | None, rate_factor: Draws | float = 1.0
) -> TimerValve | None:
    """
    Return what a timer valve would change of a night, at the same gas rate relative to that of the day.

    None if there is or may be one already, the gas is not from a cylinder or stops each day anyway, or the lights'
    hours are not known.
    """
    if tank.source_kind != "cylinder" or tank.valve not in ("none", "needle"):
        return None
    gas = hours_for_lights(start.schedule.lights)
    if night is None or gas is None or (timed := night_of(start, rate_factor, new_gas=gas)) is None:
        return None
    chance = timed.chance_above_limit
    return TimerValve(
        gas=gas,
        chance_without=night.chance_above_limit,
        chance_with=chance,
        saved=1.0 - gas.hours / 24.0,
        is_worth_it=night.aerate and chance <= max(NIGHT_CHANCE, _WORTH_FACTOR * night.chance_above_limit),
    )


def gas_trend(fit: TankFit) -> Estimate:
    """Return how the gas rate changes [%/d], or why that cannot be determined."""
    turned_h = max((step.hour for step in fit.posterior.steps if step.gas_std > 0.0), default=-math.inf)
    if float(fit.series.hours[-1]) - turned_h < _TREND_SEEN_H:
        return Estimate(reason="Gas: no trend yet; it was changed too recently.")
    fall_per_day = fit.parameters.fall_per_h * 24.0
    if float(np.std(fall_per_day)) >= NARROWED * fit.posterior.last_fall_std_per_day:
        return Estimate(reason="Gas: no trend yet; it needs several days of photos at the same hours.")
    return Estimate(interval=interval(100.0 * np.expm1(-fall_per_day)))


def surely_fades(fit: TankFit) -> bool:
    """Return whether the whole interval of the trend of the gas is below zero."""
    trend = gas_trend(fit).interval
    return trend is not None and trend.high is not None and trend.high < 0.0


def source_outlook(fit: TankFit, tank: Tank) -> SourceOutlook | None:
    """
    Return how much of its gas the charge has given and how long the rest lasts.

    The trend of the gas is extrapolated if it surely fades. None if amount, day or volume is not entered, or if
    the source changed during the photos, since what it gave before is then unknown.
    """
    source, series = tank.source, fit.series
    total_g = None if source is None else co2_of_charge_g(source)
    if source is None or total_g is None or source.started is None or tank.volume_l is None:
        return None
    age_days = (series.last_at - datetime.combine(source.started, time())).total_seconds() / 86400.0
    if age_days < 0.0 or series.left_out["other course"] or series.left_out["higher course"]:
        return None
    is_cylinder = source.kind == "cylinder"
    now_gas = fit.gas_rates(series.hours[-1:])[:, 0]
    now_g_per_day = now_gas * fit.schedule.gas.hours * tank.volume_l / 1000.0
    # The past rate is that of the course; before the first photo it follows the fitted trend.
    hours = series.hours[-1] - 24.0 * np.linspace(0.0, age_days, 50)
    rates = fit.gas_rates(hours) / now_gas[:, None]
    past = np.where(hours < series.hours[0], np.minimum(rates, _PAST_RATE_MAX), rates).mean(axis=1)
    # Yeast keeps working while its hose is out of the tank; in other sources a valve holds the gas back.
    into_water = fit.schedule.gas.hours / 24.0 if source.kind == "fermentation" else 1.0
    fitted_g, most_g = now_g_per_day * past * age_days, total_g * into_water
    # The share of a bottle's gas that reaches the water is not known: all usual shares are equally likely.
    share = 1.0 if is_cylinder else np.random.default_rng(0).uniform(*USUAL_YIELD, len(now_gas))
    left_g = np.maximum(most_g * share - fitted_g, 0.0)
    is_contradicted = float(np.median(fitted_g)) >= most_g or float(np.quantile(left_g, 0.95)) == 0.0
    used_g = interval(fitted_g if is_contradicted else np.minimum(fitted_g, most_g))
    # A cylinder does not fade by itself: its gas may come back.
    fades_on = not is_cylinder and surely_fades(fit)
    fall_per_day = fit.parameters.fall_per_h * (24.0 if fades_on else 0.0)
    sentences = [_charge_words(total_g, used_g, source, series.when(series.hours[0]).date())]
    if is_cylinder:
        sentences.append("Weigh the cylinder; its pressure stays the same until the liquid is gone.")
    if into_water < 1.0:
        sentences.append(
            f"Yeast never stops: gas made while the hose is out is lost, so only {into_water * 100.0:.0f} % counts."
        )
    if is_contradicted:
        sentences.append("By this count it should already be empty; check its amount, day and hours.")
    return SourceOutlook(
        total_g=total_g,
        used_g=used_g,
        # The photos still show gas although the count says that the charge is empty.
        days_left=None if is_contradicted else _days_left(left_g / np.maximum(now_g_per_day, 1e-9), fall_per_day),
        fades_on=fades_on,
        sentence=" ".join(sentences),
    )


def _charge_words(total_g: float, used_g: Interval, source: GasSource, first_seen: date) -> str:
    """Return how much a charge holds, and how much of it was used by the last photo."""
    words = f"The charge holds at most {total_g:.0f} g of CO2"
    if source.kind != "cylinder":
        low, high = (share * 100.0 for share in USUAL_YIELD)
        words += f"; usually {low:.0f} to {high:.0f} % of it reaches the water (hobby convention)"
    words += (
        f". About {used_g.value:.0f} g ({used_g.low:.0f} to {used_g.high:.0f}) went into the water by the last photo"
    )
    if source.started is not None and source.started < first_seen:
        words += f", extrapolated back from the first photo on {date_words(first_seen)}"
    return f"{words}."


def _days_left(steady: Floats, fall_per_day: Floats) -> Interval:
    """Return how long a charge lasts at a fading rate, from the days that it would last at a steady one."""
    share = steady * fall_per_day  # what is left, relative to all that a rate fading forever would still give
    with np.errstate(divide="ignore", invalid="ignore"):
        fading = np.where(share < 1.0, -np.log1p(-share) / fall_per_day, np.inf)
    days = interval(np.minimum(np.where(fall_per_day == 0.0, steady, fading), 10.0 * NEVER_DAYS))
    value, high = (end if end is not None and end < NEVER_DAYS else None for end in (days.value, days.high))
    return Interval(value=value, low=min(days.low or 0.0, NEVER_DAYS), high=high)


def plan_of(tank: Tank, fit: TankFit | None, source: SourceOutlook | None, now: datetime) -> Plan:
    """Return what to do next and when, as far as that is known; nothing in the past."""
    if fit is not None and now - fit.series.last_at > timedelta(days=_STALE_DAYS):
        fit = source = None
    refill_from = refill_on = refill_until = None
    if fit is not None and source is not None and source.days_left is not None and source.days_left.value is not None:
        left = source.days_left
        refill_from, refill_on, refill_until = (
            None if days is None else max((fit.series.last_at + timedelta(days=days)).date(), now.date())
            for days in (left.low, left.value, left.high)
        )
    renew_on = None
    if tank.fluid_renewed is not None:
        renew_on = max(tank.fluid_renewed + timedelta(weeks=RENEW_AFTER_WEEKS), now.date())
    return Plan(
        photos=(() if fit is None else planned_photos(fit, now)) or usual_photos(tank, now),
        refill_on=refill_on,
        refill_from=refill_from,
        refill_until=refill_until,
        renew_fluid_on=renew_on,
    )


def planned_photos(fit: TankFit, now: datetime) -> tuple[PlannedPhoto, ...]:
    """
    Return the next photos, chosen by what the days have left open, in order of time.

    Each photo takes the hour after the previous one that most narrows whichever of loss, lag and gas rate is then least
    known. This is linear Gaussian updating of the covariance of these numbers and the expected readings over the draws,
    all as logarithms.
    """
    times = _whole_hours(max(now, fit.series.last_at + timedelta(hours=_APART_H / 2.0)))
    hours = np.array([fit.series.hours_to(when) for when in times])
    readings, noise_std = fit.expected_readings(hours)
    names: tuple[PlannedFor, ...] = ("loss", "lag", "gas rate")
    numbers = np.log([fit.parameters.loss_per_h, fit.parameters.lag_h, fit.gas_rates(hours[:1])[:, 0]]).T
    covariance = np.cov(np.concatenate([numbers, readings], axis=1).T)
    known = len(names)
    photos: list[PlannedPhoto] = []
    possible = hours < hours[0] + _NEXT_H
    while len(photos) < _N_PHOTOS and possible.any():
        least = int(np.argmax(np.diag(covariance)[:known]))
        seen = np.diag(covariance)[known:] + noise_std**2
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
    """Return the next photos for a tank without a course, at `usual_photo_times`; none if no hours are known."""
    times = usual_photo_times(tank.lights, tank.gas_hours)
    wanted = {round(clock.hour + clock.minute / 60.0) % 24 for clock in times}
    photos = [when for when in _whole_hours(now) if when.hour in wanted]
    return tuple(PlannedPhoto(at=when, tells="usual", narrowing=0.0) for when in photos[:_N_PHOTOS])


def usual_photo_times(lights: DailySpan | None, gas: DailySpan | None) -> tuple[time, ...]:
    """
    Return the most informative times for photos of a tank without a course.

    When the gas goes on and off, and some hours after each; if it never stops or its hours are not known, at the start,
    middle and end of the lights-on time.
    """
    if gas is not None and gas.hours < 24.0:
        return tuple(shifted(clock, after_h) for clock in (gas.on, gas.off) for after_h in (0.0, _AFTER_SWITCHING_H))
    if lights is None:
        return ()
    return lights.on, shifted(lights.on, lights.hours / 2.0), lights.off


def _whole_hours(start: datetime) -> Sequence[datetime]:
    """Return the whole hours of the next two days at which a keeper is awake."""
    first = datetime.combine(start.date(), time(start.hour)) + timedelta(hours=1)
    hours = (first + timedelta(hours=step) for step in range(_AHEAD_H))
    return [when for when in hours if _AWAKE_H[0] <= when.hour <= _AWAKE_H[1]]
