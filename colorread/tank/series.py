"""The readings and notes of one tank as its fit takes them: what readings share, steps of the gas, counted bubbles."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from itertools import groupby
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration import BUDGET_CAMERA, BUDGET_COLOR, BUDGET_PKA
from colorread.chemistry import co2_from_ph
from colorread.result import BUDGET_ACIDS, BUDGET_KH, NORMAL_95, Reading
from colorread.tank.events import Event
from colorread.tank.model import Draws, TankParameters, Turn
from colorread.tank.settings import Tank

# A gas flow is never quite what the model says; readings differ from the course by this much beyond their own error.
_MODEL_STD_LN = 0.05  # assumption
PH_PER_LN = 1.0 / math.log(10.0)

# Photos with these flags miss by more than they say. Of 203 rendered photos without a profile 48 had one; beside what
# they say, an error of their own of this standard deviation explains how far they lay off [pH].
_DOUBTFUL_FLAGS = frozenset(("clipped", "mixed-light", "glare"))  # glare was too seldom to count: assumption
_DOUBTFUL_STD_PH = 0.1
# A profile tells how the error of a phone bends over the color scale near the color of its known fluid, and hardly far
# from it; readings with one state 0.01 to 0.05 pH. Where it is at least this [pH], five rendered weeks with a profile
# are 15 times as likely, and four of them, without the one that it was to mend, 13 times. Others state more.
_COLOR_STD_LEAST_PH = 0.03
# Only the last two weeks are fitted: a charge of gas, and how plants grow, changes over longer times.
WINDOW_DAYS = 14
# Each time the gas is refilled or turned, its rate is told by the readings that follow, so no more of that is fitted:
# assumption.
_GAS_TURNS_MAX = 4
# Assumptions: with fewer readings, or over less than a night and the days before and after it, what is believed of
# tanks in general would speak and not the photos.
LEAST_READINGS = 6
_LEAST_HOURS = 36.0
# What every reading of this program says of its error; one written elsewhere may not, and taking the error that it
# shares with the others for noise of its own would average it away.
_NEEDED_BUDGET = (BUDGET_PKA, BUDGET_KH, BUDGET_CAMERA, BUDGET_COLOR)

# By how much the gas may flow otherwise after a refill, after the valve was turned, and after the diffuser was
# cleaned or moved, as standard deviation of the logarithm: assumptions.
_REFILLED_STD, _TURNED_STD, _DIFFUSER_STD = 0.8, 0.5, 0.3
# By how much a refill fades otherwise than the charge before it, per day: assumption, half of what bottles differ.
_FALL_STD_PER_DAY = 0.03
_TOGETHER_H = 1.0  # what is done to the gas within an hour is one step: no vial shows more
GAS_COLUMNS = 2  # coordinates of one step of the gas: its rate and its fading

# Why the course does without a reading.
LeftOut = Literal["earlier charge", "other course", "higher course", "old", "no time", "no budget"]


class CannotTell(ValueError):  # noqa: N818 - a right answer, not an error of the program
    """Why the readings tell nothing of the tank, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VialSeries:
    """
    The readings as the fit takes them, in the order of time.

    Parameters
    ----------
    hours : ndarray of float64, shape (N,)
        Hours since `midnight` [h].
    ln_co2 : ndarray of float64, shape (N,)
        Natural logarithm of the CO2 of the vial; for a one-sided reading that of the last color like that of its end.
    std_below, std_above : ndarray of float64, shape (N,)
        Standard uncertainty of its own, towards lower and higher CO2, without what all readings share.
    open_below, open_above : ndarray of bool, shape (N,)
        One-sided readings: the CO2 lies below or above.
    shared_std : ndarray of float64, shape (N,)
        Standard uncertainty that all readings share alike.
    color_std : ndarray of float64, shape (N,)
        Standard uncertainty that they share as far as their colors are alike.
    ph : ndarray of float64, shape (N,)
        The same as `ln_co2`, as pH of the vial: its place on the color scale [-].
    midnight : datetime
        Midnight before the first reading, on the tank's clock.
    readings : tuple of Reading
        The same readings.
    left_out : Counter of str
        How many others there were, by the reason why they do not count.
    """

    hours: NDArray[np.float64]
    ln_co2: NDArray[np.float64]
    std_below: NDArray[np.float64]
    std_above: NDArray[np.float64]
    open_below: NDArray[np.bool_]
    open_above: NDArray[np.bool_]
    shared_std: NDArray[np.float64]
    color_std: NDArray[np.float64]
    ph: NDArray[np.float64]
    midnight: datetime
    readings: tuple[Reading, ...]
    left_out: Counter[LeftOut]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    What was done to a tank at an hour.

    Parameters
    ----------
    hour : float
        Hours since hour 0 of the series [h].
    water_change : float
        Share of the water [-].
    gas_std : float
        Standard deviation of the logarithm of the gas rate against that before; 0 where it was left alone [-].
    fluid_renewed : bool
        Whether the fluid in the vial was renewed.
    """

    hour: float
    water_change: float
    gas_std: float
    fluid_renewed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """
    Bubbles a minute; they compare only while the diffuser stays as it is.

    Parameters
    ----------
    hours : ndarray of float64, shape (M,)
        When they were counted, since hour 0 of the series [h].
    ln_bubbles : ndarray of float64, shape (M,)
        Natural logarithm of the bubbles a minute.
    centering : ndarray of float64, shape (M, M)
        Takes off the mean of all counts with the same diffuser, as the size of a bubble is not known.
    n_free : int
        Counts less diffusers.
    """

    hours: NDArray[np.float64]
    ln_bubbles: NDArray[np.float64]
    centering: NDArray[np.float64]
    n_free: int

    def off(self, first: TankParameters, turns: Sequence[Turn]) -> NDArray[np.float64]:
        """Return how far the logarithm of each count lies off the gas rate, shape (D, M)."""
        return np.asarray((self.ln_bubbles - np.log(gas_rates(first, turns, self.hours))) @ self.centering)


def wall_clock(taken_at: datetime) -> datetime:
    """
    Return a time on the tank's own clock.

    Parameters
    ----------
    taken_at : datetime
        With or without offset.

    Returns
    -------
    datetime
        As the clock on the wall showed it, without offset.
    """
    return taken_at.replace(tzinfo=None)


def age_days(taken_at: datetime, now: datetime) -> int:
    """
    Return how many days ago a photo was taken, as a calendar counts them.

    Parameters
    ----------
    taken_at, now : datetime
        On the tank's clock, with or without offset.

    Returns
    -------
    int
        0 for a photo of today; the same all day long.
    """
    return (wall_clock(now).date() - wall_clock(taken_at).date()).days


def is_of_the_future(reading: Reading, now: datetime) -> bool:
    """
    Whether the clock of the phone or camera was wrong when a photo was taken.

    Parameters
    ----------
    reading : Reading
        With or without a time.
    now : datetime
        On the tank's clock.

    Returns
    -------
    bool
        True for a time more than a day ahead of `now`; up to a day may be another part of the world.
    """
    return reading.taken_at is not None and wall_clock(reading.taken_at) > wall_clock(now) + timedelta(days=1)


def vial_series(tank: Tank, readings: Sequence[Reading], events: Sequence[Event] = ()) -> VialSeries:
    """
    Return the readings that the fit can use.

    Parameters
    ----------
    tank : Tank
        A new charge of its gas source begins a new series, where there are readings before it on the day after.
    readings : sequence of Reading
        Any order.
    events : sequence of Event, optional
        What was noted, in the order of time. A refill whose hour is noted begins no new series.

    Returns
    -------
    VialSeries
        Those of the last two weeks and of the present charge.

    Raises
    ------
    CannotTell
        If they are too few or span too little time.
    """
    read = [reading for reading in readings if reading.status == "read"]
    timed = [(wall_clock(r.taken_at), r) for r in read if r.taken_at is not None]
    timed.sort(key=lambda pair: (pair[0], pair[1].photo))
    left_out: Counter[LeftOut] = Counter({"no time": len(read) - len(timed)})
    used = []
    oldest, begin = _begin(tank, events, timed[0][0], timed[-1][0]) if timed else (datetime.min, datetime.min)
    for when, reading in timed:
        if when < oldest:
            left_out["old"] += 1
        elif when < begin:
            left_out["earlier charge"] += 1
        elif not all(math.isfinite(reading.budget.get(name, math.nan)) for name in _NEEDED_BUDGET):
            left_out["no budget"] += 1
        else:
            used.append((when, reading))
    if len(used) < LEAST_READINGS:
        count = "1 usable reading" if len(used) == 1 else f"{len(used)} usable readings"
        lacking = f", {left_out['no budget']} more without error sources" if left_out["no budget"] else ""
        charge = " since the refill" if tank.source is not None and tank.source.started is not None else ""
        raise CannotTell(
            f"{count} so far{charge}{lacking}; the tank's course needs {LEAST_READINGS} within {WINDOW_DAYS} days, at "
            "different hours."
        )
    span_h = (used[-1][0] - used[0][0]).total_seconds() / 3600.0
    if span_h < _LEAST_HOURS:
        raise CannotTell(f"The readings span {math.floor(span_h)} hours; the tank's course needs {_LEAST_HOURS:.0f}.")
    midnight = datetime.combine(used[0][0].date(), time())
    rows = [_row(reading) for _, reading in used]
    return VialSeries(
        hours=np.array([(when - midnight).total_seconds() / 3600.0 for when, _ in used]),
        midnight=midnight,
        readings=tuple(reading for _, reading in used),
        left_out=left_out,
        **{name: np.array([row[name] for row in rows]) for name in rows[0]},
    )


def _begin(tank: Tank, events: Sequence[Event], first: datetime, last: datetime) -> tuple[datetime, datetime]:
    """Return from when on readings are not too old, and from when on they are of the present charge."""
    oldest = last - timedelta(days=WINDOW_DAYS)
    turned = [event.at for event in events if event.turns_gas and event.at > oldest]
    if len(turned) > _GAS_TURNS_MAX:  # the state at the begin of a series must be a settled one
        oldest = datetime.combine(turned[-_GAS_TURNS_MAX - 1].date() + timedelta(days=1), time())
    if tank.source is None or tank.source.started is None:
        return oldest, oldest
    charged = datetime.combine(tank.source.started, time())
    hour_is_noted = any(event.refilled and event.at.date() == tank.source.started for event in events)
    if charged > last or hour_is_noted:
        return oldest, oldest
    # The hour of the charge is not known: after an earlier charge the photos of its day may show either; by night what
    # went before has mostly left the water.
    return oldest, charged + timedelta(days=first < charged)


def _row(reading: Reading) -> dict[str, float | bool]:
    """Return one reading, by the names of `VialSeries`."""
    budget = reading.budget
    ph, acid_std, base_std = _told_by_photo(reading)
    dye, camera, color = budget[BUDGET_PKA], budget[BUDGET_CAMERA], budget[BUDGET_COLOR]
    # What the dye leaves of the width is camera and own noise, in the proportion that the budget tells of them: it was
    # told with what is believed of tanks beforehand, which may have narrowed both. Towards an open end the other side
    # stands for it.
    sides = (base_std or acid_std or color, acid_std or base_std or color)
    below, above = (math.sqrt(max(std**2 - dye**2, color**2)) / PH_PER_LN for std in sides)
    whole = math.hypot(camera, color) or 1.0
    beside_own = _MODEL_STD_LN
    if not _DOUBTFUL_FLAGS.isdisjoint(reading.flags):
        beside_own = math.hypot(beside_own, _DOUBTFUL_STD_PH / PH_PER_LN)
    return {
        "ln_co2": math.log(float(co2_from_ph(ph, reading.kh_dkh, temperature_c=reading.temperature_c))),
        "std_below": math.hypot(below * color / whole, beside_own),
        "std_above": math.hypot(above * color / whole, beside_own),
        "open_below": base_std is None,
        "open_above": acid_std is None,
        "shared_std": math.hypot(dye, budget[BUDGET_KH], budget.get(BUDGET_ACIDS, 0.0)) / PH_PER_LN,
        "color_std": max((below + above) / 2.0 * camera / whole, _COLOR_STD_LEAST_PH / PH_PER_LN),
        "ph": ph,
    }


def _told_by_photo(reading: Reading) -> tuple[float, float | None, float | None]:
    """Return the pH, and its standard uncertainty towards acid and base; None towards an open end."""
    told = reading.photo_ph or reading.ph
    assert told is not None
    value = told.value
    if value is None:  # a reading of before: the color lies within its noise of the known end
        step = NORMAL_95 * reading.budget[BUDGET_COLOR]
        value = (told.low or 0.0) + step if told.high is None else told.high - step
    acid, base = (None if end is None else abs(end - value) / NORMAL_95 for end in (told.low, told.high))
    return value, acid, base


def steps_of(events: Iterable[Event], midnight: datetime) -> tuple[Step, ...]:
    """Return what was done after a midnight that the course shows: one step at most an hour, in the order of time."""
    steps: list[Step] = []
    for hour, together in groupby(events, key=lambda event: _hours(event, midnight)):
        if hour <= 0.0:
            continue
        done = list(together)
        step = Step(
            hour=hour,
            water_change=1.0 - math.prod(1.0 - (event.water_change or 0.0) for event in done),
            gas_std=max(map(_gas_std, done)),
            fluid_renewed=any(event.fluid_renewed for event in done),
        )
        if step.gas_std:
            for i, before in enumerate(steps):
                if before.gas_std and hour - before.hour <= _TOGETHER_H:
                    step = replace(step, gas_std=max(step.gas_std, before.gas_std))
                    steps[i] = replace(before, gas_std=0.0)
        if step.water_change or step.gas_std or step.fluid_renewed:
            steps.append(step)
    return tuple(steps)


def counts_of(events: Iterable[Event], midnight: datetime) -> Counts | None:
    """Return the counted bubbles of the days from a midnight on; None where no two of them compare."""
    rows: list[tuple[float, float, int]] = []
    diffuser = 0
    for event in events:
        diffuser += event.diffuser
        if event.bubbles is not None and _hours(event, midnight) >= 0.0:
            rows.append((_hours(event, midnight), float(np.log(event.bubbles)), diffuser))
    if not rows:
        return None
    hours, ln_bubbles, of = (np.array(column) for column in zip(*rows, strict=True))
    same = (of[:, None] == of).astype(np.float64)
    n_free = len(rows) - len(set(of.tolist()))
    if n_free == 0:
        return None
    centering = np.eye(len(rows)) - same / same.sum(axis=0)
    return Counts(hours=hours, ln_bubbles=ln_bubbles, centering=centering, n_free=n_free)


def turns_of(steps: Iterable[Step], first: TankParameters, x: NDArray[np.float64]) -> tuple[Turn, ...]:
    """
    Return what changes in the model at each step.

    `first` are the D draws before all of them, `x` their coordinates, `GAS_COLUMNS` for each step of the gas.
    """
    turns, parameters, column = [], first, 0
    for step in steps:
        if step.gas_std:
            fall = parameters.fall_per_h + _FALL_STD_PER_DAY / 24.0 * x[:, column + 1]
            # The rate of a piece is kept as that of hour 0, from which it would have come to the one that it has.
            ln_factor = step.gas_std * x[:, column] + (fall - parameters.fall_per_h) * step.hour
            parameters = replace(parameters, gas_mg_l_h=parameters.gas_mg_l_h * np.exp(ln_factor), fall_per_h=fall)
            column += GAS_COLUMNS
        turns.append(Turn(step.hour, parameters, step.water_change, step.fluid_renewed))
    return tuple(turns)


def gas_rates(first: TankParameters, turns: Sequence[Turn], hours: NDArray[np.float64]) -> Draws:
    """Return the gas rate while the gas is on at hours since hour 0, at a turn that after it, (D, N) [mg/L/h]."""
    pieces = (first, *(turn.parameters for turn in turns))
    place = np.searchsorted([turn.hour for turn in turns], hours, side="right")
    return np.stack(
        [pieces[i].gas_mg_l_h * np.exp(-pieces[i].fall_per_h * hour) for i, hour in zip(place, hours, strict=True)],
        axis=1,
    )


def fall_std_per_day(steps: Iterable[Step], first_std: float) -> float:
    """Return how well the fading of the last piece is known beforehand, from that of the first [1/d]."""
    n_turned = sum(step.gas_std > 0.0 for step in steps)
    return float(np.hypot(first_std, _FALL_STD_PER_DAY * n_turned**0.5))


def _gas_std(event: Event) -> float:
    stds = (_REFILLED_STD * event.refilled, _TURNED_STD * event.gas_changed, _DIFFUSER_STD * event.diffuser)
    return max(stds)


def _hours(event: Event, midnight: datetime) -> float:
    return (event.at - midnight).total_seconds() / 3600.0
