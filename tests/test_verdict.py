from __future__ import annotations

import re
from typing import get_args

import pytest
from hypothesis import given, strategies as st

from colorread.result import Interval, chance_above
from colorread.words.gas_care import SourceKind, less_gas_words
from colorread.words.verdict import CALIBRATE, WELFARE_CAUTION, Marks, judge


def interval(low: float | None, value: float | None, high: float | None) -> Interval:
    return Interval(value=value, low=low, high=high)


@pytest.mark.parametrize(
    ("low", "value", "high", "plants", "fish"),
    [
        (4.0, 6.0, 9.0, "too little", "no concern"),
        (16.0, 21.0, 28.0, "enough", "no concern"),
        (10.0, 15.0, 23.0, "cannot tell", "no concern"),  # a coin toss is not called probable
        (9.0, 18.0, 24.0, "cannot tell", "no concern"),  # rather too little than too much
        (18.0, 29.0, 46.0, "enough", "watch"),
        (28.0, 38.0, 52.0, "more than needed", "act"),
        (61.0, None, None, "more than needed", "act"),
        (20.0, None, None, "enough", "act"),
        (8.0, None, None, "cannot tell", "act"),
        (None, None, 6.0, "too little", "no concern"),
    ],
)
def test_plants_and_fish_are_judged_by_probability(
    low: float | None, value: float | None, high: float | None, plants: str, fish: str
) -> None:
    verdict = judge(interval(low, value, high))
    assert (verdict.plants, verdict.fish) == (plants, fish)


@pytest.mark.parametrize("source", [None, *get_args(SourceKind)])
@pytest.mark.parametrize(
    ("ends", "little"), [((25.0, 40.0, 60.0), True), ((60.0, 70.0, 80.0), False), ((40.0, None, None), False)]
)
def test_a_little_less_gas_is_advised_only_where_the_limit_may_be_kept(
    ends: tuple[float, float | None, float | None], source: SourceKind | None, *, little: bool
) -> None:
    assert less_gas_words(source, a_little=little) in judge(interval(*ends), Marks(source=source)).sentences[2]
    assert less_gas_words(source, a_little=True) != less_gas_words(source)


@given(st.lists(st.floats(0.1, 500.0), min_size=3, max_size=3).map(sorted), st.sampled_from((None, "low", "high")))
def test_every_verdict_has_its_cautions_and_never_calls_anything_safe(ends: list[float], open_end: str | None) -> None:
    low, high = None if open_end == "low" else ends[0], None if open_end == "high" else ends[2]
    verdict = judge(interval(low, None if open_end else ends[1], high))
    text = " ".join(verdict.sentences + verdict.cautions).lower()
    assert not re.search(r"\bsafe|harmless|no danger|\binf|\bnan", text)
    assert (WELFARE_CAUTION in verdict.cautions) == (high is None or high > 20.0)
    assert "veterinar" in text
    assert len(verdict.sentences) == 3
    for sign in ("gasp", "breathe fast", "stop the gas", "air stone", "dechlorinated", "same temperature and hardness"):
        assert (sign in text) == (verdict.fish != "no concern")


def test_where_an_uncalibrated_interval_makes_it_unclear_that_is_said() -> None:
    unclear, clear, far = interval(18.0, 29.0, 46.0), interval(18.0, 20.0, 25.0), interval(40.0, 60.0, 90.0)
    assert CALIBRATE in judge(unclear, calibrated=False).sentences[2]
    assert CALIBRATE not in judge(unclear).sentences[2]
    assert CALIBRATE not in judge(clear, calibrated=False).sentences[2]
    assert CALIBRATE not in judge(far, calibrated=False).sentences[2]
    assert CALIBRATE not in judge(unclear, Marks(fish_mg_l=15.0), calibrated=False).sentences[2]  # there is more to do


def test_the_chance_and_the_limit_are_named() -> None:
    reading = interval(18.0, 29.0, 46.0)
    sentence = judge(reading, Marks(fish_mg_l=28.0)).sentences[1]
    assert f"{100.0 * chance_above(reading, 28.0):.0f} %" in sentence
    assert "28 mg/L" in sentence


@pytest.mark.parametrize(
    ("ends", "end"), [((3.6, 5.8, 9.5), "9.5"), ((None, None, 1.2), "1.2"), ((8.0, 10.0, 12.5), "12")]
)
def test_the_upper_end_has_the_decimals_of_the_reading(
    ends: tuple[float | None, float | None, float], end: str
) -> None:
    assert f"({end})" in judge(interval(*ends)).sentences[1]
    assert "(30) is under" not in judge(interval(20.0, 24.0, 29.8)).sentences[1]  # which is printed as the limit


def test_the_limits_of_a_tank_count() -> None:
    reading = interval(15.0, 18.0, 23.0)
    fish = [judge(reading, Marks(fish_mg_l=limit)).fish for limit in (30.0, 18.0, 14.0)]
    assert fish == ["no concern", "watch", "act"]
    own = judge(reading, Marks(plants_low_mg_l=25.0, plants_high_mg_l=40.0))
    assert own.plants == "too little"
    assert "25 to 40 mg/L" in own.sentences[0]
