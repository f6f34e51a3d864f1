"""Fit the tank's course to the readings, and check whether the readings follow it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from calibration import Floats
from colorread.result import Reading
from colorread.tank.events import Event
from colorread.tank.model import Draws, Schedule, TankParameters, Turn, gas_rates, simulate
from colorread.tank.posterior import Posterior
from colorread.tank.series import PH_PER_LN, LeftOut, NoCourseError, VialSeries, vial_series
from colorread.tank.settings import Tank
from colorread.words import date_words

# Notes from more than this long after the last photo wait for new photos: carried over weeks, the uncertain fading
# would make any gas rate possible. Assumption.
_CARRIED_ON = timedelta(days=7)
# Two readings in a row may both be wrong; with three the tank is the likelier cause: assumption.
_LEAST_RUN = 3
# A reading counts for at most this many of its standard uncertainties, so that one wrong reading alone makes no run.
_MOST_OFF = 3.0  # assumption
# How far off a run may be, in standard deviations for independent errors, for up to this many readings. As the course
# follows the readings, runs stay closer than with such errors: one or two of a hundred simulated weeks that keep to the
# model get this far (a column of tests/benchmark_weeks.py).
_MOST_STEADY, _USUAL_READINGS = 3.0, 20
# More readings have more runs, and neighbors share what the model leaves out, such as uptake that levels off. With the
# limit raised by this power of their number, none of 24 simulated weeks of 60 to 80 readings exceeds it; without, a
# quarter did.
_MORE_READINGS_POWER = 1.0 / 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFit:
    """
    The fitted tank, as equally likely draws.

    Parameters
    ----------
    first : TankParameters
        D draws before the first turn; the gas rate is that of hour 0, the `midnight` of the series.
    turns : tuple of Turn
        Later changes that were noted, in order of time.
    schedule : Schedule
        When gas and lamp are on.
    start_mg_l : ndarray of float64, shape (2, D)
        CO2 of tank and vial at hour 0 [mg/L].
    series : VialSeries
        What was fitted.
    off : ndarray of float64, shape (N,)
        How far the course, corrected for the shared errors, lies above each reading, as the mean of the draws, in units
        of the reading's stated uncertainty; 0 beyond an open end.
    posterior : Posterior
        What the draws come from.
    coordinates : ndarray of float64, shape (D, n)
        The same draws in its coordinates.
    """

    first: TankParameters
    turns: tuple[Turn, ...]
    schedule: Schedule
    start_mg_l: Draws
    series: VialSeries
    off: Floats
    posterior: Posterior
    coordinates: Floats

    @property
    def parameters(self) -> TankParameters:
        """Parameters after all turns; the gas rate is what it would have been at hour 0."""
        return self.turns[-1].parameters if self.turns else self.first

    def course(self, hours: Floats) -> Draws:
        """Return the CO2 of tank and vial at hours since hour 0, shape (2, D, N) [mg/L]."""
        return simulate(self.first, self.schedule, hours, self.start_mg_l, self.turns)

    def gas_rates(self, hours: Floats) -> Draws:
        """Return the gas rate with the gas on, at hours since hour 0, shape (D, N) [mg/L/h]."""
        return gas_rates(self.first, self.turns, hours)

    def expected_readings(self, hours: Floats) -> tuple[Draws, Floats]:
        """
        Return the readings to expect at later hours.

        Parameters
        ----------
        hours : ndarray of float64, shape (N,)
            Hours since hour 0, in rising order [h].

        Returns
        -------
        ln_co2 : ndarray of float64, shape (D, N)
            Natural logarithm of the CO2 read, including the errors that all readings share.
        own_std : ndarray of float64, shape (N,)
            Standard uncertainty of each reading's own error.
        """
        series, posterior = self.series, self.posterior
        ln_vial = np.log(np.maximum(self.course(hours)[1], 1e-6))
        ph_at_1_mg_l = series.ph_at_1_mg_l[-1:]
        ln_co2 = ln_vial + posterior.shared_error(self.coordinates, ln_vial, ph_at_1_mg_l, posterior.common_std[-1:])
        ph = np.clip(ph_at_1_mg_l - np.median(ln_co2, axis=0) * PH_PER_LN, series.ph.min(), series.ph.max())
        return ln_co2, series.mean_near(ph, series.own_std)


def fit_tank(tank: Tank, readings: Sequence[Reading], events: Sequence[Event] = ()) -> TankFit:
    """
    Fit tank and vial to the readings.

    Errors that all readings share (dye, phone, lamp) are fitted too, with their own priors, so that no number of photos
    averages them away.

    Parameters
    ----------
    tank : Tank
        Its gas hours must be known.
    readings : sequence of Reading
        In any order; refused ones and those without a time are left out.
    events : sequence of Event, optional
        What was noted, in order of time.

    Returns
    -------
    TankFit
        The same draws for the same readings, whatever their order.

    Raises
    ------
    NoCourseError
        If the gas hours are not known or the readings are too few.
    """
    gas = tank.gas_hours
    if gas is None:
        raise NoCourseError("To follow the tank, enter its gas hours in its settings.")
    series = vial_series(tank, readings, events)
    events = [event for event in events if event.at <= series.last_at + _CARRIED_ON]
    posterior = Posterior(tank, series, events, Schedule(gas=gas, lights=tank.lights))
    draws = posterior.draws()
    first, start_mg_l = posterior.boxes(draws)
    # In units of the stated uncertainties: the fitted noise grows with readings off the course and would hide them.
    off = (posterior.residuals(draws)[:, : len(series.hours)] * posterior.noise(draws)).mean(axis=0)
    return TankFit(
        first=first,
        turns=posterior.turns(first, draws),
        schedule=posterior.schedule,
        start_mg_l=start_mg_l,
        series=series,
        off=off,
        posterior=posterior,
        coordinates=draws,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """
    Consecutive readings on one side of the course.

    Parameters
    ----------
    first, last : int
        Indices of the first and the last of them in order of time.
    off : float
        Sum of how far the course lies above them, in standard deviations of that sum for independent errors; negative
        where the course lies below [-].
    by_hour_of_day : bool
        Whether they are consecutive by hour of the day rather than in time.
    """

    first: int
    last: int
    off: float
    by_hour_of_day: bool


def furthest_run(hours: Floats, off: Floats) -> Run:
    """
    Return the run of three or more readings that as a whole lies furthest off the course.

    A source that changes shows up as a run in time, wrong hours of gas or lamp as a run by hour of the day. The N hours
    count from a midnight, in rising order; `off` is that of `TankFit`.
    """
    first, last = np.triu_indices(len(off), _LEAST_RUN - 1)
    runs = []
    for by_hour_of_day, order in ((False, np.arange(len(off))), (True, _by_hour_of_day(hours))):
        summed = np.append(0.0, np.cumsum(np.clip(off[order], -_MOST_OFF, _MOST_OFF)))
        run_off = (summed[last + 1] - summed[first]) / np.sqrt(last + 1 - first)
        most = int(np.abs(run_off).argmax())
        ends = int(order[first[most]]), int(order[last[most]])
        runs.append(Run(first=ends[0], last=ends[1], off=float(run_off[most]), by_hour_of_day=by_hour_of_day))
    return max(runs, key=lambda run: abs(run.off))


def _by_hour_of_day(hours: Floats) -> NDArray[np.intp]:
    """Return the indices of the readings by hour of the day, starting after the longest gap."""
    order = np.argsort(hours % 24.0, kind="stable")
    hour_of_day = hours[order] % 24.0
    gaps = np.diff(hour_of_day, append=hour_of_day[0] + 24.0)
    return np.roll(order, -1 - int(gaps.argmax()))


def is_steady(fit: TankFit) -> bool:
    """Return whether the readings are off the fitted course by no more than chance allows."""
    most = _MOST_STEADY * max(len(fit.off) / _USUAL_READINGS, 1.0) ** _MORE_READINGS_POWER
    return bool(abs(furthest_run(fit.series.hours, fit.off).off) <= most)


def steady_fit(tank: Tank, readings: Sequence[Reading], events: Sequence[Event] = ()) -> tuple[TankFit, str]:
    """
    Fit tank and vial to the readings, and check the readings against the fit.

    The fit treats readings far off its course as wrong; once a source has run out, that would be all of them. If the
    source changed, only the days after the change are fitted.

    Parameters
    ----------
    tank : Tank
        Its gas hours must be known.
    readings : sequence of Reading
        In any order.
    events : sequence of Event, optional
        What was noted, in order of time.

    Returns
    -------
    fit : TankFit
        Of readings that follow one steady course; its series counts the others as left out.
    note : str
        Which photos do not count and why; empty if all of them follow the course.

    Raises
    ------
    NoCourseError
        If they do not and too few are left, or for the reasons in `fit_tank`.
    """
    fit = fit_tank(tank, readings, events)
    if is_steady(fit):
        return fit, ""
    series, run = fit.series, furthest_run(fit.series.hours, fit.off)
    found, question = _unsteady_words(tank, series, run)
    refusal = NoCourseError(f"{found}, so the tank cannot be followed yet. {question}")
    if run.by_hour_of_day:
        raise refusal
    # A run that lasts to the last reading began when something changed; any other ended then. From the next midnight
    # on, most of the change is over.
    changed_h = series.hours[run.first if run.last == len(series.hours) - 1 else run.last]
    from_h = 24.0 * (changed_h // 24.0 + 1.0)
    is_later = series.hours >= from_h
    later = [reading for reading, counts in zip(series.readings, is_later, strict=True) if counts]
    try:
        fit_of_later = fit_tank(tank, later, events)
    except NoCourseError:
        raise refusal from None
    if not is_steady(fit_of_later):
        raise refusal
    fell = series.ln_co2[is_later].mean() < series.ln_co2[~is_later].mean()
    why: LeftOut = "higher course" if fell else "other course"
    left_out = series.left_out.copy()
    left_out[why] += len(series.readings) - len(later)
    fit_of_later = replace(fit_of_later, series=replace(fit_of_later.series, left_out=left_out))
    return fit_of_later, f"{found}. Only photos from {date_words(series.when(from_h))} on count. {question}"


def _unsteady_words(tank: Tank, series: VialSeries, run: Run) -> tuple[str, str]:
    """Return what was found, as the beginning of a sentence, and what to ask the keeper."""
    first, last = (series.when(series.hours[index]) for index in (run.first, run.last))
    side = "lower" if run.off > 0.0 else "higher"
    if run.by_hour_of_day:
        gas = "gas hours you entered" if tank.gas is not None else "assumed gas hours (day and night)"
        found = f"Readings from {first:%H:%M} to {last:%H:%M} are {side} than the {gas}"
        if tank.lights is None:
            return f"{found} allow", "Enter the lighting hours. Are the gas hours and the clocks right?"
        return f"{found} and the lighting hours allow", "Are these hours right, and the clocks of timer and phone?"
    return (
        f"Readings from {date_words(first)}, {first:%H:%M}, to {date_words(last)}, {last:%H:%M}, are {side} "
        "than one steady gas source allows",
        "Has the gas run out, was it refilled or adjusted, did a timer fail, or was there a large water change? "
        "Note it with its time.",
    )
