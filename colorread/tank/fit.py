"""From readings with their intervals to what the tank does: a posterior over the parameters of the two boxes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from colorread.result import BUDGET_KH, Reading
from colorread.tank.events import Event
from colorread.tank.model import Draws, Schedule, TankParameters, Turn, settled_state, simulate
from colorread.tank.noted import GAS_COLUMNS, counts_of, fall_std_per_day, gas_rates, steps_of, turns_of
from colorread.tank.priors import FALL_PER_DAY, LN_BASE, LN_LAG, LN_LEVEL, LN_LOSS, LN_START, LN_UPTAKE
from colorread.tank.sampling import sample
from colorread.tank.series import PH_PER_LN, CannotTell, VialSeries, vial_series
from colorread.tank.settings import Tank

_OUTLIER_SHARE, _OUTLIER_STD_LN = 0.03, 1.0  # readings that are simply wrong, such as of another vial: assumption
_LN_NOISE_STD = 0.3  # by about a third the readings' own scatter may be more or less than they say: assumption
# An error of phone and lamp changes with the color: of 120 simulated phones, lamps and vials without a profile it went
# together by 0.5 to 0.7 over 0.3 pH, by 0.2 to 0.6 over 0.6 and by less beyond. It is held at these pH, with bells of
# this width between them.
_BEND_PH: NDArray[np.float64] = np.arange(6.0, 8.01, 0.5)
_BEND_WIDTH_PH = 0.35
_NEAR_PH = 0.2  # readings so near in color share as much of that error: assumption
# Bubbles differ in size, and are counted with a hurry: standard deviation of a count against the rate of its gas, and
# by how much that may be more or less, both as logarithm: assumptions.
_LN_COUNT_STD = (math.log(0.1), 0.5)
# What is noted later than this after the last photo is left to new photos: carried over weeks, what is not known of
# the fading gas makes any rate possible. Assumption.
_CARRIED_ON = timedelta(days=7)
# The shared errors may be as many times larger with this probability, as where a profile was made of a bad photo; so
# readings that contradict it by their course can overrule it: assumptions.
_MISLED_SHARE, _MISLED_FACTOR = 0.1, 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFit:
    """
    What is believed of the tank, as equally likely draws.

    Parameters
    ----------
    first : TankParameters
        D draws; the gas rate is that of hour 0, the `midnight` of the series.
    turns : tuple of Turn
        What changed later by what was noted, in the order of time.
    schedule : Schedule
        When gas and lamp are on.
    tank_mg_l, vial_mg_l : ndarray of float64, shape (D,)
        CO2 of both at hour 0 [mg/L].
    series : VialSeries
        What was fitted.
    prior_std : mapping of str to float
        Standard deviation of the prior of ``ln_lag``, ``ln_loss`` and ``fall_per_day``.
    off : ndarray of float64, shape (N,)
        How far the course lies above each reading, in the standard uncertainties that it states of its own and with
        the shared errors taken off, as the mean of the draws; 0 beyond an open end.
    problem : Problem
        The posterior.
    coordinates : ndarray of float64, shape (D, n)
        The same draws in its coordinates.
    """

    first: TankParameters
    turns: tuple[Turn, ...]
    schedule: Schedule
    tank_mg_l: Draws
    vial_mg_l: Draws
    series: VialSeries
    prior_std: Mapping[str, float]
    off: NDArray[np.float64]
    problem: Problem
    coordinates: NDArray[np.float64]

    @property
    def parameters(self) -> TankParameters:
        """Those after all turns; the gas rate is the one that hour 0 would have had."""
        return self.turns[-1].parameters if self.turns else self.first

    def course(self, hours: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return tank and vial at hours since hour 0, each of shape (D, N) [mg/L]."""
        start = {"tank_mg_l": self.tank_mg_l, "vial_mg_l": self.vial_mg_l}
        return simulate(self.first, self.schedule, hours, turns=self.turns, **start)

    def gas_rates(self, hours: NDArray[np.float64]) -> Draws:
        """Return the gas rate while the gas is on at hours since hour 0, shape (D, N) [mg/L/h]."""
        return gas_rates(self.first, self.turns, hours)

    def expected_readings(self, hours: NDArray[np.float64]) -> tuple[Draws, NDArray[np.float64]]:
        """
        Return what readings at later hours would be, by what is believed.

        Parameters
        ----------
        hours : ndarray of float64, shape (N,)
            Hours since hour 0, in rising order [h].

        Returns
        -------
        ln_co2 : ndarray of float64, shape (D, N)
            Natural logarithm of the CO2 read, with the errors that all readings share.
        own_std : ndarray of float64, shape (N,)
            Standard uncertainty of their own.
        """
        series, problem = self.series, self.problem
        ln_vial = np.log(np.maximum(self.course(hours)[1], 1e-6))
        ph_at_ln_0 = float(series.ph[-1] + series.ln_co2[-1] * PH_PER_LN)
        alike = np.repeat(problem.alike[-1:], len(hours), axis=0)
        ln_co2 = ln_vial + problem.shared_error(self.coordinates, ln_vial, np.full(len(hours), ph_at_ln_0), alike)
        # The noise is that of readings near in color.
        ph = ph_at_ln_0 - np.median(ln_co2, axis=0) * PH_PER_LN
        near = np.exp(-0.5 * ((np.clip(ph, series.ph.min(), series.ph.max())[:, None] - series.ph) / _NEAR_PH) ** 2)
        own = near @ ((series.std_below + series.std_above) / 2.0) / near.sum(axis=1)
        return ln_co2, own

    def when(self, hour: float) -> datetime:
        """Return the time of an hour since hour 0, on the tank's clock."""
        return self.series.midnight + timedelta(hours=hour)

    @property
    def last_at(self) -> datetime:
        """Time of the last reading, on the tank's clock."""
        return self.when(float(self.series.hours[-1]))


