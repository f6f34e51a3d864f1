"""What the fit takes in for one tank: its readings, the steps that were noted, and bubble counts."""

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

from calibration import BUDGET_CAMERA, BUDGET_COLOR, BUDGET_PKA, Floats
from colorread.chemistry import co2_from_ph
from colorread.result import BUDGET_ACIDS, BUDGET_KH, NORMAL_95, Reading
from colorread.tank.events import Event
from colorread.tank.model import TankParameters, Turn, gas_rates
from colorread.tank.settings import Tank

PH_PER_LN = 1.0 / math.log(10.0)
# Gas never flows quite as in the model; readings differ from the course by this much beyond their own error.
_MODEL_STD_LN = 0.05  # assumption
# Photos with these flags are off by more than their intervals say. Among 203 rendered photos without a profile, 48 had
# one; an additional error of this standard deviation explains how far off they were [pH]. Mixed light was then flagged
# more often, on many photos with one lamp too.
_DOUBTFUL_FLAGS = frozenset(("clipped", "mixed-light", "glare"))  # glare was too rare to count: assumption
_DOUBTFUL_STD_PH = 0.1
# A profile shows how a phone's error varies with color near the color of its known fluid, but hardly far from it;
# readings with a profile state 0.01 to 0.05 pH. With at least this much [pH], five rendered weeks with a profile are 15
# times as likely; without the week that it was meant to fix, the other four are 13 times as likely. Readings without a
# profile state more anyway.
_COLOR_STD_LEAST_PH = 0.03
_NEAR_PH = 0.2  # readings within about this of each other are of similar color: assumption
# Only the last two weeks are fitted, as gas charge and plant growth change over longer times: assumption.
WINDOW_DAYS = 14
# Each new gas rate rests on the readings that follow it, so no more changes than this are fitted: assumption.
_GAS_TURNS_MAX = 4
# With fewer readings, or over less than a night and the days around it, the result would show the priors, not the
# photos: assumptions.
LEAST_READINGS = 6
_LEAST_HOURS = 36.0
# Every reading by this program has these in its budget; one written elsewhere may not. The error that it shares with
# the others would then be taken for its own noise and averaged away.
_NEEDED_BUDGET = (BUDGET_PKA, BUDGET_KH, BUDGET_CAMERA, BUDGET_COLOR)

# By how much the gas rate may change with a refill, a turn of the valve, and a cleaned or moved diffuser, as standard
# deviation of the logarithm: assumptions.
_REFILLED_STD, _TURNED_STD, _DIFFUSER_STD = 0.8, 0.5, 0.3
_TOGETHER_H = 1.0  # all that is done to the gas within an hour is one step, as no vial shows more: assumption

# Why the course leaves a reading out.
LeftOut = Literal["earlier charge", "other course", "higher course", "old", "no time", "no budget"]


