"""How much CO2 a tank needs a day for a level, from its own days or from what is believed of tanks in general."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np

from colorread.tank.changes import hours_for_lights
from colorread.tank.fit import TankFit
from colorread.tank.forecast import N_DRAWS, DayStart, day_start, rate_for_peak
from colorread.tank.model import Draws, Schedule
from colorread.tank.priors import usual_parameters
from colorread.tank.settings import ALL_DAY, DailySpan, Tank

# The daily peak to aim at: the middle of the plants' range, and not above this share of the fish limit: assumption.
_SHARE_OF_LIMIT = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class GasNeed:
    """
    What a day needs, as D equally likely draws.

    Parameters
    ----------
    start : DayStart
        The day that was simulated.
    target_mg_l : float
        Daily peak to aim at [mg/L].
    target_g, limit_g : ndarray of float64, shape (D,)
        CO2 into the water a day by which the peak is at the target, and at the fish limit [g/d].
    now_g : ndarray of float64, shape (D,)
        What the gas rate of `start` brings into the water [g/d].
    """

    start: DayStart
    target_mg_l: float
    target_g: Draws
    limit_g: Draws
    now_g: Draws


def usual_target_mg_l(tank: Tank) -> float:
    """Return the daily peak to aim at where nobody set one [mg/L]."""
    marks = tank.judged_by
    return min((marks.plants_low_mg_l + marks.plants_high_mg_l) / 2.0, _SHARE_OF_LIMIT * marks.fish_mg_l)


def gas_hours_for(tank: Tank) -> DailySpan:
    """
    Return when the gas is to be on.

    Parameters
    ----------
    tank : Tank
        Its settings.

    Returns
    -------
    DailySpan
        As stated; else for the lamp where a timer valve can do that, and all day where not.
    """
    if tank.gas_hours is not None:
        return tank.gas_hours
    for_lights = hours_for_lights(tank.lights) if tank.lights is not None and tank.valve == "timer" else None
    return for_lights or ALL_DAY


def gas_need(tank: Tank, fit: TankFit | None, target_mg_l: float) -> GasNeed:
    """
    Return how much CO2 a tank needs a day.

    Parameters
    ----------
    tank : Tank
        Its volume must be known; its hours and limits as they are to be.
    fit : TankFit or None
        What its days tell of loss and uptake; None where there are none.
    target_mg_l : float
        Daily peak to aim at [mg/L].

    Returns
    -------
    GasNeed
        The loss to the air and the uptake by plants through a settled day.
    """
    assert tank.volume_l is not None
    schedule = Schedule(gas=gas_hours_for(tank), lights=tank.lights)
    if fit is None:
        usual = usual_parameters(tank.source_kind).take(np.arange(N_DRAWS))
        start = DayStart(parameters=usual, schedule=schedule, marks=tank.judged_by)
    else:
        midnight = datetime.combine(fit.last_at.date() + timedelta(days=1), time())
        start = replace(day_start(fit, tank.judged_by, midnight), schedule=schedule)
    now_g = start.parameters.gas_mg_l_h * schedule.gas.hours * tank.volume_l / 1000.0

    def needed_g(peak_mg_l: float) -> Draws:
        return now_g * np.maximum(rate_for_peak(start, peak_mg_l), 0.0)

    return GasNeed(
        start=start,
        target_mg_l=target_mg_l,
        target_g=needed_g(target_mg_l),
        limit_g=needed_g(start.marks.fish_mg_l),
        now_g=now_g,
    )
