"""The changes a keeper could make to a tank, each with its effort, as far as gas source and schedule allow them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time

import numpy as np

from colorread.tank.bubbles import bubble_words
from colorread.tank.forecast import DayStart
from colorread.tank.gas_source import Handling
from colorread.tank.model import Draws
from colorread.tank.results import Change
from colorread.tank.settings import DailySpan, GasSource
from colorread.words import date_words

# Assumption: a hundredth a day is less than photos tell, and over a week it matters to no one.
STILL_FADING_PER_DAY = 0.01
# Up by a fifth at most before looking again: common practice, no source. Down goes faster, as too little gas harms no
# fish; less than half is a new start and no change, and
# less than a tenth no one sets: assumptions.
_RATE_FACTORS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.2)
# Assumption: an hour at a time, as with the rate, lest a step overshoots.
_HOURS_EARLIER = (-1.0, -0.5, 0.5, 1.0)
_HOURS_OFF_EARLIER = (-1.0, -0.5, 0.5, 1.0, 1.5, 2.0)
_HOURS_OFF_EARLIER_OVERDOSED = (3.0, 4.0)  # assumption: then more at once does good
# The gas comes on one to two hours before the lamp: common practice, no source. By night the oxygen is least.
_LEAD_MAX_H, _LEAD_H = 2.0, 1.0
# An outlet turned up to ripple the surface takes a tank from still to rippled or stronger (0.03 to 0.09 to 0.29 1/h,
# see the prior of the loss): half as much again, and twice as much; an air stone three times as much.
_NIGHT_LOSSES = (
    (1.5, "Move the surface a little more at night, so that 1.5 times as much CO2 leaves."),
    (2.0, "Move the surface more at night, so that twice as much CO2 leaves."),
    (3.0, "Run an air stone at night, so that three times as much CO2 leaves."),
)
# Effort of a change against that of a timer set by one hour. It only ranks changes that serve alike: assumptions.
_EFFORT_PER_LN_RATE = 10.0  # a tenth more or less gas counts as that hour
_EFFORTS_NIGHT = (1.25, 2.0, 2.5)  # of the losses above: a bought or moved outlet, tried out by hand; a pump
_EFFORT_NIGHT_OFF = 2.0  # a timer where there was none
_EFFORT_BY_HAND = 1.0  # on top, where a hose is moved twice a day that was left alone
_EFFORT_REFILL = 2.0  # mixing and mess
# Assumption: a new charge is held to twenty times the old rate, lest an error of the trend grows with the charge's age;
# a lower bound would let a charge of a bottle that faded fast pass for one that is small enough.
_FRESH_FACTOR_MAX = 20.0


@dataclass(frozen=True, slots=True)
class Candidate:
    """
    A change to simulate.

    Parameters
    ----------
    change : Change
        What is done differently.
    words : str
        The same as an instruction.
    effort : float
        Against that of a timer set by one hour [-].
    rate_factor : ndarray of float64, shape (D,), optional
        Gas rate against that of the day, draw by draw, instead of the change's one [-].
    """

    change: Change
    words: str
    effort: float
    rate_factor: Draws | None = None


def candidates(
    start: DayStart, handling: Handling, *, fresh: Sequence[Candidate], overdosed: bool, bubbles: float | None = None
) -> tuple[Candidate, ...]:
    """
    Return the changes worth simulating.

    Parameters
    ----------
    start : DayStart
        The tank's schedule.
    handling : Handling
        What can be done with its gas source.
    fresh : sequence of Candidate
        A new charge, where that may help.
    overdosed : bool
        Whether there is far too much CO2, so that larger steps down do good.
    bubbles : float, optional
        Bubbles that come now [1/min].

    Returns
    -------
    tuple of Candidate
        One change each, as two at once are not seen apart.
    """
    return (
        *_other_hours(start, handling, overdosed=overdosed),
        *_other_rates(handling, bubbles),
        *_other_nights(start),
        *fresh,
    )


def full_charge(start: DayStart, source: GasSource | None, midnight: datetime) -> Draws | None:
    """
    Return the gas rate that a new charge of a bottle as large as the present one begins with.

    Parameters
    ----------
    start : DayStart
        How the present one fades.
    source : GasSource or None
        What makes the gas.
    midnight : datetime
        Begin of the day of the new charge.

    Returns
    -------
    ndarray of float64, shape (D,), or None
        Against the rate of the day; None where there is nothing to charge or the present charge is not seen to fade
        [-].
    """
    if source is None or source.kind == "cylinder" or source.started is None:
        return None
    fall = start.parameters.fall_per_h
    if float(np.median(fall)) * 24.0 < STILL_FADING_PER_DAY:
        return None
    age_h = (midnight - datetime.combine(source.started, time())).total_seconds() / 3600.0
    return np.asarray(np.exp(np.clip(fall * age_h, 0.0, math.log(_FRESH_FACTOR_MAX))))


def fresh_charge(full: Draws, share: float, midnight: datetime, handling: Handling) -> Candidate:
    """
    Return a new charge of a bottle.

    Parameters
    ----------
    full : ndarray of float64, shape (D,)
        What `full_charge` gave.
    share : float
        How much of that gas it is to give, 1 for all of it [-].
    midnight : datetime
        Begin of its day.
    handling : Handling
        What can be done with the gas.

    Returns
    -------
    Candidate
        On that day.
    """
    refill = f"Refill the bottle on the morning of {date_words(midnight)}"
    words = f"{refill}."
    if share < 1.0:
        words = f"{refill}, with at most about {share * 100.0:.0f} % of the last charge{handling.less}."
    return Candidate(Change(refill_on=midnight.date()), words, _EFFORT_REFILL, full * share)


def _other_rates(handling: Handling, bubbles: float | None) -> list[Candidate]:
    return [
        Candidate(
            Change(rate_factor=factor),
            (handling.down if factor < 1.0 else handling.up).format(
                percent=abs(factor - 1.0) * 100.0, bubbles=bubble_words(bubbles, factor)
            ),
            abs(math.log(factor)) * _EFFORT_PER_LN_RATE,
        )
        for factor in _RATE_FACTORS
        if factor >= handling.least_factor
    ]


def _other_nights(start: DayStart) -> list[Candidate]:
    if start.schedule.lights is None or start.schedule.lights.hours >= 24.0:
        return []
    return [
        Candidate(Change(night_loss_factor=factor), words, effort)
        for (factor, words), effort in zip(_NIGHT_LOSSES, _EFFORTS_NIGHT, strict=True)
    ]


def _other_hours(start: DayStart, handling: Handling, *, overdosed: bool) -> list[Candidate]:
    gas, lights = start.schedule.gas, start.schedule.lights
    if not handling.on:
        return []
    if gas.hours >= 24.0:
        return _by_day_only(lights, handling)
    spans = []
    for earlier in _HOURS_EARLIER:
        on = shifted(gas.on, -earlier)
        long_before = lights is not None and earlier > 0.0 and _lead_h(on, lights) > _LEAD_MAX_H
        if 0.5 <= gas.hours + earlier < 23.5 and not long_before:
            words = f"{handling.on.format(on=f'{on:%H:%M}')} instead of {gas.on:%H:%M}."
            spans.append(Candidate(Change(gas=DailySpan(on=on, off=gas.off)), words, abs(earlier)))
    for earlier in (*_HOURS_OFF_EARLIER, *(_HOURS_OFF_EARLIER_OVERDOSED if overdosed else ())):
        off = shifted(gas.off, -earlier)
        if 0.5 <= gas.hours - earlier < 23.5:
            words = f"{handling.off.format(off=f'{off:%H:%M}')} instead of {gas.off:%H:%M}."
            spans.append(Candidate(Change(gas=DailySpan(on=gas.on, off=off)), words, abs(earlier)))
    return spans


def _by_day_only(lights: DailySpan | None, handling: Handling) -> list[Candidate]:
    """Return the gas of day and night given only for the light."""
    gas = None if lights is None else hours_for_lights(lights)
    if gas is None:
        return []
    words = f"{handling.both.format(on=f'{gas.on:%H:%M}', off=f'{gas.off:%H:%M}')} instead of day and night."
    effort = _EFFORT_NIGHT_OFF + (_EFFORT_BY_HAND if handling.how else 0.0)
    return [Candidate(Change(gas=gas), words, effort)]


def hours_for_lights(lights: DailySpan) -> DailySpan | None:
    """Return the hours of gas that serve a lamp, from an hour before it on; None where that is all day."""
    if lights.hours + _LEAD_H >= 23.5:
        return None
    return DailySpan(on=shifted(lights.on, -_LEAD_H), off=lights.off)


def _lead_h(on: time, lights: DailySpan) -> float:
    """Return how long before the lamp the gas comes on; negative where it comes later."""
    return (lights.on_h - (on.hour + on.minute / 60.0) + 12.0) % 24.0 - 12.0


def shifted(clock: time, hours: float) -> time:
    """Return a time of day so much later."""
    minutes = (clock.hour * 60 + clock.minute + round(hours * 60)) % (24 * 60)
    return time(minutes // 60, minutes % 60)
