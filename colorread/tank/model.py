"""The tank and the vial as two boxes, solved exactly between the switching times of gas and lamp."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from colorread.tank.settings import DailySpan

_LEAST_DIFFERENCE = 1e-6  # between two rates, far below what any photo could tell [1/h]
_HOURS_PER_DAY = 24.0

Draws = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TankParameters:
    """
    Parameters of the two boxes, each an array of D draws.

    ``dC/dt = gas(t) - loss (C - base) - uptake(t) C`` for the tank and ``dV/dt = (C - V) / lag`` for the vial. The gas
    rate changes by ``exp(-fall t)`` and flows while the gas is on; the plants' uptake is taken as proportional to the
    CO2 (an approximation that holds below the half-saturation of the plants) and acts while the lamp is on.

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
        Where the tank falls to without gas: the air's CO2 and what is breathed out [mg/L].
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
        Hours of the lamp; None where not known, then no uptake is told apart from the loss.
    night_loss_factor : float, default 1.0
        Loss to the air while the lamp is off against that while it is on [-].
    """

    gas: DailySpan
    lights: DailySpan | None
    night_loss_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Turn:
    """
    What changes at an hour.

    Parameters
    ----------
    hour : float
        Hours since hour 0, above 0 [h].
    parameters : TankParameters
        From then on; the gas rate still that of hour 0.
    water_change : float
        Share of the water replaced by water that has lost its gas [-].
    fluid_renewed : bool
        Whether the vial gets fluid that stood in air.
    """

    hour: float
    parameters: TankParameters
    water_change: float
    fluid_renewed: bool


def simulate(
    parameters: TankParameters,
    schedule: Schedule,
    times_h: NDArray[np.float64],
    *,
    tank_mg_l: Draws,
    vial_mg_l: Draws,
    turns: Sequence[Turn] = (),
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Follow tank and vial from hour 0, a midnight, on.

    Parameters
    ----------
    parameters : TankParameters
        D draws.
    schedule : Schedule
        When gas and lamp are on.
    times_h : ndarray of float64, shape (N,)
        Hours since that midnight, not below 0, in rising order [h].
    tank_mg_l, vial_mg_l : ndarray of float64, shape (D,)
        CO2 of both at hour 0 [mg/L].
    turns : sequence of Turn, optional
        One at most an hour.

    Returns
    -------
    tank, vial : ndarray of float64, shape (D, N)
        CO2 of both [mg/L].
    """
    turn_at = {turn.hour: turn for turn in turns}
    shape = (len(parameters.loss_per_h), len(times_h))
    tank, vial = np.empty(shape), np.empty(shape)
    end_h = float(times_h[-1]) if len(times_h) else 0.0
    edges = _switching_times(schedule, end_h, turn_at)
    placed = np.searchsorted(times_h, edges)
    placed[-1] = len(times_h)
    for start_h, stop_h, first, last in zip(edges[:-1], edges[1:], placed[:-1], placed[1:], strict=True):
        if (turn := turn_at.get(start_h)) is not None:
            parameters = turn.parameters
            tank_mg_l = tank_mg_l + turn.water_change * (parameters.base_mg_l - tank_mg_l)
            vial_mg_l = parameters.base_mg_l if turn.fluid_renewed else vial_mg_l
        # The state at the end of the piece is found together with what is asked for inside it.
        since_h = np.append(times_h[first:last], stop_h) - start_h
        piece_tank, piece_vial = _piece(parameters, schedule, start_h, stop_h, since_h, tank_mg_l, vial_mg_l)
        tank[:, first:last], tank_mg_l = piece_tank[:, :-1], piece_tank[:, -1]
        vial[:, first:last], vial_mg_l = piece_vial[:, :-1], piece_vial[:, -1]
    return tank, vial


