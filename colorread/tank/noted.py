"""What was noted of a tank, as its fit takes it: steps of water, gas and fluid, and counted bubbles."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from colorread.tank.events import Event
from colorread.tank.model import Draws, TankParameters, Turn

# By how much the gas may flow otherwise after a refill, after the valve was turned, and after the diffuser was
# cleaned or moved, as standard deviation of the logarithm: assumptions.
_REFILLED_STD, _TURNED_STD, _DIFFUSER_STD = 0.8, 0.5, 0.3
# By how much a refill fades otherwise than the charge before it, per day: assumption, half of what bottles differ.
_FALL_STD_PER_DAY = 0.03
_TOGETHER_H = 1.0  # what is done to the gas within an hour is one step: no vial shows more
GAS_COLUMNS = 2
"""Coordinates of one step of the gas: its rate and its fading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    What was done to a tank at an hour.

    Parameters
    ----------
    hour : float
        Hours since hour 0 of the series [h].
    water_change : float
        Share of the water [-].
    gas_std : float
        Standard deviation of the logarithm of the gas rate against that before; 0 where it was left alone [-].
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
    Bubbles a minute; they compare only while the diffuser stays as it is.

    Parameters
    ----------
    hours : ndarray of float64, shape (M,)
        When they were counted, since hour 0 of the series [h].
    ln_bubbles : ndarray of float64, shape (M,)
        Natural logarithm of the bubbles a minute.
    centering : ndarray of float64, shape (M, M)
        Takes off the mean of all counts with the same diffuser, as the size of a bubble is not known.
    n_free : int
        Counts less diffusers.
    """

    hours: NDArray[np.float64]
    ln_bubbles: NDArray[np.float64]
    centering: NDArray[np.float64]
    n_free: int

    def off(self, first: TankParameters, turns: Sequence[Turn]) -> NDArray[np.float64]:
        """Return how far the logarithm of each count lies off the gas rate, shape (D, M)."""
        return np.asarray((self.ln_bubbles - np.log(gas_rates(first, turns, self.hours))) @ self.centering)


def steps_of(events: Iterable[Event], midnight: datetime) -> tuple[Step, ...]:
    """
    Return what was done after a midnight that the course shows.

    Parameters
    ----------
    events : iterable of Event
        In the order of time.
    midnight : datetime
        Hour 0, on the tank's clock.

    Returns
    -------
    tuple of Step
        One at most an hour, in the order of time.
    """
    steps: list[Step] = []
    for hour, together in groupby(events, key=lambda event: _hours(event, midnight)):
        if hour <= 0.0:
            continue
        step = Step(hour=hour, water_change=0.0, gas_std=0.0, fluid_renewed=False)
        for event in together:
            step = replace(
                step,
                water_change=1.0 - (1.0 - step.water_change) * (1.0 - (event.water_change or 0.0)),
                gas_std=max(step.gas_std, _gas_std(event)),
                fluid_renewed=step.fluid_renewed or event.fluid_renewed,
            )
        if step.gas_std:
            for i, before in enumerate(steps):
                if before.gas_std and hour - before.hour <= _TOGETHER_H:
                    step = replace(step, gas_std=max(step.gas_std, before.gas_std))
                    steps[i] = replace(before, gas_std=0.0)
        if step.water_change or step.gas_std or step.fluid_renewed:
            steps.append(step)
    return tuple(steps)


def counts_of(events: Iterable[Event], midnight: datetime) -> Counts | None:
    """
    Return the counted bubbles of the days from a midnight on.

    Parameters
    ----------
    events : iterable of Event
        In the order of time.
    midnight : datetime
        Hour 0, on the tank's clock.

    Returns
    -------
    Counts or None
        None where no two of them compare.
    """
    rows: list[tuple[float, float, int]] = []
    diffuser = 0
    for event in events:
        diffuser += event.diffuser
        if event.bubbles is not None and _hours(event, midnight) >= 0.0:
            rows.append((_hours(event, midnight), float(np.log(event.bubbles)), diffuser))
    if not rows:
        return None
    hours, ln_bubbles, of = (np.array(column) for column in zip(*rows, strict=True))
    same = (of[:, None] == of).astype(np.float64)
    n_free = len(rows) - len(set(of.tolist()))
    if n_free == 0:
        return None
    centering = np.eye(len(rows)) - same / same.sum(axis=0)
    return Counts(hours=hours, ln_bubbles=ln_bubbles, centering=centering, n_free=n_free)


def turns_of(steps: Iterable[Step], first: TankParameters, x: NDArray[np.float64]) -> tuple[Turn, ...]:
    """
    Return what changes in the model at each step.

    Parameters
    ----------
    steps : iterable of Step
        In the order of time.
    first : TankParameters
        Before all of them; D draws.
    x : ndarray of float64, shape (D, G)
        Standard-normal coordinates, `GAS_COLUMNS` for each step of the gas.

    Returns
    -------
    tuple of Turn
        One for each step.
    """
    turns, parameters, column = [], first, 0
    for step in steps:
        if step.gas_std:
            fall = parameters.fall_per_h + _FALL_STD_PER_DAY / 24.0 * x[:, column + 1]
            # The rate of a piece is kept as that of hour 0, from which it would have come to the one that it has.
            ln_factor = step.gas_std * x[:, column] + (fall - parameters.fall_per_h) * step.hour
            parameters = replace(parameters, gas_mg_l_h=parameters.gas_mg_l_h * np.exp(ln_factor), fall_per_h=fall)
            column += GAS_COLUMNS
        turns.append(
            Turn(
                hour=step.hour,
                parameters=parameters,
                water_change=step.water_change,
                fluid_renewed=step.fluid_renewed,
            )
        )
    return tuple(turns)


def gas_rates(first: TankParameters, turns: Sequence[Turn], hours: NDArray[np.float64]) -> Draws:
    """
    Return the gas rate while the gas is on.

    Parameters
    ----------
    first : TankParameters
        Before all turns; D draws.
    turns : sequence of Turn
        In the order of time.
    hours : ndarray of float64, shape (N,)
        Since hour 0; at a turn, the rate after it [h].

    Returns
    -------
    ndarray of float64, shape (D, N)
        The rate [mg/L/h].
    """
    pieces = (first, *(turn.parameters for turn in turns))
    place = np.searchsorted([turn.hour for turn in turns], hours, side="right")
    return np.stack(
        [pieces[i].gas_mg_l_h * np.exp(-pieces[i].fall_per_h * hour) for i, hour in zip(place, hours, strict=True)],
        axis=1,
    )


def fall_std_per_day(steps: Iterable[Step], first_std: float) -> float:
    """Return how well the fading of the last piece is known beforehand, from that of the first [1/d]."""
    n_turned = sum(step.gas_std > 0.0 for step in steps)
    return float(np.hypot(first_std, _FALL_STD_PER_DAY * n_turned**0.5))


def _gas_std(event: Event) -> float:
    stds = (_REFILLED_STD * event.refilled, _TURNED_STD * event.gas_changed, _DIFFUSER_STD * event.diffuser)
    return max(stds)


def _hours(event: Event, midnight: datetime) -> float:
    return (event.at - midnight).total_seconds() / 3600.0
