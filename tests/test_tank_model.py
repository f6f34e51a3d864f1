from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.integrate import solve_ivp

from colorread.tank.model import Schedule, TankParameters, is_on, settled_state, simulate
from colorread.tank.settings import DailySpan, parse_span

ALL_DAY = parse_span("00:00-24:00")
WEEK = Schedule(gas=parse_span("08:00-18:00"), lights=parse_span("10:00-18:00"))


def parameters(**changes: float) -> TankParameters:
    usual = {
        "gas_mg_l_h": 5.0,
        "fall_per_h": 0.0025,
        "loss_per_h": 0.17,
        "uptake_per_h": 0.02,
        "base_mg_l": 0.8,
        "lag_h": 2.0,
    }
    return TankParameters(**{name: np.array([value]) for name, value in {**usual, **changes}.items()})


def by_solver(p: TankParameters, schedule: Schedule, hours: np.ndarray, start: tuple[float, float]) -> np.ndarray:
    """The same two boxes by an independent stiff solver with its own reading of the schedule."""
    value = {field.name: getattr(p, field.name)[0] for field in fields(p)}

    def on(span: DailySpan, hour: float) -> bool:
        begin = span.on.hour + span.on.minute / 60
        end = span.off.hour + span.off.minute / 60
        of_day = hour % 24
        if begin == end:
            return True
        return begin <= of_day < end if begin < end else not end <= of_day < begin

    def slopes(hour: float, state: np.ndarray) -> list[float]:
        lit = schedule.lights is not None and on(schedule.lights, hour)
        gas = value["gas_mg_l_h"] * np.exp(-value["fall_per_h"] * hour) * on(schedule.gas, hour)
        loss = value["loss_per_h"] * (schedule.night_loss_factor if schedule.lights is not None and not lit else 1.0)
        uptake = value["uptake_per_h"] * lit * state[0]
        return [gas - loss * (state[0] - value["base_mg_l"]) - uptake, (state[0] - state[1]) / value["lag_h"]]

    return solve_ivp(slopes, (0, hours[-1]), start, t_eval=hours, method="LSODA", max_step=0.25, rtol=1e-8).y


@given(
    gas=st.floats(0.1, 20),
    fall=st.floats(-0.01, 0.02),
    loss=st.floats(0.02, 0.6),
    uptake=st.floats(0.0, 0.2),
    lag=st.floats(0.3, 8),
    on=st.integers(0, 23),
    hours=st.integers(1, 24),
    night=st.floats(1.0, 2.0),
)
def test_follows_an_independent_solver(
    gas: float, fall: float, loss: float, uptake: float, lag: float, on: int, hours: int, night: float
) -> None:
    span = parse_span(f"{on:02d}:30-{(on + hours) % 24:02d}:30")
    schedule = Schedule(gas=span, lights=parse_span("10:00-18:00"), night_loss_factor=night)
    p = parameters(gas_mg_l_h=gas, fall_per_h=fall, loss_per_h=loss, uptake_per_h=uptake, lag_h=lag)
    times = np.array([0.0, 3.3, 10.0, 17.9, 25.0, 31.5])
    tank, vial = simulate(p, schedule, times, np.array([[12.0], [9.0]]))
    expected = by_solver(p, schedule, times, (12.0, 9.0))
    np.testing.assert_allclose(tank[0], expected[0], rtol=0.005, atol=0.02)
    np.testing.assert_allclose(vial[0], expected[1], rtol=0.005, atol=0.02)


def test_follows_the_textbook_solution_of_two_linear_boxes() -> None:
    # Constant inflow: C = Ceq + (C0 - Ceq) exp(-k t); V follows with its own exponential.
    p = parameters(fall_per_h=0.0, uptake_per_h=0.0)
    times = np.linspace(0.0, 40.0, 9)
    tank, vial = simulate(p, Schedule(gas=ALL_DAY, lights=None), times, np.array([[3.0], [1.0]]))
    k, tau = 0.17, 2.0
    level = 5.0 / k + 0.8
    weight = (3.0 - level) / (1.0 - k * tau)
    expected = level + weight * np.exp(-k * times) + (1.0 - level - weight) * np.exp(-times / tau)
    np.testing.assert_allclose(tank[0], level + (3.0 - level) * np.exp(-k * times), rtol=1e-12)
    np.testing.assert_allclose(vial[0], expected, rtol=1e-12)


@pytest.mark.parametrize("changes", [{"lag_h": 1.0 / 0.19}, {"fall_per_h": 0.19}, {"lag_h": 100.0, "fall_per_h": 0.01}])
def test_equal_rates_give_finite_numbers_like_their_neighbors(changes: dict[str, float]) -> None:
    times = np.linspace(0.0, 30.0, 7)
    start = np.array([[10.0], [8.0]])
    exact = simulate(parameters(**changes), WEEK, times, start)
    near = simulate(parameters(**{name: value * 1.0001 for name, value in changes.items()}), WEEK, times, start)
    np.testing.assert_allclose(exact, near, rtol=1e-3)


def test_a_settled_day_repeats_itself() -> None:
    p = replace(parameters(), fall_per_h=np.array([0.0]))
    settled = settled_state(p, WEEK, days=6)
    again = simulate(p, WEEK, np.array([24.0]), settled)
    np.testing.assert_allclose(again[..., 0], settled, rtol=1e-4)


@given(on=st.integers(0, 23), hours=st.integers(1, 24), hour=st.floats(0, 100))
def test_a_span_is_on_for_its_hours_also_over_midnight(on: int, hours: int, hour: float) -> None:
    span = parse_span(f"{on:02d}:00-{(on + hours) % 24:02d}:00")
    assert span.hours == hours
    grid = np.arange(0.0, 24.0, 0.25)
    assert sum(is_on(span, value) for value in grid) == hours * 4
    assert is_on(span, hour) == is_on(span, hour + 24.0) or min((hour - on) % 1.0, 1 - (hour - on) % 1.0) < 1e-6
