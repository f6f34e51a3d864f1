"""What a keeper could change of a tank, as far as gas source and schedule allow it, each with its effort, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, time

import numpy as np

from colorread.tank.forecast import DayStart, hours_for_lights, rate_for_peak, shifted
from colorread.tank.model import Draws
from colorread.tank.results import Change
from colorread.tank.settings import DailySpan, GasSource
from colorread.words import date_words, has_open_hose, stop_gas

# What new gas must keep: assumption; more gas is added only where the limit is kept for almost sure.
FISH_PROBABILITY = 0.95
_RATE_STEP = 0.05  # no one sets a rate more finely: assumption
# Assumption: a hundredth a day is less than photos tell, and over a week it matters to no one.
STILL_FADING_PER_DAY = 0.01
# Up by a fifth at most before looking again: common practice, no source. Down goes faster, as too little gas harms no
# fish; less than half is a new start and no change, and less than a tenth no one sets: assumptions.
_RATE_FACTORS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.2)
# Assumption: an hour at a time, as with the rate, lest a step overshoots.
_HOURS_EARLIER = (-1.0, -0.5, 0.5, 1.0)
_HOURS_OFF_EARLIER = (-1.0, -0.5, 0.5, 1.0, 1.5, 2.0)
_HOURS_OFF_EARLIER_OVERDOSED = (3.0, 4.0)  # assumption: then more at once does good
# The gas comes on one to two hours before the lamp: common practice, no source. By night the oxygen is least.
_LEAD_MAX_H = 2.0
_LEAST_HOURS, _MOST_HOURS = 0.5, 23.5  # of gas that stops each day: assumption
# An outlet turned up to ripple the surface takes a tank from still to rippled or stronger (0.03 to 0.09 to 0.29 1/h,
# see the prior of the loss): half as much again, and twice as much; an air stone three times as much. Effort: that of a
# bought or moved outlet, tried out by hand, and of a pump.
_NIGHT_LOSSES = (
    (1.5, "Move the surface a little more at night, so that 1.5 times as much CO2 leaves.", 1.25),
    (2.0, "Move the surface more at night, so that twice as much CO2 leaves.", 2.0),
    (3.0, "Run an air stone at night, so that three times as much CO2 leaves.", 2.5),
)
# Effort of a change against that of a timer set by one hour. It only ranks changes that serve alike: assumptions.
_EFFORT_PER_LN_RATE = 10.0  # a tenth more or less gas counts as that hour
_EFFORT_NIGHT_OFF = 2.0  # a timer where there was none
_EFFORT_BY_HAND = 1.0  # on top, where a hose is moved twice a day that was left alone
_EFFORT_REFILL = 2.0  # mixing and mess
# Assumption: a new charge is held to twenty times the old rate, lest an error of the trend grows with the charge's age;
# a lower bound would let a charge of a bottle that faded fast pass for one that is small enough.
_FRESH_FACTOR_MAX = 20.0
_ON, _OFF, _BOTH = "Turn the gas on at {on}", "Turn the gas off at {off}", "Turn the gas on at {on} and off at {off}"
_STEP_UP = "turn it up by at most a fifth at a time"
# Near the surface little of a bubble dissolves, deep and in the outflow much: common practice, no source. Less than
# seven tenths by that alone: assumption.
_HIGHER = "Hang the diffuser higher, so that about {percent:.0f} % less gas dissolves."
_DEEPER = "Hang the diffuser deeper or in the outflow, so that about {percent:.0f} % more gas dissolves."
_LEAST_BY_DEPTH = 0.7
_SMALLER_BOTTLE = ", with fewer bottles or a smaller charge"
_LARGER_BOTTLE = "hang the diffuser deeper or in the outflow, or add a bottle or a larger charge"


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Handling:
    """
    What a keeper can do with the gas of a source, in words; what cannot be done is empty.

    Parameters
    ----------
    on, off, both : str
        To begin and end it at an hour, with places for ``on`` and ``off``.
    stop : str
        To end it at once, in small letters.
    how : str
        What to heed in ending it, a sentence; empty where a switch does it.
    down, up : str
        To bring less or more of it into the water, with places for ``percent`` and, where a valve does it, ``bubbles``.
    least_factor : float
        How far down that goes [-].
    less : str
        How to start again with less; empty where a valve does it.
    more : str
        How to come to much more of it, in small letters.
    """

    on: str = ""
    off: str = ""
    both: str = ""
    stop: str
    how: str = ""
    down: str
    up: str
    least_factor: float = 0.5
    less: str = ""
    more: str


def handling_of(source: GasSource | None, gas: DailySpan) -> Handling:
    """
    Return what a keeper can do with the gas of a source, in words that fit all of them where it is not known.

    A fermenting bottle cannot be stopped, so it has no hours. The hose of an acid bottle without a valve can be moved
    by hand. What has a needle valve alone is not opened and closed twice a day where it runs all day; gas that stops
    each day can be begun and ended somehow. A cylinder whose valve is not known is taken to be set and switched.
    """
    kind, valve = (None, None) if source is None else (source.kind, source.valve)
    stop = stop_gas(kind, valve)
    if kind is None:
        return Handling(
            on="Start the gas at {on}",
            off="End the gas at {off}",
            both="Run the gas from {on} to {off}",
            stop=stop,
            down="Turn the gas valve down by about {percent:.0f} %{bubbles}.",
            up="Turn the gas valve up by about {percent:.0f} %{bubbles}.",
            more=f"{_STEP_UP}, or add a DIY bottle",
        )
    by_depth = Handling(
        stop=stop, down=_HIGHER, up=_DEEPER, least_factor=_LEAST_BY_DEPTH, less=_SMALLER_BOTTLE, more=_LARGER_BOTTLE
    )
    if kind == "fermentation":
        return by_depth
    if has_open_hose(kind, valve):
        return replace(
            by_depth,
            on="Put the hose into the tank at {on}",
            off="Pull the hose out of the tank at {off}",
            both="Put the hose into the tank at {on} and pull it out at {off}",
            how="Never close or pinch the hose.",
        )
    if valve == "none":
        handling = replace(by_depth, less=", which needs a needle valve", more="hang the diffuser deeper")
    else:
        handling = Handling(
            stop=stop,
            down="Turn the gas down by about {percent:.0f} %{bubbles}.",
            up="Turn the gas up by about {percent:.0f} %{bubbles}.",
            more=_STEP_UP,
        )
    if gas.hours < 24.0 or valve in (None, "timer"):
        handling = replace(handling, on=_ON, off=_OFF, both=_BOTH)
    return handling


def candidates(
    start: DayStart, handling: Handling, *, overdosed: bool, bubbles: float | None = None
) -> list[Candidate]:
    """Return the changes worth simulating, one each, as two at once are not seen apart; larger ones if `overdosed`."""
    lights = start.schedule.lights
    rates = [
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
    nights = [
        Candidate(Change(night_loss_factor=factor), words, effort)
        for factor, words, effort in _NIGHT_LOSSES
        if lights is not None and lights.hours < 24.0
    ]
    return [*_other_hours(start, handling, overdosed=overdosed), *rates, *nights]


def bubble_words(bubbles: float | None, factor: float) -> str:
    """Return a turn of a valve as bubbles a minute, for behind its share in a sentence; empty where not known."""
    return "" if bubbles is None else f", from {bubbles:.0f} to {bubbles * factor:.0f} bubbles a minute"


def _other_hours(start: DayStart, handling: Handling, *, overdosed: bool) -> list[Candidate]:
    gas, lights = start.schedule.gas, start.schedule.lights
    if not handling.on:
        return []
    if gas.hours >= 24.0:
        if (by_day := hours_for_lights(lights)) is None:
            return []
        words = f"{handling.both.format(on=f'{by_day.on:%H:%M}', off=f'{by_day.off:%H:%M}')} instead of day and night."
        return [Candidate(Change(gas=by_day), words, _EFFORT_NIGHT_OFF + (_EFFORT_BY_HAND if handling.how else 0.0))]
    tried = []
    for earlier in _HOURS_EARLIER:
        on = shifted(gas.on, -earlier)
        lead_h = 0.0 if lights is None else (lights.on_h - (on.hour + on.minute / 60.0) + 12.0) % 24.0 - 12.0
        if _LEAST_HOURS <= gas.hours + earlier < _MOST_HOURS and not (earlier > 0.0 and lead_h > _LEAD_MAX_H):
            words = f"{handling.on.format(on=f'{on:%H:%M}')} instead of {gas.on:%H:%M}."
            tried.append(Candidate(Change(gas=DailySpan(on=on, off=gas.off)), words, abs(earlier)))
    for earlier in (*_HOURS_OFF_EARLIER, *(_HOURS_OFF_EARLIER_OVERDOSED if overdosed else ())):
        off = shifted(gas.off, -earlier)
        if _LEAST_HOURS <= gas.hours - earlier < _MOST_HOURS:
            words = f"{handling.off.format(off=f'{off:%H:%M}')} instead of {gas.off:%H:%M}."
            tried.append(Candidate(Change(gas=DailySpan(on=gas.on, off=off)), words, abs(earlier)))
    return tried


def new_charge(
    start: DayStart, source: GasSource | None, midnight: datetime, handling: Handling
) -> tuple[Candidate | None, bool]:
    """Return a new charge that keeps the fish limit and brings more gas, and whether it is as large as the last."""
    full = full_charge(start, source, midnight)
    share = 0.0 if full is None else most_gas(start, full)
    if full is None or share * float(np.median(full)) <= 1.0:
        return None, False
    is_whole, words = share >= 1.0, f"Refill the bottle on the morning of {date_words(midnight)}"
    if not is_whole:
        words += f", with at most about {share * 100.0:.0f} % of the last charge{handling.less}"
    new = Candidate(Change(refill_on=midnight.date()), f"{words}.", _EFFORT_REFILL, full * min(share, 1.0))
    return new, is_whole


def full_charge(start: DayStart, source: GasSource | None, midnight: datetime) -> Draws | None:
    """
    Return the gas rate that a new charge of a bottle as large as the present one begins with, against that of the day.

    None where there is nothing to charge or the present charge is not seen to fade.
    """
    if source is None or source.kind == "cylinder" or source.started is None:
        return None
    fall = start.parameters.fall_per_h
    if float(np.median(fall)) * 24.0 < STILL_FADING_PER_DAY:
        return None
    age_h = (midnight - datetime.combine(source.started, time())).total_seconds() / 3600.0
    return np.asarray(np.exp(np.clip(fall * age_h, 0.0, math.log(_FRESH_FACTOR_MAX))))


def most_gas(start: DayStart, rate_factor: Draws | float = 1.0) -> float:
    """Return the largest share of a gas rate that keeps the fish limit, in steps; not above 0 where none does."""
    shares = rate_for_peak(start, start.marks.fish_mg_l, rate_factor)
    return round(math.floor(float(np.quantile(shares, 1.0 - FISH_PROBABILITY)) / _RATE_STEP) * _RATE_STEP, 2)