def fit_tank(tank: Tank, readings: Sequence[Reading], events: Sequence[Event] = ()) -> TankFit:
    """
    Fit tank and vial to the readings.

    An error that all readings share (dye, phone, lamp) is fitted along with its own prior, so that it is not averaged
    away however many photos there are. The posterior is drawn from its mode on.

    Parameters
    ----------
    tank : Tank
        Its schedule must be known.
    readings : sequence of Reading
        Any order; refused ones and those without a time are left out.
    events : sequence of Event, optional
        What was noted, in the order of time.

    Returns
    -------
    TankFit
        The same draws for the same readings, whatever their order.

    Raises
    ------
    CannotTell
        If the schedule is not known or the readings are too few.
    """
    gas = tank.gas_hours
    if gas is None:
        raise CannotTell("The tank's course needs the gas hours; enter them in the tank's settings.")
    series = vial_series(tank, readings, events)
    known_until = series.midnight + timedelta(hours=float(series.hours[-1])) + _CARRIED_ON
    events = [event for event in events if event.at <= known_until]
    problem = Problem(tank, series, events, Schedule(gas=gas, lights=tank.lights))
    draws = sample(problem)
    first, start, vial_start = problem.boxes(draws)
    fall_std = fall_std_per_day(problem.steps, problem.fall_per_day[1])
    return TankFit(
        first=first,
        turns=problem.turns(first, draws),
        schedule=problem.schedule,
        tank_mg_l=start,
        vial_mg_l=vial_start,
        series=series,
        prior_std={"ln_lag": LN_LAG[1], "ln_loss": LN_LOSS[1], "fall_per_day": fall_std},
        # In stated ones, as the fitted noise grows with readings that do not follow the course and would hide them.
        off=(problem.residuals(draws) * problem.noise(draws)).mean(axis=0),
        problem=problem,
        coordinates=draws,
    )


