"""From readings to what the tank does: priors and posterior of the two boxes, held against the readings."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from colorread.result import BUDGET_KH, Reading
from colorread.tank.events import Event
from colorread.tank.model import Draws, Schedule, TankParameters, Turn, settled_state, simulate
from colorread.tank.sampling import N_DRAWS, sample
from colorread.tank.series import (
    GAS_COLUMNS,
    PH_PER_LN,
    CannotTell,
    LeftOut,
    VialSeries,
    counts_of,
    fall_std_per_day,
    gas_rates,
    steps_of,
    turns_of,
    vial_series,
)
from colorread.tank.settings import Tank
from colorread.words import SourceKind, date_words

# Priors as normal distributions: mean and standard deviation.
# Loss to the air: 0.03 (still) over 0.09 (rippled) to 0.29 1/h (strong outflow) for water 35 cm deep and gas-transfer
# velocities of 1, 3 and 10 cm/h. The last is from Gelda et al. 1996 (J. Environ. Eng. 122, 269, abstract: 1.50 to 2.64
# m/d, that is 6.3 to 11 cm/h, for the oxygen of a lake); 1 and 3 cm/h for calmer water, and that an aquarium is like
# that, of which no measurement was found, are assumptions.
LN_LOSS = (math.log(0.12), 0.7)
# Lag of the vial: 63 % within 0.7 to 4 h, usually 1.5 h, from diffusion through vial and air gap: assumption.
LN_LAG = (math.log(1.6), 0.45)
# Level that the tank would reach if gas and lamp stayed on [mg/L]; with the loss it gives the gas rate. Wide, as a
# tank whose gas has nearly run out must not be drawn towards a well-fed one: assumption.
LN_LEVEL = (math.log(30.0), 1.2)
# Fading of the gas per day. Bottles fade over one to three weeks, a cylinder hardly: common practice, no source.
FALL_PER_DAY: Mapping[SourceKind | None, tuple[float, float]] = {
    "fermentation": (0.04, 0.06),
    "acid-bicarbonate": (0.02, 0.05),
    "cylinder": (0.0, 0.03),
    None: (0.02, 0.06),
}
# Uptake in the light: from nothing worth telling (0.02 mg/L/h at 20 mg/L) to 2 mg/L/h, a tank full of plants (shoots of
# Kahara & Vermaat 2003, Aquat. Bot. 75, 217, doi 10.1016/S0304-3770(02)00179-1), as 5 and 95 % points: assumption.
LN_UPTAKE = (math.log(0.01), 1.4)
# Level without gas: 0.6 mg/L of the air (Plummer & Busenberg 1982) to 2 where fish and soil breathe: assumption.
LN_BASE = (math.log(0.9), 0.5)
LN_START = (0.0, 0.5)  # CO2 at the first midnight against that of a day like the others: assumption
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
# Two readings in a row may both be wrong; with three the tank is the likelier reason: assumption.
_LEAST_RUN = 3
# A reading counts for no more than this many of its standard uncertainties, as one that is simply wrong is no run.
_MOST_OFF = 3.0  # assumption
# In standard deviations of independent errors, for up to so many readings. The course follows the readings, so runs lie
# less far off than those: one or two of a hundred simulated weeks that keep to the model come so far (a column of
# tests/benchmark_weeks.py).
_MOST_STEADY, _USUAL_READINGS = 3.0, 20
# More readings have more runs, and neighbors share what the model leaves out, such as how uptake bends: with this power
# of their number none of 24 simulated weeks of 60 to 80 readings comes so far, without it a quarter did.
_MORE_READINGS_POWER = 1.0 / 6.0


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


def usual_parameters(source: SourceKind | None) -> TankParameters:
    """Return draws of the priors, always the same, of a tank without photos, with a gas rate of 1 mg/L/h."""
    draws = np.random.default_rng(0).standard_normal((5, N_DRAWS))
    loss, uptake, base, lag = (
        np.exp(mean + std * of_one)
        for (mean, std), of_one in zip((LN_LOSS, LN_UPTAKE, LN_BASE, LN_LAG), draws, strict=False)
    )
    mean, std = FALL_PER_DAY[source]
    return TankParameters(
        gas_mg_l_h=np.ones(N_DRAWS),
        fall_per_h=(mean + std * draws[4]) / 24.0,
        loss_per_h=loss,
        uptake_per_h=uptake,
        base_mg_l=base,
        lag_h=lag,
    )


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
    draws = sample(problem.n, problem.log_posterior, problem.all_residuals)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """
    Readings in a row that lie to one side of the course.

    Parameters
    ----------
    first, last : int
        Places of the first and the last of them in the order of time.
    off : float
        Sum of how far the course lies above them, in the standard deviation that it had if their errors were
        independent; negative where the course lies below [-].
    by_day : bool
        Whether they follow each other by the hour of the day, not by time.
    """

    first: int
    last: int
    off: float
    by_day: bool


def furthest_run(hours: NDArray[np.float64], off: NDArray[np.float64]) -> Run:
    """
    Return the run of three readings or more that lies furthest off the course as a whole.

    A source that does not stay the same shows in runs through time, wrong hours of gas or lamp in runs by the hour of
    the day. The N hours rise from a midnight on; `off` is that of `TankFit`.
    """
    first, last = np.triu_indices(len(off), _LEAST_RUN - 1)
    runs = []
    for by_day, order in ((False, np.arange(len(off))), (True, _by_hour_of_day(hours))):
        summed = np.append(0.0, np.cumsum(np.clip(off[order], -_MOST_OFF, _MOST_OFF)))
        run_off = (summed[last + 1] - summed[first]) / np.sqrt(last + 1 - first)
        most = int(np.abs(run_off).argmax())
        places = int(order[first[most]]), int(order[last[most]])
        runs.append(Run(first=places[0], last=places[1], off=float(run_off[most]), by_day=by_day))
    return max(runs, key=lambda run: abs(run.off))


def is_steady(fit: TankFit) -> bool:
    """Return whether the readings follow the course that was fitted to them, as far as chance allows."""
    most = _MOST_STEADY * max(len(fit.off) / _USUAL_READINGS, 1.0) ** _MORE_READINGS_POWER
    return bool(abs(furthest_run(fit.series.hours, fit.off).off) <= most)


def steady_fit(tank: Tank, readings: Sequence[Reading], events: Sequence[Event] = ()) -> tuple[TankFit, str]:
    """
    Fit tank and vial to the readings, and hold the readings against the fit.

    The fit takes readings far off its course for wrong ones; after a source that ran out, that would be all of them.
    Where the source did not stay the same, the days after that are fitted by themselves.

    Parameters
    ----------
    tank : Tank
        Its schedule must be known.
    readings : sequence of Reading
        Any order.
    events : sequence of Event, optional
        What was noted, in the order of time.

    Returns
    -------
    fit : TankFit
        Of readings that follow one steady course; its series counts the others as left out.
    note : str
        What does not count and why; empty where all of them follow it.

    Raises
    ------
    CannotTell
        If they do not and too few are left, or for the reasons of `fit_tank`.
    """
    fit = fit_tank(tank, readings, events)
    if is_steady(fit):
        return fit, ""
    series, run = fit.series, furthest_run(fit.series.hours, fit.off)
    found, question = _words(tank, fit, run)
    refusal = CannotTell(f"{found}, so the tank's course cannot be determined yet. {question}")
    if run.by_day:
        raise refusal
    # A run up to the last reading began when something changed, any other ended then; by night most of that has passed.
    changed_h = series.hours[run.first if run.last == len(series.hours) - 1 else run.last]
    from_h = 24.0 * (changed_h // 24.0 + 1.0)
    later = [reading for reading, hour in zip(series.readings, series.hours, strict=True) if hour >= from_h]
    try:
        fit_of_later = fit_tank(tank, later, events)
    except CannotTell:
        raise refusal from None
    if not is_steady(fit_of_later):
        raise refusal
    is_later = series.hours >= from_h
    fell = series.ln_co2[is_later].mean() < series.ln_co2[~is_later].mean()
    course: LeftOut = "higher course" if fell else "other course"
    left_out: Counter[LeftOut] = Counter({course: len(series.readings) - len(later)})
    fit_of_later = replace(fit_of_later, series=replace(fit_of_later.series, left_out=series.left_out + left_out))
    return fit_of_later, f"{found}. Only photos from {date_words(fit.when(from_h))} on count. {question}"


def _words(tank: Tank, fit: TankFit, run: Run) -> tuple[str, str]:
    """Return what was found, the beginning of a sentence, and what to ask the keeper."""
    first, last = (fit.when(float(fit.series.hours[place])) for place in (run.first, run.last))
    side = "lower" if run.off > 0.0 else "higher"
    if run.by_day:
        gas = "gas hours you entered" if tank.gas is not None else "assumed gas hours (day and night)"
        found = f"Readings from {first:%H:%M} to {last:%H:%M} are {side} than the {gas}"
        if tank.lights is None:
            return f"{found} allow", "Enter the lights' hours. Are the gas hours and the clocks right?"
        lamp = "lights' hours"
        return f"{found} and the {lamp} allow", "Are these hours right, and the clocks of timer and phone?"
    return (
        f"Readings from {date_words(first)}, {first:%H:%M}, to {date_words(last)}, {last:%H:%M}, are {side} "
        "than one steady gas source allows",
        "Has the gas run out, was it refilled or adjusted, did a timer fail, or was there a large water change? "
        "Note it with its time (colorread log note --tank NAME).",
    )


def _by_hour_of_day(hours: NDArray[np.float64]) -> NDArray[np.intp]:
    """Return the readings in the order of the hour of the day, from the end of the longest gap on."""
    order = np.argsort(hours % 24.0, kind="stable")
    of_day = hours[order] % 24.0
    gaps = np.diff(of_day, append=of_day[0] + 24.0)
    return np.roll(order, -1 - int(gaps.argmax()))
