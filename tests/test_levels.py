from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, strategies as st

from colorread.limits import SENSITIVE_FISH_LIMIT_MG_L, USUAL_FISH_LIMIT_MG_L
from colorread.result import LEVELS, NORMAL_95, Interval, Level, chance_above, level_for, level_of, limit_at_chance

# Half-widths of the 90 % interval that readings have with a profile and without (README), as pH.
WITH_PROFILE_PH, WITHOUT_PH = 0.11, 0.25


def shares(true_mg_l: tuple[float, float], half_width_ph: float, n: int = 4000) -> dict[Level, float]:
    """Return how many readings of water of so much CO2 get which level, with errors as large as stated."""
    random = np.random.default_rng(1)
    width = half_width_ph * math.log(10.0)
    values = random.uniform(*true_mg_l, n) * np.exp(random.normal(0.0, width / NORMAL_95, n))
    readings = (Interval(value=v, low=v * math.exp(-width), high=v * math.exp(width)) for v in map(float, values))
    levels = [level_of(reading, USUAL_FISH_LIMIT_MG_L) for reading in readings]
    return {level: levels.count(level) / n for level in LEVELS}


def test_a_right_tank_mostly_looks_right() -> None:
    with_profile, without = shares((15.0, 25.0), WITH_PROFILE_PH), shares((15.0, 25.0), WITHOUT_PH)
    assert with_profile["act"] < 0.05
    assert with_profile["watch"] < 0.20
    assert without["act"] < 0.05
    assert without["watch"] < 0.35


def test_far_too_much_is_hardly_ever_missed() -> None:
    assert shares((45.0, 45.0), WITH_PROFILE_PH)["act"] >= 0.95
    assert shares((45.0, 45.0), WITHOUT_PH)["no concern"] <= 0.03
    assert shares((60.0, 60.0), WITHOUT_PH)["act"] >= 0.90


positive = st.floats(0.1, 500.0)


@given(st.lists(positive, min_size=3, max_size=3).map(sorted), st.floats(1.0, 3.0))
def test_more_co2_never_calms(ends: list[float], factor: float) -> None:
    before, after = (
        level_of(Interval(low=ends[0] * by, value=ends[1] * by, high=ends[2] * by), USUAL_FISH_LIMIT_MG_L)
        for by in (1.0, factor)
    )
    assert LEVELS.index(after) >= LEVELS.index(before)


@given(st.lists(positive, min_size=3, max_size=3).map(sorted), positive)
def test_a_lower_limit_never_calms(ends: list[float], limit: float) -> None:
    reading = Interval(low=ends[0], value=ends[1], high=ends[2])
    assert LEVELS.index(level_of(reading, limit * 0.8)) >= LEVELS.index(level_of(reading, limit))


@pytest.mark.parametrize(
    ("ends", "limit", "chance"),
    [
        ((20.0, 30.0, 45.0), 30.0, 0.5),
        ((20.0, 30.0, 45.0), 45.0, 0.05),
        ((20.0, 30.0, 45.0), 20.0, 0.95),
        ((20.0, 30.0, 60.0), 60.0, 0.05),  # wider above than below: each end by its own side
        ((20.0, 30.0, 60.0), 20.0, 0.95),
        ((30.0, 30.0, 30.0), 31.0, 0.0),
        ((30.0, 30.0, 30.0), 29.0, 1.0),
        ((50.0, None, None), 30.0, 0.95),
        ((None, None, 5.0), 30.0, 0.05),
    ],
)
def test_the_chance_is_that_of_the_interval(
    ends: tuple[float | None, float | None, float | None], limit: float, chance: float
) -> None:
    low, value, high = ends
    assert chance_above(Interval(value=value, low=low, high=high), limit) == pytest.approx(chance, abs=1e-3)


@pytest.mark.parametrize("low", [10.0, 70.0])
def test_no_upper_end_is_always_act(low: float) -> None:
    assert level_of(Interval(value=None, low=low, high=None), USUAL_FISH_LIMIT_MG_L) == "act"


def test_levels_begin_at_their_probabilities() -> None:
    levels = [level_for(chance) for chance in (0.0, 0.219, 0.22, 0.749, 0.75, 1.0)]
    assert levels == ["no concern", "no concern", "watch", "watch", "act", "act"]
    assert SENSITIVE_FISH_LIMIT_MG_L < USUAL_FISH_LIMIT_MG_L


@given(value=st.floats(1.0, 60.0), below=st.floats(0.3, 0.95), above=st.floats(1.05, 3.0), chance=st.floats(0.01, 0.99))
def test_a_limit_for_a_chance_is_exceeded_with_it(value: float, below: float, above: float, chance: float) -> None:
    co2 = Interval(value=value, low=value * below, high=value * above)
    assert chance_above(co2, limit_at_chance(co2, chance)) == pytest.approx(chance, abs=1e-9)