class Problem:
    """
    The posterior over standard-normal coordinates.

    They are seven parameters, six of shared errors, one of own noise, then what was noted: two for each step of the
    gas, one for the error of each renewed fluid, and one for the noise of counts, where there are any.
    """

    shared = slice(7, 13)

    def __init__(self, tank: Tank, series: VialSeries, events: Sequence[Event], schedule: Schedule) -> None:
        self.series = series
        self.steps = steps_of(events, series.midnight)
        self.counts = counts_of(events, series.midnight)
        renewed = np.array([step.hour for step in self.steps if step.fluid_renewed])
        first_fluid = 14 + GAS_COLUMNS * sum(step.gas_std > 0.0 for step in self.steps)
        self.gas = slice(14, first_fluid)
        self.fluids = slice(first_fluid, first_fluid + len(renewed))
        self.n = self.fluids.stop + (self.counts is not None)
        kh_std = np.array([reading.budget[BUDGET_KH] for reading in series.readings]) / PH_PER_LN
        self.alike = _alike(series, renewed, kh_std)
        self.schedule = schedule
        self.fall_per_day = FALL_PER_DAY[None if tank.source is None else tank.source.kind]
        # How much is shared is told for a color without noise, from all readings near it: noise moves single ones
        # towards an end of the scale, where they say that they share more, and one error would draw all those back.
        self.scale_ph = np.linspace(series.ph.min(), series.ph.max(), 50)
        near = np.exp(-0.5 * ((self.scale_ph[:, None] - series.ph) / _NEAR_PH) ** 2)
        self.scale_std = near @ series.color_std / near.sum(axis=1)
        # The rate is told for the middle of the readings: there it hardly hangs together with its trend.
        self.middle_h = float(series.hours.mean())

    def boxes(self, x: NDArray[np.float64]) -> tuple[TankParameters, Draws, Draws]:
        """Return parameters and both levels at hour 0 for coordinates of shape (D, n)."""
        priors = (LN_LEVEL, self.fall_per_day, LN_LOSS, LN_UPTAKE, LN_BASE, LN_LAG, LN_START)
        values = [mean + std * x[:, i] for i, (mean, std) in enumerate(priors)]
        ln_level, fall_per_day, ln_loss, ln_uptake, ln_base, ln_lag, ln_start = values
        fall, loss, uptake = fall_per_day / 24.0, np.exp(ln_loss), np.exp(ln_uptake)
        parameters = TankParameters(
            gas_mg_l_h=(loss + uptake) * np.exp(ln_level + fall * self.middle_h),
            fall_per_h=fall,
            loss_per_h=loss,
            uptake_per_h=uptake,
            base_mg_l=np.exp(ln_base),
            lag_h=np.exp(ln_lag),
        )
        tank, vial = settled_state(parameters, self.schedule, days=2)
        return parameters, tank * np.exp(ln_start), vial * np.exp(ln_start)

    def turns(self, first: TankParameters, x: NDArray[np.float64]) -> tuple[Turn, ...]:
        """Return what changes at each step that was noted."""
        return turns_of(self.steps, first, x[:, self.gas])

    def residuals(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the course lies above each reading, in own uncertainties, (D, N); 0 beyond an open end."""
        series = self.series
        first, tank, vial = self.boxes(x)
        turns = self.turns(first, x)
        expected = simulate(first, self.schedule, series.hours, tank_mg_l=tank, vial_mg_l=vial, turns=turns)[1]
        ln_expected = np.log(np.maximum(expected, 1e-6))
        error = self.shared_error(x, ln_expected, series.ph + series.ln_co2 * PH_PER_LN, self.alike)
        off = ln_expected + error - series.ln_co2
        off /= np.where(off < 0.0, series.std_below, series.std_above) * self.noise(x)
        return np.where(series.open_below & (off < 0.0) | series.open_above & (off > 0.0), 0.0, off)

    def shared_error(
        self,
        x: NDArray[np.float64],
        ln_expected: NDArray[np.float64],
        ph_at_ln_0: NDArray[np.float64],
        alike: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """Return by how much readings of the vial lie above it as logarithm, (D, N), by how they share their errors."""
        # The place on the color scale is that of the expected course with its shared error: that of the seen color
        # goes along with noise.
        error = np.zeros_like(ln_expected)
        for _ in range(2):
            ph = np.clip(ph_at_ln_0 - (ln_expected + error) * PH_PER_LN, *_BEND_PH[[0, -1]])
            bells = np.exp(-0.5 * ((ph[..., None] - _BEND_PH) / _BEND_WIDTH_PH) ** 2)
            bend = np.einsum("dnk,dk->dn", bells, x[:, 8:13]) / np.sqrt(np.einsum("dnk,dnk->dn", bells, bells))
            of_all = x[:, [7, *range(self.fluids.start, self.fluids.stop)]] @ alike.T
            error = of_all + bend * np.interp(ph, self.scale_ph, self.scale_std)
        return error

    def counts_off(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the counted bubbles lie off the gas rate, in their uncertainty, shape (D, M)."""
        if self.counts is None:
            return np.zeros((len(x), 0))
        first, _, _ = self.boxes(x)
        return self.counts.off(first, self.turns(first, x)) / np.exp(self._ln_count_std(x))[:, None]

    def _ln_count_std(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(_LN_COUNT_STD[0] + _LN_COUNT_STD[1] * x[:, -1])

    def all_residuals(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far readings and counts lie off, each in its uncertainty, shape (D, N + M)."""
        return np.concatenate([self.residuals(x), self.counts_off(x)], axis=1)

    def log_posterior(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the log density, up to a constant, shape (D,)."""
        series, off = self.series, self.residuals(x)
        own = (series.std_below + series.std_above) / 2.0 * self.noise(x)
        ratio = own / _OUTLIER_STD_LN
        good = (1.0 - _OUTLIER_SHARE) * np.exp(-0.5 * off**2)
        stray = _OUTLIER_SHARE * ratio * np.exp(-0.5 * (off * ratio) ** 2)
        two_sided = np.log(np.maximum(good + stray, 1e-300)) - np.log(own)
        # A one-sided reading is as likely all along its open side: that is a probability, no density at a value.
        one_sided = np.log(good + 0.5 * _OUTLIER_SHARE)
        per_reading = np.where(series.open_below | series.open_above, one_sided, two_sided)
        log_density = per_reading.sum(axis=1) + self._log_prior(x)
        if self.counts is not None:
            log_density += -0.5 * (self.counts_off(x) ** 2).sum(axis=1) - self.counts.n_free * self._ln_count_std(x)
        return np.asarray(log_density)

    def _log_prior(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the log density of the prior, up to a constant, shape (D,)."""
        shared = x[:, self.shared]
        square = (shared**2).sum(axis=1)
        misled = _MISLED_SHARE / _MISLED_FACTOR ** shared.shape[1]
        as_told = math.log(1.0 - _MISLED_SHARE) - 0.5 * square
        wider = math.log(misled) - 0.5 * square / _MISLED_FACTOR**2
        return np.asarray(np.logaddexp(as_told, wider) + 0.5 * square - 0.5 * (x**2).sum(axis=1))

    def noise(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the readings' own scatter against their budgets, shape (D, 1)."""
        return np.asarray(np.exp(_LN_NOISE_STD * x[:, [13]]))


def _alike(series: VialSeries, renewed_h: NDArray[np.float64], kh_std: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Return which share each reading has in the error of the first fluid and in that of each later one, (N, 1 + F).

    The KH of new fluid errs anew, the dye as before.
    """
    alike = np.zeros((len(series.hours), 1 + len(renewed_h)))
    fluid = np.searchsorted(renewed_h, series.hours, side="right")
    old = np.where(fluid > 0, 1.0 - (kh_std / np.maximum(series.shared_std, 1e-9)) ** 2, 1.0)
    alike[np.arange(len(fluid)), fluid] = series.shared_std * np.sqrt(1.0 - old**2)
    alike[:, 0] = series.shared_std * old
    return alike