class NoCourseError(ValueError):
    """Why no course can be fitted, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VialSeries:
    """
    The readings to fit, in order of time.

    Parameters
    ----------
    hours : ndarray of float64, shape (N,)
        Hours since `midnight` [h].
    ln_co2 : ndarray of float64, shape (N,)
        Natural logarithm of the CO2 of the vial; for a one-sided reading, at the last color that looks like its end.
    std_below, std_above : ndarray of float64, shape (N,)
        Each reading's own standard uncertainty, towards lower and higher CO2, without the shared errors.
    open_below, open_above : ndarray of bool, shape (N,)
        Whether the reading is one-sided with the CO2 below, or above.
    shared_std : ndarray of float64, shape (N,)
        Standard uncertainty that all readings share alike.
    color_std : ndarray of float64, shape (N,)
        Standard uncertainty that readings of similar color share.
    ph : ndarray of float64, shape (N,)
        The same as `ln_co2`, as pH of the vial: its place on the color scale [-].
    midnight : datetime
        Midnight before the first reading, on the tank's clock.
    readings : tuple of Reading
        The same readings.
    left_out : Counter of str
        Number of other readings by the reason why they do not count.
    """

    hours: Floats
    ln_co2: Floats
    std_below: Floats
    std_above: Floats
    open_below: NDArray[np.bool_]
    open_above: NDArray[np.bool_]
    shared_std: Floats
    color_std: Floats
    ph: Floats
    midnight: datetime
    readings: tuple[Reading, ...]
    left_out: Counter[LeftOut]

    @property
    def own_std(self) -> Floats:
        """Each reading's own standard uncertainty, as the mean of both sides."""
        return (self.std_below + self.std_above) / 2.0

    @property
    def is_open(self) -> NDArray[np.bool_]:
        """Whether each reading is one-sided."""
        return self.open_below | self.open_above

    @property
    def ph_at_1_mg_l(self) -> Floats:
        """Vial pH at 1 mg/L of CO2, from its KH and temperature [-]."""
        return self.ph + self.ln_co2 * PH_PER_LN

    @property
    def last_at(self) -> datetime:
        """Time of the last reading, on the tank's clock."""
        return self.when(self.hours[-1])

    def when(self, hour: float) -> datetime:
        """Return the time of an hour since `midnight`, on the tank's clock."""
        return self.midnight + timedelta(hours=float(hour))

    def hours_to(self, when: datetime) -> float:
        """Return the hours from `midnight` to a time on the tank's clock."""
        return _hours_between(self.midnight, when)

    def mean_near(self, ph: Floats, values: Floats) -> Floats:
        """Return, for each pH, the mean of `values` over the readings of similar color."""
        near = np.exp(-0.5 * ((ph[:, None] - self.ph) / _NEAR_PH) ** 2)
        return np.asarray(near @ values / near.sum(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    What was done to a tank at an hour.

    Parameters
    ----------
    hour : float
        Hours since hour 0 of the series [h].
    water_change : float
        Share of the water replaced [-].
    gas_std : float
        Standard deviation of the logarithm of the gas rate relative to that before; 0 if the gas was left alone [-].
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
    Bubbles a minute; counts compare only while the diffuser stays as it is.

    Parameters
    ----------
    hours : ndarray of float64, shape (M,)
        When they were counted, since hour 0 of the series [h].
    ln_bubbles : ndarray of float64, shape (M,)
        Natural logarithm of the bubbles a minute.
    centering : ndarray of float64, shape (M, M)
        Subtracts the mean of all counts with the same diffuser, as the size of a bubble is not known.
    n_free : int
        Number of counts minus number of diffusers.
    """

    hours: Floats
    ln_bubbles: Floats
    centering: Floats
    n_free: int

    def off(self, first: TankParameters, turns: Sequence[Turn]) -> Floats:
        """Return how far the logarithm of each count lies above the gas rate, shape (D, M)."""
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
        As a clock on the wall shows it, without offset.
    """
    return taken_at.replace(tzinfo=None)


def age_days(taken_at: datetime, now: datetime) -> int:
    """
    Return how many calendar days ago a photo was taken.

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


def has_future_date(reading: Reading, now: datetime) -> bool:
    """
    Return whether the clock of the phone or camera was wrong when a photo was taken.

    Parameters
    ----------
    reading : Reading
        With or without a time.
    now : datetime
        On the tank's clock.

    Returns
    -------
    bool
        True for a time more than a day ahead of `now`; up to a day may be another time zone.
    """
    return reading.taken_at is not None and wall_clock(reading.taken_at) > wall_clock(now) + timedelta(days=1)


def vial_series(tank: Tank, readings: Sequence[Reading], events: Sequence[Event] = ()) -> VialSeries:
    """
    Return the readings that can be fitted.

    Parameters
    ----------
    tank : Tank
        If there are readings from before its gas source was charged, the series begins on the day after the charge.
    readings : sequence of Reading
        In any order.
    events : sequence of Event, optional
        What was noted, in order of time. A refill noted with its hour does not begin a new series.

    Returns
    -------
    VialSeries
        Those of the last two weeks and of the present charge.

    Raises
    ------
    NoCourseError
        If they are too few or span too little time.
    """
    read = [reading for reading in readings if reading.status == "read"]
    timed = [(wall_clock(r.taken_at), r) for r in read if r.taken_at is not None]
    timed.sort(key=lambda pair: (pair[0], pair[1].photo))
    left_out: Counter[LeftOut] = Counter({"no time": len(read) - len(timed)})
    used = []
    oldest, charged = _begin(tank, events, timed[0][0], timed[-1][0]) if timed else (datetime.min, datetime.min)
    for when, reading in timed:
        if when < oldest:
            left_out["old"] += 1
        elif when < charged:
            left_out["earlier charge"] += 1
        elif not all(math.isfinite(reading.budget.get(name, math.nan)) for name in _NEEDED_BUDGET):
            left_out["no budget"] += 1
        else:
            used.append((when, reading))
    if len(used) < LEAST_READINGS:
        count = "1 usable reading" if len(used) == 1 else f"{len(used) or 'No'} usable readings"
        lacking = f", {left_out['no budget']} more without error sources" if left_out["no budget"] else ""
        since = "since the refill" if left_out["earlier charge"] else "of late" if left_out["old"] else "so far"
        raise NoCourseError(
            f"{count} {since}{lacking}; following the tank takes {LEAST_READINGS} within {WINDOW_DAYS} days, at "
            "different hours."
        )
    midnight = datetime.combine(used[0][0].date(), time())
    hours = np.array([_hours_between(midnight, when) for when, _ in used])
    if (span_h := _hours_between(used[0][0], used[-1][0])) < _LEAST_HOURS:
        raise NoCourseError(
            f"The readings span {math.floor(span_h)} hours; following the tank takes {_LEAST_HOURS:.0f}."
        )
    rows = [_row(reading) for _, reading in used]
    return VialSeries(
        hours=hours,
        midnight=midnight,
        readings=tuple(reading for _, reading in used),
        left_out=left_out,
        **{name: np.array([row[name] for row in rows]) for name in rows[0]},
    )


def _begin(tank: Tank, events: Sequence[Event], first: datetime, last: datetime) -> tuple[datetime, datetime]:
    """Return from when on readings are recent enough, and from when on they show the present charge."""
    oldest = last - timedelta(days=WINDOW_DAYS)
    turned = [event.at for event in events if event.changes_gas_rate and event.at > oldest]
    if len(turned) > _GAS_TURNS_MAX:  # a series must begin in a settled state
        oldest = datetime.combine(turned[-_GAS_TURNS_MAX - 1].date() + timedelta(days=1), time())
    started = None if tank.source is None else tank.source.started
    hour_is_noted = any(event.refilled and event.at.date() == started for event in events)
    if started is None or started > last.date() or hour_is_noted:
        return oldest, oldest
    # The hour of the charge is not known: if there was an earlier charge, photos of that day may show either. Overnight
    # most of the earlier gas leaves the water.
    charged = datetime.combine(started, time())
    return oldest, charged + timedelta(days=first < charged)


def _row(reading: Reading) -> dict[str, float | bool]:
    """Return the values of one reading by their names in `VialSeries`."""
    budget = reading.budget
    ph, acid_std, base_std = _ph_of_photo(reading)
    dye, camera, color = budget[BUDGET_PKA], budget[BUDGET_CAMERA], budget[BUDGET_COLOR]
    # The width of the photo's pH, less that of the dye, is split into camera error and own noise in the ratio of the
    # budget. The budget itself comes from the posterior, whose prior on usual tanks may have narrowed both. At an open
    # end the other side stands in.
    sides = (base_std or acid_std or color, acid_std or base_std or color)
    below, above = (math.sqrt(max(std**2 - dye**2, color**2)) / PH_PER_LN for std in sides)
    whole = math.hypot(camera, color) or 1.0
    doubt = 0.0 if _DOUBTFUL_FLAGS.isdisjoint(reading.flags) else _DOUBTFUL_STD_PH / PH_PER_LN
    extra = math.hypot(_MODEL_STD_LN, doubt)
    return {
        "ln_co2": math.log(float(co2_from_ph(ph, reading.kh_dkh, temperature_c=reading.temperature_c))),
        "std_below": math.hypot(below * color / whole, extra),
        "std_above": math.hypot(above * color / whole, extra),
        "open_below": base_std is None,
        "open_above": acid_std is None,
        "shared_std": math.hypot(dye, budget[BUDGET_KH], budget.get(BUDGET_ACIDS, 0.0)) / PH_PER_LN,
        "color_std": max((below + above) / 2.0 * camera / whole, _COLOR_STD_LEAST_PH / PH_PER_LN),
        "ph": ph,
    }


def _ph_of_photo(reading: Reading) -> tuple[float, float | None, float | None]:
    """Return the pH and its standard uncertainty towards acid and base; None towards an open end."""
    ph = reading.photo_ph or reading.ph
    assert ph is not None
    value = ph.value
    if value is None:  # a one-sided reading of an earlier version: the color lies within its noise of the known end
        step = NORMAL_95 * reading.budget[BUDGET_COLOR]
        value = (ph.low or 0.0) + step if ph.high is None else ph.high - step
    acid, base = (None if end is None else abs(end - value) / NORMAL_95 for end in (ph.low, ph.high))
    return value, acid, base


def steps_of(events: Iterable[Event], midnight: datetime) -> tuple[Step, ...]:
    """Return the steps noted after a midnight that affect the course, in order of time."""
    steps: list[Step] = []
    for at, group in groupby(events, key=lambda event: event.at):
        if at <= midnight:
            continue
        done = list(group)
        step = Step(
            hour=_hours_between(midnight, at),
            water_change=1.0 - math.prod(1.0 - (event.water_change or 0.0) for event in done),
            gas_std=max(map(_gas_std, done)),
            fluid_renewed=any(event.fluid_renewed for event in done),
        )
        if step.gas_std:
            for i, before in enumerate(steps):
                if before.gas_std and step.hour - before.hour <= _TOGETHER_H:
                    step = replace(step, gas_std=max(step.gas_std, before.gas_std))
                    steps[i] = replace(before, gas_std=0.0)
        if step.water_change or step.gas_std or step.fluid_renewed:
            steps.append(step)
    return tuple(steps)


def counts_of(events: Iterable[Event], midnight: datetime) -> Counts | None:
    """Return the bubble counts since a midnight; None if no two of them can be compared."""
    hours, bubbles, diffusers = [], [], []
    diffuser = 0
    for event in events:
        diffuser += event.diffuser
        if event.bubbles is not None and event.at >= midnight:
            hours.append(_hours_between(midnight, event.at))
            bubbles.append(event.bubbles)
            diffusers.append(diffuser)
    n_free = len(hours) - len(set(diffusers))
    if n_free == 0:
        return None
    same = np.equal.outer(diffusers, diffusers).astype(np.float64)
    centering = np.eye(len(hours)) - same / same.sum(axis=0)
    return Counts(hours=np.array(hours), ln_bubbles=np.log(bubbles), centering=centering, n_free=n_free)


def _gas_std(event: Event) -> float:
    return max(_REFILLED_STD * event.refilled, _TURNED_STD * event.gas_changed, _DIFFUSER_STD * event.diffuser)


def _hours_between(begin: datetime, end: datetime) -> float:
    return (end - begin).total_seconds() / 3600.0
