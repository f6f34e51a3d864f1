"""Advice: days simulated with one small change each, and the smallest useful change, if any."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time

import numpy as np

from colorread.result import Level, level_of
from colorread.tank import advice_words, forecast
from colorread.tank.fit import TankFit
from colorread.tank.forecast import DayStart
from colorread.tank.model import Draws
from colorread.tank.results import Advice, Change, DayForecast, Decision, Handling, Outcome
from colorread.tank.settings import DailySpan, GasSource, Tank
from colorread.words import Marks, has_open_hose

# Share of the lit hours within the plants' range from which the plants are left alone, and the share a change must
# reach: assumptions. They differ so that the advice does not flip back and forth. Lean first hours are common and do no
# harm.
_PLANTS_SHARE, _PLANTS_AIM = 0.4, 0.5
_WORTH_IT = 0.1  # a change must add this much to the plants' share to be worth the trouble: assumption
# If no change is enough, one that lowers the upper end of the peak by a twentieth counts as a step: assumption.
_LOWER_PEAK = 0.95
_SHARE_PER_EFFORT = 0.02  # plants' share that one unit of effort must add: assumption
_WORTH_CLIMBING = 1.25  # more gas is worth mentioning if the rate can rise by this factor: assumption
_DAYS_AHEAD = 7  # a trend seen over at most two weeks is extrapolated for one: assumption
FISH_PROBABILITY = 0.95  # with more gas, the fish limit must hold with this probability: assumption
_RATE_STEP = 0.05  # the most gas is named in such steps: assumption
_STILL_FADING_PER_DAY = 0.01  # photos cannot show less, and over a week less does not matter: assumption
# Up by at most a fifth before looking again: common practice, no source. Down may go faster, as too little gas harms no
# fish. Below half it is a new start rather than a change, and nobody sets steps finer than a tenth: assumptions.
_RATE_FACTORS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.2)
# At most an hour at a time, so that a step does not overshoot, as with the rate: assumption.
_HOURS_EARLIER = (-1.0, -0.5, 0.5, 1.0)
_HOURS_OFF_EARLIER = (-1.0, -0.5, 0.5, 1.0, 1.5, 2.0)
_HOURS_OFF_EARLIER_OVERDOSED = (3.0, 4.0)  # a larger step is justified then: assumption
# The gas comes on one to two hours before the lamp: common practice, no source. Oxygen is lowest at night.
_LEAD_MAX_H = 2.0
_LEAST_HOURS, _MOST_HOURS = 0.5, 23.5  # daily gas hours of a source that stops each day: assumption
# Loss factor and effort. Turning up an outlet to ripple the surface takes a tank from still to rippled or stronger
# (0.03 to 0.09 to 0.29 1/h, see the prior of the loss): 1.5 to 2 times the loss; an air stone: 3 times. The efforts are
# those of moving an outlet by hand, buying one, and buying a pump.
_NIGHT_LOSSES = ((1.5, 1.25), (2.0, 2.0), (3.0, 2.5))
# Effort, in units of moving a timer by one hour. It only ranks changes that work equally well: assumptions.
_EFFORT_PER_LN_RATE = 10.0  # a tenth more or less gas counts as one hour
_EFFORT_NIGHT_OFF = 2.0  # a timer where there was none
_EFFORT_BY_HAND = 1.0  # extra, if a hose must now be moved twice a day
_EFFORT_REFILL = 2.0  # mixing and mess
# A new charge is taken to give at most twenty times the present rate, so that an error in the trend does not grow with
# the age of the charge. With a lower cap, a new charge would seem small enough where a bottle faded fast: assumption.
_FRESH_FACTOR_MAX = 20.0
# Little of a bubble dissolves near the surface, much at depth and in the outflow: common practice, no source. Depth
# alone cannot bring the rate below seven tenths: assumption.
_LEAST_BY_DEPTH = 0.7


@dataclass(frozen=True, slots=True)
class Candidate:
    """
    A change to simulate.

    Parameters
    ----------
    change : Change
        What is done differently.
    effort : float
        In units of moving a timer by one hour [-].
    rate_factor : ndarray of float64, shape (D,), optional
        Gas rate of each draw relative to that of the day; replaces the single factor of `change` [-].
    """

    change: Change
    effort: float
    rate_factor: Draws | None = None


@dataclass(frozen=True, slots=True)
class _Tried:
    """A simulated day with the effort of its change and the limits that it is judged by."""

    day: DayForecast
    effort: float
    marks: Marks

    @property
    def level(self) -> Level:
        return level_of(self.day.peak_mg_l, self.marks.fish_mg_l)

    @property
    def upper_peak(self) -> float:
        return self.day.peak_mg_l.high or 0.0

    @property
    def is_lean(self) -> bool:
        """Whether the plants have too little and the level for the fish is no concern."""
        return self.level == "no concern" and (self.day.peak_mg_l.value or 0.0) < self.marks.plants_low_mg_l

    def is_enough(self, level_before: Level) -> bool:
        """Whether the level stays no concern or, from any other, the peak is more likely below the limit than above."""
        if level_before == "no concern":
            return self.level == "no concern"
        return self.day.fish_probability > 0.5


def advise(fit: TankFit, tank: Tank, held: Level | None = None, *, bubbles: float | None = None) -> Advice:
    """
    Simulate changes to the day after the last reading, and pick the smallest that helps plants and fish.

    `held` is the level before the last photo; `bubbles` is the present count, to say how far to turn a valve [1/min].
    """
    midnight, marks = forecast.midnight_after(fit), tank.judged_by
    start = forecast.day_start(fit, marks, midnight)
    gas = start.schedule.gas
    handling = handling_of(tank.source, gas)

    def simulated(candidate: Candidate) -> _Tried:
        words = advice_words.change_words(candidate.change, handling, gas, bubbles)
        day = forecast.forecast(start, candidate.change, words, candidate.rate_factor)
        return _Tried(day, candidate.effort, marks)

    today = simulated(Candidate(Change(), 0.0))
    level = level_of(today.day.peak_mg_l, marks.fish_mg_l, held)
    overdosed = (today.day.peak_mg_l.low or 0.0) > marks.fish_mg_l
    tried = [simulated(candidate) for candidate in candidates(start, handling, overdosed=overdosed)]
    last_resort: list[_Tried] = []
    # A new charge only adds CO2, which does not help fish that may have too much.
    charge = new_charge(start, tank.source, midnight) if level == "no concern" else None
    if charge is not None:
        (tried if charge.change.refill_share >= 1.0 else last_resort).append(simulated(charge))
    night = forecast.night_of(start)
    best = None
    # Do not add gas if the night already needs an air stone.
    if level != "no concern" or night is None or not night.aerate:
        best = _pick(today, tried, level) or _pick(today, last_resort, level)
    recommended, others = None if best is None else best.day, [*tried, *last_resort]
    outcome: Outcome = "change"
    if overdosed and (best is None or not best.is_enough(level)):
        outcome, recommended = "stop", _new_start(start, handling, bubbles)
    elif fit.series.left_out["higher course"] and today.is_lean:
        outcome, recommended, others = "check source", None, []  # it may have run dry: not the time to give more
    elif best is None:
        outcome = _unchanged(today, level, start, can_change=bool(others))
    # An overdosed tank must not be left alone, and a cylinder does not fade by itself.
    may_fade = today.level != "no concern" and not overdosed and tank.source_kind != "cylinder"
    decision = Decision(
        outcome=outcome,
        today=today.day,
        recommended=recommended,
        is_urgent=level == "act",
        is_overdosed=overdosed,
        is_first_step=best is not None and outcome == "change" and best.level != "no concern",
        night=night,
        timer=forecast.timer_valve(start, tank, night),
        calm_in_days=_calm_in_days(fit, start) if may_fade else None,
    )
    return Advice(
        day=midnight.date(),
        today=today.day,
        recommended=recommended,
        others=_worth_showing(others, recommended, today),
        sentences=advice_words.advice_sentences(decision, tank, handling),
        cautions=advice_words.advice_cautions(tank, overdosed=overdosed),
    )


def handling_of(source: GasSource | None, gas: DailySpan) -> Handling:
    """
    Return how a keeper can control the gas from a source that is on at these hours.

    A fermenting bottle cannot be stopped, so it has no hours. The hose of an acid bottle without a valve can be moved
    by hand. If the gas runs all day, nobody opens and closes a needle valve twice a day; if it stops each day, there is
    some way to switch it. A cylinder whose valve is not known is assumed to be both adjustable and switched.
    """
    if source is None:
        return Handling("unknown", "unknown")
    if has_open_hose(source.kind, source.valve):
        return Handling(None if source.kind == "fermentation" else "hose", "bottle")
    is_switched = gas.hours < 24.0 or source.valve in (None, "timer")
    return Handling("gas" if is_switched else None, "depth" if source.valve == "none" else "valve")


def candidates(start: DayStart, handling: Handling, *, overdosed: bool) -> list[Candidate]:
    """Return single changes worth simulating (photos cannot tell two apart), with larger ones if `overdosed`."""
    lights = start.schedule.lights
    least = _LEAST_BY_DEPTH if handling.set_by in ("bottle", "depth") else min(_RATE_FACTORS)
    rates = [
        Candidate(Change(rate_factor=factor), abs(math.log(factor)) * _EFFORT_PER_LN_RATE)
        for factor in _RATE_FACTORS
        if factor >= least
    ]
    nights = [
        Candidate(Change(night_loss_factor=factor), effort)
        for factor, effort in _NIGHT_LOSSES
        # An overdose cannot wait for the night: `advice_sentences` orders an air stone at once.
        if lights is not None and lights.hours < 24.0 and not overdosed
    ]
    return [*_other_hours(start, handling, overdosed=overdosed), *rates, *nights]


def _other_hours(start: DayStart, handling: Handling, *, overdosed: bool) -> list[Candidate]:
    gas, lights = start.schedule.gas, start.schedule.lights
    if handling.switched_by is None:
        return []
    if gas.hours >= 24.0:
        by_day, by_hand = forecast.hours_for_lights(lights), _EFFORT_BY_HAND if handling.switched_by == "hose" else 0.0
        return [] if by_day is None else [Candidate(Change(gas=by_day), _EFFORT_NIGHT_OFF + by_hand)]
    tried = []
    for earlier in _HOURS_EARLIER:
        span = DailySpan(on=forecast.shifted(gas.on, -earlier), off=gas.off)
        lead_h = 0.0 if lights is None else (lights.on_h - span.on_h + 12.0) % 24.0 - 12.0
        if _LEAST_HOURS <= gas.hours + earlier < _MOST_HOURS and not (earlier > 0.0 and lead_h > _LEAD_MAX_H):
            tried.append(Candidate(Change(gas=span), abs(earlier)))
    for earlier in (*_HOURS_OFF_EARLIER, *(_HOURS_OFF_EARLIER_OVERDOSED if overdosed else ())):
        if _LEAST_HOURS <= gas.hours - earlier < _MOST_HOURS:
            span = DailySpan(on=gas.on, off=forecast.shifted(gas.off, -earlier))
            tried.append(Candidate(Change(gas=span), abs(earlier)))
    return tried


def new_charge(start: DayStart, source: GasSource | None, midnight: datetime) -> Candidate | None:
    """Return a new charge as large as the last, or as the fish limit allows; None if it would not bring more gas."""
    full = full_charge(start, source, midnight)
    share = 0.0 if full is None else most_gas(start, full)
    if full is None or share * float(np.median(full)) <= 1.0:
        return None
    share = min(share, 1.0)
    return Candidate(Change(refill_on=midnight.date(), refill_share=share), _EFFORT_REFILL, full * share)


def full_charge(start: DayStart, source: GasSource | None, midnight: datetime) -> Draws | None:
    """
    Return the starting rate of a new charge as large as the present one, relative to the rate of the day.

    None if there is no bottle to refill or the present charge does not fade.
    """
    if source is None or source.kind == "cylinder" or source.started is None:
        return None
    fall = start.parameters.fall_per_h
    if float(np.median(fall)) * 24.0 < _STILL_FADING_PER_DAY:
        return None
    age_h = (midnight - datetime.combine(source.started, time())).total_seconds() / 3600.0
    return np.asarray(np.exp(np.clip(fall * age_h, 0.0, math.log(_FRESH_FACTOR_MAX))))


def most_gas(start: DayStart, rate_factor: Draws | float = 1.0) -> float:
    """Return the largest share of a gas rate that keeps to the fish limit, in whole steps; 0 or less if none does."""
    shares = forecast.rate_for_peak(start, start.marks.fish_mg_l, rate_factor)
    return round(math.floor(float(np.quantile(shares, 1.0 - FISH_PROBABILITY)) / _RATE_STEP) * _RATE_STEP, 2)


def _pick(today: _Tried, tried: Sequence[_Tried], level: Level) -> _Tried | None:
    """Return the smallest sufficient change, else the one that lowers the peak most; None to change nothing."""
    plants_share = today.day.plants_share
    # While the level is not clear, more photos or a calibration help; a change might have to be undone.
    if not tried or level == "watch" or (level == "no concern" and plants_share >= _PLANTS_SHARE):
        return None
    calm = [one for one in tried if one.is_enough(level)]
    if level == "act":  # less gas helps at once, rippling the surface only in the coming night
        calm = [one for one in calm if one.day.change.night_loss_factor == 1.0] or calm
    full = [one for one in calm if one.day.plants_share >= _PLANTS_AIM]
    if full:
        return min(full, key=lambda one: (one.effort, -one.day.plants_share))
    if calm:
        best = max(calm, key=lambda one: one.day.plants_share - _SHARE_PER_EFFORT * one.effort)
        return best if level == "act" or best.day.plants_share >= plants_share + _WORTH_IT else None
    # Not by probability: far above the limit it is 0 for all of them.
    best = min(tried, key=lambda one: one.upper_peak)
    return best if best.upper_peak < _LOWER_PEAK * today.upper_peak else None


def _worth_showing(tried: Sequence[_Tried], recommended: DayForecast | None, today: _Tried) -> tuple[DayForecast, ...]:
    """Return the best change of each kind, fish first, without those that lower the CO2 of a lean tank."""

    def merit(day: DayForecast) -> tuple[float, float, float]:
        peak_mg_l = day.peak_mg_l.value or 0.0
        return min(day.fish_probability, FISH_PROBABILITY), day.plants_share, peak_mg_l if today.is_lean else 0.0

    kinds: dict[tuple[bool, ...], DayForecast] = {}
    for day in (one.day for one in tried):
        if day is recommended or (today.is_lean and day.co2_mg_l[1].mean() < today.day.co2_mg_l[1].mean()):
            continue
        change = day.change
        kind = (change.gas is None, change.rate_factor == 1.0, change.night_loss_factor == 1.0, not change.refill_on)
        kinds[kind] = max(kinds.get(kind, day), day, key=merit)
    return tuple(kinds.values())


def _new_start(start: DayStart, handling: Handling, bubbles: float | None) -> DayForecast | None:
    """Return the day on which stopped gas restarts, with as much as the fish limit allows; None if it allows none."""
    if (factor := most_gas(start)) <= 0.0:
        return None
    return forecast.forecast(start, Change(rate_factor=factor), advice_words.new_start_words(factor, handling, bubbles))


def _unchanged(today: _Tried, level: Level, start: DayStart, *, can_change: bool) -> Outcome:
    """Return what to do if no change is recommended."""
    if level == "act":
        return "pause"
    if level == "watch":
        return "watch"
    if today.day.plants_share >= _PLANTS_SHARE:
        return "leave"
    if can_change and today.is_lean and most_gas(start) >= _WORTH_CLIMBING:
        return "climb"
    return "leave" if can_change else "leave untried"


def _calm_in_days(fit: TankFit, start: DayStart) -> int | None:
    """Return in how many days the fading gas reaches no concern by itself; None if not within a week, or unclear."""
    fall_per_day = start.parameters.fall_per_h * 24.0
    if float(np.median(fall_per_day)) < _STILL_FADING_PER_DAY or not forecast.surely_fades(fit):
        return None
    for days in range(1, _DAYS_AHEAD + 1):
        peak_mg_l = forecast.forecast(start, Change(), "", np.exp(-fall_per_day * days)).peak_mg_l
        if level_of(peak_mg_l, start.marks.fish_mg_l) == "no concern":
            return days
    return None
