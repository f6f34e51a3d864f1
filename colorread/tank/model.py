"""The tank and the vial as two boxes, solved exactly between the switching times of gas and lamp."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from calibration import Floats
from colorread.tank.settings import DailySpan

_LEAST_DIFFERENCE = 1e-6  # of two rates, far below what any photo could show [1/h]
_HOURS_PER_DAY = 24.0

Draws = NDArray[np.float64]  # one value for each of D draws, along the first axis unless noted


@dataclass(frozen=True, slots=True, kw_only=True)
class TankParameters:
    """
    Parameters of the two boxes, each an array of D draws.

    ``dC/dt = gas(t) - loss (C - base) - uptake(t) C`` for the tank and ``dV/dt = (C - V) / lag`` for the vial. The gas
    rate fades as ``exp(-fall t)`` and flows while the gas is on. The plants take up CO2 while the lamp is on, in
    proportion to the CO2 (an approximation that holds below their half-saturation).

    Parameters
    ----------
    gas_mg_l_h : ndarray of float64, shape (D,)
        Gas rate at hour 0 [mg/L/h].
    fall_per_h : ndarray of float64, shape (D,)
        Rate at which the gas fades [1/h].
    loss_per_h : ndarray of float64, shape (D,)
        First-order loss to the air [1/h].
    uptake_per_h : ndarray of float64, shape (D,)
        First-order uptake by the plants in the light [1/h].
    base_mg_l : ndarray of float64, shape (D,)
        Level without gas: CO2 from the air and from respiration [mg/L].
    lag_h : ndarray of float64, shape (D,)
        Time constant of the vial [h].
    """

    gas_mg_l_h: Draws
    fall_per_h: Draws
    loss_per_h: Draws
    uptake_per_h: Draws
    base_mg_l: Draws
    lag_h: Draws

    def take(self, index: NDArray[np.intp]) -> Self:
        """Return the draws at `index`."""
        return replace(self, **{f.name: getattr(self, f.name)[index] for f in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """
    When gas and lamp are on, the same every day.

    Parameters
    ----------
    gas : DailySpan
        Hours of the gas.
    lights : DailySpan or None
        Hours of the lamp; None if not known: the loss then includes the uptake.
    night_loss_factor : float, default 1.0
        Loss to the air while the lamp is off, relative to that while it is on [-].
    """

    gas: DailySpan
    lights: DailySpan | None
    night_loss_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Turn:
    """
    A change to the tank at one moment.

    Parameters
    ----------
    hour : float
        Hours since hour 0, above 0 [h].
    parameters : TankParameters
        Parameters from then on; the gas rate still refers to hour 0.
    water_change : float
        Share of the water replaced by water without added gas [-].
    fluid_renewed : bool
        Whether the vial gets fluid in equilibrium with air.
    """

    hour: float
    parameters: TankParameters
    water_change: float
    fluid_renewed: bool


def simulate(
    parameters: TankParameters, schedule: Schedule, times_h: Floats, start_mg_l: Draws, turns: Sequence[Turn] = ()
) -> Draws:
    """
    Follow tank and vial from hour 0, which is a midnight.

    Parameters
    ----------
    parameters : TankParameters
        D draws.
    schedule : Schedule
        When gas and lamp are on.
    times_h : ndarray of float64, shape (N,)
        Hours since that midnight, not negative, in rising order [h].
    start_mg_l : ndarray of float64, shape (2, D)
        CO2 of tank and vial at hour 0 [mg/L].
    turns : sequence of Turn, optional
        At most one at any hour.

    Returns
    -------
    ndarray of float64, shape (2, D, N)
        CO2 of tank and vial [mg/L].
    """
    turn_at = {turn.hour: turn for turn in turns}
    course, (tank, vial) = np.empty((len(times_h), *start_mg_l.shape)), start_mg_l
    end_h = float(times_h[-1]) if len(times_h) else 0.0
    edges = _switching_times(schedule, end_h, turn_at)
    placed = np.searchsorted(times_h, edges)
    placed[-1] = len(times_h)
    solutions: dict[tuple[bool, bool], _Solution] = {}
    for start_h, stop_h, first, last in zip(edges[:-1], edges[1:], placed[:-1], placed[1:], strict=True):
        if (turn := turn_at.get(start_h)) is not None:
            parameters, base, solutions = turn.parameters, turn.parameters.base_mg_l, {}
            tank = tank + turn.water_change * (base - tank)
            vial = base if turn.fluid_renewed else vial
        middle_h = (start_h + stop_h) / 2.0
        is_lit = schedule.lights is None or is_on(schedule.lights, middle_h)
        switches = is_on(schedule.gas, middle_h), is_lit
        if switches not in solutions:
            solutions[switches] = _solution(parameters, schedule, *switches)
        solution, hours = solutions[switches], stop_h - start_h
        if hours not in solution.left_after:  # mostly the same every day
            solution.left_after[hours] = solution.left(np.array([hours]))
        left = solution.left_after[hours]
        if first < last:
            left = np.concatenate([solution.left(times_h[first:last] - start_h), left])
        # The state at the end of the piece is computed together with the times inside it.
        in_tank, in_vial = solution.course(start_h, left, tank, vial)
        course[first:last, 0], course[first:last, 1] = in_tank[:-1], in_vial[:-1]
        tank, vial = in_tank[-1], in_vial[-1]
    return np.moveaxis(course, 0, -1)


def settled_state(parameters: TankParameters, schedule: Schedule, *, days: int) -> Draws:
    """
    Return tank and vial at midnight after some days of the same schedule with the gas rate of hour 0.

    Parameters
    ----------
    parameters : TankParameters
        D draws.
    schedule : Schedule
        When gas and lamp are on.
    days : int
        Days to simulate, starting at the mean level of the tank.

    Returns
    -------
    ndarray of float64, shape (2, D)
        CO2 of tank and vial [mg/L].
    """
    share_on = schedule.gas.hours / _HOURS_PER_DAY
    lit = 0.0 if schedule.lights is None else schedule.lights.hours / _HOURS_PER_DAY
    loss = parameters.loss_per_h * (1.0 if schedule.lights is None else lit + (1.0 - lit) * schedule.night_loss_factor)
    gain = parameters.gas_mg_l_h * share_on + loss * parameters.base_mg_l
    level = gain / (loss + lit * parameters.uptake_per_h)
    steady = replace(parameters, fall_per_h=np.zeros_like(parameters.fall_per_h))
    return simulate(steady, schedule, np.array([days * _HOURS_PER_DAY]), np.stack([level, level]))[..., 0]


def gas_rates(first: TankParameters, turns: Sequence[Turn], hours: Floats) -> Draws:
    """Return the gas rate with the gas on, at hours since hour 0; at a turn, the new rate, shape (D, N) [mg/L/h]."""
    pieces = (first, *(turn.parameters for turn in turns))
    place = np.searchsorted([turn.hour for turn in turns], hours, side="right")
    return np.stack(
        [pieces[i].gas_mg_l_h * np.exp(-pieces[i].fall_per_h * hour) for i, hour in zip(place, hours, strict=True)],
        axis=1,
    )


def is_on(span: DailySpan, hour: float) -> bool:
    """
    Return whether a daily span is on.

    Parameters
    ----------
    span : DailySpan
        Hours of every day.
    hour : float
        Hours since some midnight [h].

    Returns
    -------
    bool
        Includes the start but not the end.
    """
    return (hour - span.on_h) % _HOURS_PER_DAY < span.hours


def _switching_times(schedule: Schedule, end_h: float, turns_h: Iterable[float]) -> Floats:
    """Return 0, every switching of gas or lamp and every turn before `end_h`, and `end_h`."""
    daily: set[float] = set()
    for span in (schedule.gas, schedule.lights):
        if span is not None and span.hours < _HOURS_PER_DAY:
            daily |= {span.on_h, (span.on_h + span.hours) % _HOURS_PER_DAY}
    n_days = int(end_h // _HOURS_PER_DAY) + 1
    times = {day * _HOURS_PER_DAY + hour for day in range(n_days) for hour in daily} | set(turns_h)
    return np.array([0.0, *sorted(hour for hour in times if 0.0 < hour < end_h), end_h])


class _Solution(NamedTuple):
    """
    The sum of exponentials that solves the boxes while nothing switches, each an array of D draws.

    Three rates, (3, D) [1/h], the level at rest and what the gas adds to it at hour 0 [mg/L], how much of what decays
    or fades in the tank the vial shows [-], and what `left` returned for the hours of whole pieces.
    """

    rates: Draws
    rest: Draws
    driven: Draws
    decay_in_vial: Draws
    fall_in_vial: Draws
    left_after: dict[float, Draws]

    def left(self, since_h: Floats) -> Draws:
        """Return how much is left after these hours of what decays, fades and leaves the vial, (N, 3, D) [-]."""
        return np.exp(-since_h[:, None, None] * self.rates)

    def course(self, start_h: float, left: Draws, tank: Draws, vial: Draws) -> tuple[Draws, Draws]:
        """Return tank and vial, (N, D), when they stood at `tank` and `vial` at `start_h` and so much is left."""
        driven = self.driven * np.exp(-start_h * self.rates[1])
        start = tank - driven - self.rest
        start_in_vial, driven_in_vial = start * self.decay_in_vial, driven * self.fall_in_vial
        own = vial - start_in_vial - driven_in_vial - self.rest
        decayed, faded, followed = left[:, 0], left[:, 1], left[:, 2]
        in_vial = start_in_vial * decayed + driven_in_vial * faded + own * followed + self.rest
        return start * decayed + driven * faded + self.rest, in_vial


def _solution(parameters: TankParameters, schedule: Schedule, gas_on: bool, is_lit: bool) -> _Solution:
    """Return the solution with the gas on or off and the lamp on (or not known) or off."""
    loss = parameters.loss_per_h * (1.0 if is_lit else schedule.night_loss_factor)
    decay = loss + (parameters.uptake_per_h if is_lit and schedule.lights is not None else 0.0)
    fall = _apart(parameters.fall_per_h, decay)
    vial_rate = _apart(_apart(1.0 / parameters.lag_h, decay), fall)
    return _Solution(
        rates=np.stack([decay, fall, vial_rate]),
        rest=loss * parameters.base_mg_l / decay,
        driven=parameters.gas_mg_l_h / (decay - fall) if gas_on else np.zeros_like(decay),
        decay_in_vial=vial_rate / (vial_rate - decay),
        fall_in_vial=vial_rate / (vial_rate - fall),
        left_after={},
    )


def _apart(rate: Draws, other: Draws) -> Draws:
    """Return the rate, nudged where it equals the other: the solution is smooth there, but its formula is not."""
    return np.where(np.abs(rate - other) < _LEAST_DIFFERENCE, other + 2.0 * _LEAST_DIFFERENCE, rate)
