"""What to change: days simulated with small changes, and the smallest one that does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np

from colorread.tank.days import Advice, Change, DayForecast
from colorread.tank.fit import TankFit
from colorread.tank.forecast import DayStart, day_start, forecast, thinned_index
from colorread.tank.model import Draws
from colorread.tank.settings import DailySpan, Tank
from colorread.verdict import ACT_CAUTIONS, Marks

# What counts as reached. The probability for the fish is what a keeper should ask for; the share of the light is an
# assumption: the first hour after lights on is often lean and does no harm.
FISH_PROBABILITY = 0.95
_PLANTS_SHARE = 0.7
_WORTH_IT = 0.08  # a change must add this much to the plants' share to be worth the trouble: assumption
# Where no change reaches the mark, one that takes a twentieth off the upper end of the peak is a step: assumption.
_LOWER_PEAK = 0.95
_DRAWS = 300
# Rates are changed by a fifth at most before looking again: common practice, no source.
_RATE_FACTORS = (0.8, 0.85, 0.9, 0.95, 1.05, 1.1, 1.15, 1.2)
_HOURS_EARLIER = (-1.0, -0.5, 0.5, 1.0, 1.5, 2.0, 3.0)
_HOURS_OFF_EARLIER = (-1.0, -0.5, 0.5, 1.0, 1.5, 2.0, 3.0)
# An outlet turned up to ripple the surface takes a tank from still to rippled or stronger (0.03 to 0.09 to 0.29 1/h,
# see the prior of the loss): half as much again, and twice as much.
_NIGHT_LOSS_FACTORS = (1.5, 2.0)
# Effort of a change against that of a timer set by one hour. It only ranks changes that serve alike: assumptions.
_EFFORT_PER_LN_RATE = 10.0  # a tenth more or less gas counts as that hour
_EFFORTS_NIGHT = (1.25, 2.0)  # of the two factors: a bought or moved outlet, tried out by hand
_EFFORT_REFILL = 2.0  # mixing and mess
_EFFORT_OF_TWO = 0.5  # on top, where two things are changed, as then neither is seen alone
_PAIRED_EFFORT_MAX = 1.6  # of either of two changes, so that both together stay a small step
_SHARE_PER_EFFORT = 0.02  # of the light within the plants' range, what an effort must bring
# Assumption: a hundredth a day is less than photos tell, and over a week it matters to no one.
_STILL_FADING_PER_DAY = 0.01
# Assumption: a trend of at most two weeks is carried on for one.
_DAYS_AHEAD = 7
# Assumption: a new charge is held to five times the old rate, lest an error of the trend grows with the charge's age.
_FRESH_FACTOR_MAX = 5.0

CAUTIONS = (
    "Make one change at a time, where two are named the first one first, in small steps; then wait a day or two, look "
    "at the fish and take new photos before the next one.",
    "The simulation knows only what the photos told of this tank: watch the fish for gasping at the surface and fast "
    "gill movement, most of all on the day after a change and at the end of the night.",
    "If fish show distress: stop the gas, move the surface or run an air stone, change part of the water, and ask a "
    "veterinarian.",
    "Gas bottles, cylinders and valves: follow the supplier's instructions and local codes, never close a fermenting "
    "or reacting bottle tight, keep cylinders upright and fixed, and air the room.",
)


@dataclass(frozen=True, slots=True)
class _Candidate:
    change: Change
    words: str
    effort: float
    rate_factor: Draws | float | None = None


def advise(fit: TankFit, tank: Tank) -> Advice:
    """
    Simulate changes and pick the smallest that serves plants and fish.

    Parameters
    ----------
    fit : TankFit
        What is believed of the tank.
    tank : Tank
        Its schedule, source and marks.

    Returns
    -------
    Advice
        For the day after the last reading.
    """
    last = fit.midnight + timedelta(hours=float(fit.series.hours[-1]))
    midnight = datetime.combine(last.date() + timedelta(days=1), time())
    start = day_start(fit, tank.judged_by, midnight, draws=_DRAWS)
    today = forecast(start, Change(), "Change nothing.")
    tried = [
        (forecast(start, candidate.change, candidate.words, candidate.rate_factor), candidate.effort)
        for candidate in _candidates(fit, tank, start, midnight, fish_fine=_is_fish_fine(today))
    ]
    recommended = _pick(today, tried)
    return Advice(
        day=midnight.date(),
        today=today,
        recommended=recommended,
        others=_worth_showing(tried, recommended),
        sentences=(*_sentences(today, recommended, tank), *_fading_sentence(fit, start, today, recommended)),
        # In small steps, but not where the gas must go down.
        cautions=ACT_CAUTIONS + CAUTIONS[1:] if _is_overdosed(today, tank.judged_by) else CAUTIONS,
    )


def _pick(today: DayForecast, tried: list[tuple[DayForecast, float]]) -> DayForecast | None:
    """Return the smallest change that does, else the one that lowers the peak most; None to leave it."""
    fish_fine = _is_fish_fine(today)
    if fish_fine and today.plants_share >= _PLANTS_SHARE:
        return None
    mild = [(day, effort) for day, effort in tried if _is_fish_fine(day)]
    full = [(day, effort) for day, effort in mild if day.plants_share >= _PLANTS_SHARE]
    if full:
        return min(full, key=lambda pair: (pair[1], -pair[0].plants_share))[0]
    if mild:
        best = max(mild, key=lambda pair: pair[0].plants_share - _SHARE_PER_EFFORT * pair[1])[0]
        return best if not fish_fine or best.plants_share >= today.plants_share + _WORTH_IT else None
    if not tried:
        return None
    # Not by the probability: that is 0 for all of them where the mark is far away.
    best = min((day for day, _ in tried), key=_upper_peak)
    lower = _upper_peak(best) < _LOWER_PEAK * _upper_peak(today)
    return best if lower or best.fish_probability > today.fish_probability else None


def _is_fish_fine(day: DayForecast) -> bool:
    return day.fish_probability >= FISH_PROBABILITY


def _upper_peak(day: DayForecast) -> float:
    assert day.peak_mg_l.high is not None
    return day.peak_mg_l.high


def _is_overdosed(day: DayForecast, marks: Marks) -> bool:
    """Whether the peak lies above the fish mark with its whole interval."""
    assert day.peak_mg_l.low is not None
    return day.peak_mg_l.low > marks.fish_mg_l


def _worth_showing(tried: list[tuple[DayForecast, float]], recommended: DayForecast | None) -> tuple[DayForecast, ...]:
    """Return the best single change of each kind, by fish first."""
    kinds: dict[tuple[bool, bool, bool, bool], DayForecast] = {}
    for day, _ in tried:
        change = day.change
        kind = (change.gas is None, change.rate_factor == 1.0, change.night_loss_factor == 1.0, not change.refill_on)
        if day is recommended or sum(kind) != 3:
            continue
        best = kinds.get(kind)
        if best is None or _merit(day) > _merit(best):
            kinds[kind] = day
    return tuple(kinds.values())


def _merit(day: DayForecast) -> tuple[float, float]:
    return min(day.fish_probability, FISH_PROBABILITY), day.plants_share


def _candidates(fit: TankFit, tank: Tank, start: DayStart, midnight: datetime, *, fish_fine: bool) -> list[_Candidate]:
    hours = [_Candidate(Change(gas=span), words, effort) for span, words, effort in _other_hours(start.schedule.gas)]
    rates = []
    bottle = tank.source is not None and tank.source.kind != "cylinder"
    if not bottle:
        for factor in _RATE_FACTORS:
            words = f"Turn the gas {'down' if factor < 1.0 else 'up'} by about {abs(factor - 1.0) * 100.0:.0f} %."
            rates.append(_Candidate(Change(rate_factor=factor), words, abs(math.log(factor)) * _EFFORT_PER_LN_RATE))
    nights = []
    if start.schedule.lights is not None and start.schedule.lights.hours < 24.0:
        for factor, effort in zip(_NIGHT_LOSS_FACTORS, _EFFORTS_NIGHT, strict=True):
            times = "twice" if factor == 2.0 else f"{factor:g} times"
            words = f"Move the surface more at night, so that about {times} as much CO2 leaves the water."
            nights.append(_Candidate(Change(night_loss_factor=factor), words, effort))
    refills = []
    fresh = _fresh_charge(fit, tank, midnight) if bottle and fish_fine else None  # it only brings more CO2
    if fresh is not None:
        change = Change(refill_on=midnight.date())
        refills.append(_Candidate(change, f"Charge the gas source anew on {midnight:%d %B}.", _EFFORT_REFILL, fresh))
    pairs = [
        _Candidate(
            Change(gas=one.change.gas, rate_factor=two.change.rate_factor),
            f"{one.words} {two.words}",
            one.effort + two.effort + _EFFORT_OF_TWO,
        )
        for one in hours
        for two in rates
        if max(one.effort, two.effort) <= _PAIRED_EFFORT_MAX
    ]
    return [*hours, *rates, *nights, *refills, *pairs]


def _fresh_charge(fit: TankFit, tank: Tank, midnight: datetime) -> Draws | None:
    """Return by which factor a new charge raises the rate, draw by draw; None where the old one is not seen to fade."""
    if tank.source is None or tank.source.started is None:
        return None
    fall = fit.parameters.fall_per_h
    if float(np.median(fall)) * 24.0 < _STILL_FADING_PER_DAY:
        return None
    age_h = (midnight - datetime.combine(tank.source.started, time())).total_seconds() / 3600.0
    return np.exp(np.clip(_thinned(fall) * age_h, 0.0, math.log(_FRESH_FACTOR_MAX)))


def _other_hours(gas: DailySpan) -> list[tuple[DailySpan, str, float]]:
    if gas.hours >= 24.0:
        return []
    spans = []
    for earlier in _HOURS_EARLIER:
        on = _shifted(gas.on, -earlier)
        if 0.5 <= gas.hours + earlier < 23.5:
            words = f"Turn the gas on at {on:%H:%M} instead of {gas.on:%H:%M}."
            spans.append((DailySpan(on=on, off=gas.off), words, abs(earlier)))
    for earlier in _HOURS_OFF_EARLIER:
        off = _shifted(gas.off, -earlier)
        if 0.5 <= gas.hours - earlier < 23.5:
            words = f"Turn the gas off at {off:%H:%M} instead of {gas.off:%H:%M}."
            spans.append((DailySpan(on=gas.on, off=off), words, abs(earlier)))
    return spans


def _shifted(clock: time, hours: float) -> time:
    minutes = (clock.hour * 60 + clock.minute + round(hours * 60)) % (24 * 60)
    return time(minutes // 60, minutes % 60)


def _sentences(today: DayForecast, recommended: DayForecast | None, tank: Tank) -> tuple[str, ...]:
    marks = tank.judged_by
    plants_range = f"{marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L"
    before = (
        f"As it runs now, the tank stays below {marks.fish_mg_l:g} mg/L all day with a probability of "
        f"{_percent(today.fish_probability)} and is within {plants_range} for "
        f"{_percent(today.plants_share)} of the light."
    )
    overdosed = _is_overdosed(today, marks)
    stop = (
        f"The gas must go down now: stop it, or run an air stone, until new photos read below {marks.fish_mg_l:g} mg/L."
    )
    if recommended is None:
        if overdosed:
            return f"{stop} None of the small changes that were simulated is enough.", before
        if _is_fish_fine(today) and today.plants_share >= _PLANTS_SHARE:
            return "Leave it as it is.", before
        return (
            "None of the small changes that were simulated does clearly better; a calibration narrows the intervals.",
            before,
        )
    after = (
        f"With the change it stays below with {_percent(recommended.fish_probability)} and is within for "
        f"{_percent(recommended.plants_share)} of the light (simulated, once it has settled)."
    )
    first = recommended.words
    if _is_overdosed(recommended, marks):
        first = f"{stop} After that: {first}"
    elif overdosed:
        first = f"The gas must go down now. {first}"
    sentences = [first, before, after]
    if not _is_fish_fine(recommended):
        again = "look at them often, take new photos tomorrow" if overdosed else "take new photos after two days"
        sentences.append(f"That is a first step and not enough for the fish: {again} and go on from there.")
    return tuple(sentences)


def _fading_sentence(
    fit: TankFit, start: DayStart, today: DayForecast, recommended: DayForecast | None
) -> tuple[str, ...]:
    """Say when a fading source leaves the fish mark behind by itself, and may make the change too much."""
    fall_per_day = _thinned(fit.parameters.fall_per_h) * 24.0
    if _is_fish_fine(today) or float(np.median(fall_per_day)) < _STILL_FADING_PER_DAY:
        return ()
    if _is_overdosed(today, start.marks):
        return ()  # waiting is no advice then
    for days in range(1, _DAYS_AHEAD + 1):
        later = forecast(start, Change(), "", np.exp(-fall_per_day * days))
        if _is_fish_fine(later):
            then = " After that the change may be more than needed, so take new photos." if recommended else ""
            return (
                f"The gas fades by itself: with nothing changed the tank would stay below {start.marks.fish_mg_l:g} "
                f"mg/L all day with a probability of {_percent(later.fish_probability)} in about {days} "
                f"day{'s' if days > 1 else ''}. Until then watch the fish.{then}",
            )
    return ()


def _thinned(draws: Draws) -> Draws:
    """Return the draws that `day_start` takes."""
    return draws[thinned_index(len(draws), _DRAWS)]


def _percent(share: float) -> str:
    percent = round(share * 100.0)
    return "more than 99 %" if percent >= 100 else "less than 1 %" if percent <= 0 else f"{percent} %"