def settled_state(parameters: TankParameters, schedule: Schedule, *, days: int = 4) -> tuple[Draws, Draws]:
    """
    Return tank and vial at midnight after days of the same schedule with the rate of hour 0.

    Parameters
    ----------
    parameters : TankParameters
        D draws.
    schedule : Schedule
        When gas and lamp are on.
    days : int, default 4
        Days that are followed, from the mean level of the tank on.

    Returns
    -------
    tank, vial : ndarray of float64, shape (D,)
        CO2 of both [mg/L].
    """
    share_on = schedule.gas.hours / _HOURS_PER_DAY
    lit = 0.0 if schedule.lights is None else schedule.lights.hours / _HOURS_PER_DAY
    loss = parameters.loss_per_h * (1.0 if schedule.lights is None else lit + (1.0 - lit) * schedule.night_loss_factor)
    gain = parameters.gas_mg_l_h * share_on + loss * parameters.base_mg_l
    level = gain / (loss + lit * parameters.uptake_per_h)
    steady = replace(parameters, fall_per_h=np.zeros_like(parameters.fall_per_h))
    midnight = np.array([days * _HOURS_PER_DAY])
    tank, vial = simulate(steady, schedule, midnight, tank_mg_l=level, vial_mg_l=level)
    return tank[:, 0], vial[:, 0]


def gas_rates(first: TankParameters, turns: Sequence[Turn], hours: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the gas rate while the gas is on at hours since hour 0; at a turn, the one after it, (D, N) [mg/L/h]."""
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
        From one time of the day to another.
    hour : float
        Hours since some midnight [h].

    Returns
    -------
    bool
        On, with the start included and the end not.
    """
    return (hour - span.on_h) % _HOURS_PER_DAY < span.hours


def _switching_times(schedule: Schedule, end_h: float, turns_h: Iterable[float]) -> NDArray[np.float64]:
    """Return 0, every time of switching or turning before `end_h`, and `end_h`."""
    of_day: set[float] = set()
    for span in (schedule.gas, schedule.lights):
        if span is not None and span.hours < _HOURS_PER_DAY:
            of_day |= {span.on_h, (span.on_h + span.hours) % _HOURS_PER_DAY}
    n_days = int(end_h // _HOURS_PER_DAY) + 1
    times = {day * _HOURS_PER_DAY + hour for day in range(n_days) for hour in of_day} | set(turns_h)
    return np.array([0.0, *sorted(hour for hour in times if 0.0 < hour < end_h), end_h])


def _piece(
    parameters: TankParameters,
    schedule: Schedule,
    start_h: float,
    stop_h: float,
    since_h: NDArray[np.float64],
    tank_mg_l: Draws,
    vial_mg_l: Draws,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Solve one piece in which nothing switches; all of it is a sum of exponentials."""
    middle_h = (start_h + stop_h) / 2.0
    gas_on = is_on(schedule.gas, middle_h)
    lit = schedule.lights is not None and is_on(schedule.lights, middle_h)
    dark = schedule.lights is not None and not lit
    loss = parameters.loss_per_h * (schedule.night_loss_factor if dark else 1.0)
    decay = loss + (parameters.uptake_per_h if lit else 0.0)
    fall = _apart(parameters.fall_per_h, decay)
    vial_rate = _apart(_apart(1.0 / parameters.lag_h, decay), fall)
    rest = loss * parameters.base_mg_l / decay
    gas = parameters.gas_mg_l_h * np.exp(-fall * start_h) if gas_on else np.zeros_like(decay)
    driven = gas / (decay - fall)
    start = tank_mg_l - driven - rest
    start_in_vial = start * vial_rate / (vial_rate - decay)
    driven_in_vial = driven * vial_rate / (vial_rate - fall)
    own = vial_mg_l - start_in_vial - driven_in_vial - rest
    decayed, faded, followed = (np.exp(-rate[:, None] * since_h) for rate in (decay, fall, vial_rate))
    tank = start[:, None] * decayed + driven[:, None] * faded + rest[:, None]
    vial = start_in_vial[:, None] * decayed + driven_in_vial[:, None] * faded + own[:, None] * followed + rest[:, None]
    return tank, vial


def _apart(rate: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the rate, moved a little where it meets the other: the solution is smooth there, its formula is not."""
    return np.where(np.abs(rate - other) < _LEAST_DIFFERENCE, other + 2.0 * _LEAST_DIFFERENCE, rate)
