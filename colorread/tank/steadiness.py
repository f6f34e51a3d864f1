"""Whether the readings follow one steady course at all; where they do not, no number of the fit may be told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from colorread.result import Reading
from colorread.tank.events import Event
from colorread.tank.fit import TankFit, fit_tank
from colorread.tank.series import CannotTell, LeftOut
from colorread.tank.settings import Tank
from colorread.words import date_words

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
    Return the run of readings that lies furthest off the course as a whole.

    A source that does not stay the same shows in runs through time, wrong hours of gas or lamp in runs by the hour of
    the day.

    Parameters
    ----------
    hours : ndarray of float64, shape (N,)
        Hours since a midnight, in rising order; N at least 3 [h].
    off : ndarray of float64, shape (N,)
        How far the course lies above each reading, in its own standard uncertainties.

    Returns
    -------
    Run
        Of three readings or more.
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
    """
    Return whether the readings follow the course that was fitted to them.

    Parameters
    ----------
    fit : TankFit
        What was fitted.

    Returns
    -------
    bool
        False where a run of them lies too far off for chance.
    """
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
