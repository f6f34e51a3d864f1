"""The night of a tank whose gas runs day and night, and whether a timer valve would help it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from colorread.tank.changes import hours_for_lights
from colorread.tank.forecast import DayStart, day_course, interval, lit_hours
from colorread.tank.model import Draws
from colorread.tank.results import Change, Night, TimerValve
from colorread.tank.settings import Tank

# Probability of passing the fish limit by night from which it is aerated: less than by day, as the oxygen is lowest
# before lights on (facts of pond keeping: dawn is the critical hour, SRAC 464 and 468); the number is an assumption.
NIGHT_CHANCE = 0.05
# Where a timer valve cannot bring the chance below that, it must halve it to be worth its price: assumption.
_WORTH_FACTOR = 0.5


def night_of(start: DayStart, rate_factor: Draws | float = 1.0) -> Night | None:
    """
    Return what the CO2 does by night.

    Parameters
    ----------
    start : DayStart
        D draws.
    rate_factor : ndarray of float64, shape (D,), or float, default 1.0
        Gas rate against that of the day [-].

    Returns
    -------
    Night or None
        None where the gas stops each day, or no hours without light are known.
    """
    dark = _dark_hours(start)
    if start.schedule.gas.hours < 24.0 or dark is None:
        return None
    course = day_course(start, Change(), rate_factor)[:, dark]
    chance = float((course.max(axis=1) > start.marks.fish_mg_l).mean())
    return Night(
        low_mg_l=interval(course.min(axis=1)),
        high_mg_l=interval(course.max(axis=1)),
        chance_above_limit=chance,
        aerate=chance > NIGHT_CHANCE,
    )


def timer_valve(start: DayStart, tank: Tank) -> TimerValve | None:
    """
    Return what a timer valve would change.

    Parameters
    ----------
    start : DayStart
        D draws.
    tank : Tank
        Its hardware.

    Returns
    -------
    TimerValve or None
        None where there is one or may be one, the gas is not from a cylinder, it stops each day as it is, or the lamp's
        hours are not known.
    """
    lights = start.schedule.lights
    if tank.source_kind != "cylinder" or tank.valve not in ("none", "needle") or lights is None:
        return None
    night, gas, dark = night_of(start), hours_for_lights(lights), _dark_hours(start)
    if night is None or gas is None or dark is None:
        return None
    course = day_course(start, Change(gas=gas))[:, dark]
    chance = float((course.max(axis=1) > start.marks.fish_mg_l).mean())
    most = max(NIGHT_CHANCE, _WORTH_FACTOR * night.chance_above_limit)
    return TimerValve(
        gas=gas,
        chance_without=night.chance_above_limit,
        chance_with=chance,
        saved=1.0 - gas.hours / 24.0,
        is_worth_it=night.aerate and chance <= most,
    )


def _dark_hours(start: DayStart) -> NDArray[np.bool_] | None:
    """Return at which hours of a simulated day the lamp is off; None where that is not known, or never."""
    dark = ~lit_hours(start.schedule)
    return None if start.schedule.lights is None or not dark.any() else dark
