"""A settled day of the tank, as it runs now or with something changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from colorread.result import Interval
from colorread.tank.fit import TankFit
from colorread.tank.model import Draws, Schedule, TankParameters, is_on, settled_state, simulate
from colorread.tank.results import Change, DayForecast
from colorread.words import Marks

_STEP_H = 0.25
# Of the draws that are there so many are simulated, evenly spaced: enough for 90 % intervals: assumption.
N_DRAWS = 300
"""Draws that a day is simulated with."""
HOURS: NDArray[np.float64] = np.arange(0.0, 24.0 + _STEP_H / 2.0, _STEP_H)
_QUANTILES = (0.05, 0.5, 0.95)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayStart:
    """
    What a day is simulated from.

    Parameters
    ----------
    parameters : TankParameters
        D draws; the gas rate is that of the day, within which it stays as it is; it fades from day to day.
    schedule : Schedule
        When gas and lamp are on.
    marks : Marks
        What the day is judged by.
    """

    parameters: TankParameters
    schedule: Schedule
    marks: Marks


def day_start(fit: TankFit, marks: Marks, when: datetime) -> DayStart:
    """
    Return what a day is simulated from.

    Parameters
    ----------
    fit : TankFit
        What is believed of the tank.
    marks : Marks
        What it is judged by.
    when : datetime
        The day has the gas rate of this time, on the tank's clock; usually its midnight.

    Returns
    -------
    DayStart
        Of some of the draws, with the gas rate faded to that time.
    """
    parameters = fit.parameters.take(np.linspace(0, len(fit.tank_mg_l) - 1, N_DRAWS).astype(np.intp))
    hours = (when - fit.when(0.0)).total_seconds() / 3600.0
    faded = parameters.gas_mg_l_h * np.exp(-parameters.fall_per_h * hours)
    return DayStart(parameters=replace(parameters, gas_mg_l_h=faded), schedule=fit.schedule, marks=marks)


def day_course(start: DayStart, change: Change, rate_factor: Draws | float | None = None) -> NDArray[np.float64]:
    """
    Simulate the day after some days of the same.

    Parameters
    ----------
    start : DayStart
        D draws.
    change : Change
        What is done differently.
    rate_factor : ndarray of float64, shape (D,), or float, optional
        Gas rate against that of the day, draw by draw, instead of the change's one [-].

    Returns
    -------
    ndarray of float64, shape (D, 97)
        CO2 of the tank at `HOURS` [mg/L].
    """
    factor = change.rate_factor if rate_factor is None else rate_factor
    gas_mg_l_h = start.parameters.gas_mg_l_h * factor
    parameters = replace(start.parameters, gas_mg_l_h=gas_mg_l_h, fall_per_h=np.zeros_like(gas_mg_l_h))
    schedule = replace(start.schedule, gas=change.gas or start.schedule.gas, night_loss_factor=change.night_loss_factor)
    tank, vial = settled_state(parameters, schedule, days=3)
    return simulate(parameters, schedule, HOURS, tank_mg_l=tank, vial_mg_l=vial)[0]


def forecast(start: DayStart, change: Change, words: str, rate_factor: Draws | float | None = None) -> DayForecast:
    """
    Judge a simulated day.

    Parameters
    ----------
    start : DayStart
        D draws.
    change : Change
        What is done differently.
    words : str
        The change as an instruction.
    rate_factor : ndarray of float64, shape (D,), or float, optional
        As in `day_course`.

    Returns
    -------
    DayForecast
        Course, marks met and missed.
    """
    tank = day_course(start, change, rate_factor)
    low, middle, high = np.quantile(tank, _QUANTILES, axis=0)
    lit = lit_hours(start.schedule)
    marks = start.marks
    within = (tank >= marks.plants_low_mg_l) & (tank <= marks.plants_high_mg_l)
    first_lit = start.schedule.lights if start.schedule.lights is not None else start.schedule.gas
    share = within[:, lit].mean(axis=1)
    above = (tank[:, :-1] > marks.fish_mg_l).mean(axis=1) * 24.0
    return DayForecast(
        change=change,
        words=words,
        hours=HOURS,
        co2_mg_l=middle,
        low_mg_l=low,
        high_mg_l=high,
        lights_on_mg_l=interval(tank[:, int(np.argmin(np.abs(HOURS - first_lit.on_h)))]),
        peak_mg_l=interval(tank.max(axis=1)),
        night_low_mg_l=interval(tank[:, ~lit].min(axis=1) if not lit.all() else tank.min(axis=1)),
        hours_above_fish_mark=interval(above),
        plants_share=float(share.mean()),
        plants_share_low=min(float(np.quantile(share, _QUANTILES[0])), float(share.mean())),
        plants_share_high=max(float(np.quantile(share, _QUANTILES[-1])), float(share.mean())),
        fish_probability=float((tank.max(axis=1) <= marks.fish_mg_l).mean()),
    )


def rate_for_peak(start: DayStart, peak_mg_l: float, rate_factor: Draws | float = 1.0) -> Draws:
    """
    Return at which share of a gas rate the day peaks at a level.

    Parameters
    ----------
    start : DayStart
        D draws.
    peak_mg_l : float
        The level [mg/L].
    rate_factor : ndarray of float64, shape (D,), or float, default 1.0
        The gas rate, against that of the day [-].

    Returns
    -------
    ndarray of float64, shape (D,)
        Against that rate; not above 0 where the tank peaks there without gas [-].
    """
    # The CO2 is the sum of what the gas brings, in proportion to its rate, and what is there without it.
    full, none = (day_course(start, Change(), factor).max(axis=1) for factor in (rate_factor, 0.0))
    return np.asarray((peak_mg_l - none) / np.maximum(full - none, 1e-6))


def lit_hours(schedule: Schedule) -> NDArray[np.bool_]:
    """
    Return at which of `HOURS` the plants can use the CO2: in the light, or while the gas flows if that is not known.

    Parameters
    ----------
    schedule : Schedule
        When gas and lamp are on.

    Returns
    -------
    ndarray of bool, shape (97,)
        True in the light.
    """
    span = schedule.lights if schedule.lights is not None else schedule.gas
    return np.array([is_on(span, hour) for hour in HOURS])


def interval(draws: NDArray[np.float64]) -> Interval:
    """
    Return median and 90 % interval of equally likely draws.

    Parameters
    ----------
    draws : ndarray of float64, shape (D,)
        The draws.

    Returns
    -------
    Interval
        Ends at 5 and 95 %.
    """
    low, value, high = (float(end) for end in np.quantile(draws, _QUANTILES))
    return Interval(value=value, low=low, high=high)
