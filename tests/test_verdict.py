from __future__ import annotations

import math
import re
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

import colorread
from colorread.flags import FLAG_TEXTS, flag_text
from colorread.gas_care import SourceKind, less_gas
from colorread.reading import Interval
from colorread.verdict import Marks, judge
from colorread.words import co2_words


def interval(low: float | None, value: float | None, high: float | None) -> Interval:
    return Interval(value=value, low=low, high=high)


# The marks: 15 to 30 mg/L for plants (common practice); 25 and 35 mg/L on the upper end for fish (assumption).
@pytest.mark.parametrize(
    ("low", "value", "high", "plants", "fish"),
    [
        (4.0, 6.0, 9.0, "too little", "no concern read"),
        (9.0, 12.0, 14.9, "too little", "no concern read"),
        (18.0, 20.0, 25.0, "enough", "no concern read"),
        (18.0, 20.0, 25.1, "enough", "watch"),
        (18.0, 25.0, 35.0, "enough", "watch"),
        (18.0, 25.0, 35.1, "enough", "act"),
        (12.0, 18.0, 27.0, "enough", "watch"),
        (9.0, 12.0, 17.0, "cannot tell", "no concern read"),
        (5.0, 20.0, 80.0, "cannot tell", "act"),
        (25.0, 45.0, 80.0, "cannot tell", "act"),
        (31.0, 40.0, 55.0, "more than needed", "act"),
        (50.0, 60.0, 80.0, "more than needed", "act"),
        (20.0, 20.0, 20.0, "enough", "no concern read"),
    ],
)
def test_plants_are_judged_on_the_whole_interval_and_fish_on_its_upper_end(
    low: float, value: float, high: float, plants: str, fish: str
) -> None:
    verdict = judge(interval(low, value, high))
    assert (verdict.plants, verdict.fish) == (plants, fish)


@pytest.mark.parametrize(("low", "plants"), [(20.0, "cannot tell"), (61.0, "more than needed")])
def test_open_upper_end_means_act(low: float, plants: str) -> None:
    verdict = judge(interval(low, None, None))
    assert (verdict.plants, verdict.fish) == (plants, "act")


@pytest.mark.parametrize(
    ("ends", "mark", "fish"),
    [
        ((40.0, 45.0, 50.0), 40.0, "watch"),
        ((40.0, 45.0, 50.1), 40.0, "act"),
        ((60.0, 70.0, 85.0), 100.0, "act"),
        ((10.0, 12.0, 14.0), 10.0, "watch"),
        ((10.0, 12.0, 14.1), 10.0, "act"),
    ],
)
def test_no_mark_silences_what_harms_fish(ends: tuple[float, float, float], mark: float, fish: str) -> None:
    # 1.4 times the mark, 50 mg/L at most: at 56 mg/L abnormal mortality was found.
    assert judge(interval(*ends), Marks(fish_mg_l=mark)).fish == fish


@pytest.mark.parametrize(
    ("ends", "little"),
    [
        ((20.0, 30.0, 40.0), True),
        ((25.0, 30.0, 40.0), True),
        ((25.1, 30.0, 40.0), False),
        ((60.0, 70.0, 80.0), False),
        ((10.0, None, None), False),
        ((40.0, None, None), False),
    ],
)
@pytest.mark.parametrize("source", [None, *get_args(SourceKind)])
def test_a_little_less_gas_is_advised_only_where_the_mark_may_be_kept(
    ends: tuple[float, float | None, float | None], source: SourceKind | None, *, little: bool
) -> None:
    advice = judge(interval(*ends), Marks(source=source)).sentences[2]
    assert advice == f"Look at the fish now; {less_gas(source, a_little=little)}."
    assert less_gas(source, a_little=True) != less_gas(source)


@pytest.mark.parametrize(("high", "plants"), [(6.0, "too little"), (20.0, "cannot tell")])
def test_open_lower_end_counts_from_nothing(high: float, plants: str) -> None:
    verdict = judge(interval(None, None, high))
    assert (verdict.plants, verdict.fish) == (plants, "no concern read")


positive = st.floats(0.1, 500.0)


@given(st.lists(positive, min_size=3, max_size=3).map(sorted))
def test_every_verdict_warns_of_delay_and_never_calls_anything_safe(ends: list[float]) -> None:
    verdict = judge(interval(*ends))
    text = " ".join(verdict.sentences + verdict.cautions).lower()
    assert not re.search(r"\bsafe|harmless|no danger", text)
    assert ("asks for 20 mg/l or less over long times" in text) == (ends[2] > 20.0)
    assert "hours behind" in text
    assert "veterinar" in text
    assert len(verdict.sentences) == 3
    alarmed = verdict.fish != "no concern read"
    for sign in (
        "gasping",
        "gill",
        "letharg",
        "stop the gas",
        "surface",
        "dechlorinated",
        "like temperature and hardness",
    ):
        assert (sign in text) == alarmed


@given(st.lists(positive, min_size=3, max_size=3).map(sorted), st.floats(1.0, 100.0))
def test_a_higher_upper_end_never_calms(ends: list[float], more: float) -> None:
    order = ["no concern read", "watch", "act"]
    before, after = judge(interval(*ends)), judge(interval(ends[0], ends[1], ends[2] + more))
    assert order.index(after.fish) >= order.index(before.fish)


def test_what_the_literature_asks_for_does_not_contradict_the_mark() -> None:
    below, between, above = (judge(interval(high - 5.0, high - 3.0, high)).sentences[1] for high in (19.0, 23.0, 27.0))
    assert "literature" not in below
    assert between.endswith("The mark of 25 mg/L is an assumption; a lower one can be set.")
    assert above.endswith("asks for 20 mg/L or less over long times.")


def test_the_upper_end_is_named() -> None:
    assert "42 mg/L" in judge(interval(20.0, 30.0, 42.0)).sentences[1]


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        ((3.6, 5.8, 9.5), "its upper end of 9.5 mg/L"),
        ((None, None, 3.5), "its upper end of 3.5 mg/L"),
        ((None, None, 1.2), "its upper end of 1.2 mg/L"),
        ((8.0, 10.0, 12.5), "its upper end of 12 mg/L"),
    ],
)
def test_the_upper_end_has_the_decimals_of_the_reading(
    ends: tuple[float | None, float | None, float], told: str
) -> None:
    assert told in judge(interval(*ends)).sentences[1]
    assert co2_words(interval(*ends)).short().rstrip(" mg/L)").endswith(told.split()[4])


def test_no_sentence_names_infinity() -> None:
    assert not any("inf" in sentence for sentence in judge(interval(5.0, None, None)).sentences)
    assert not any("inf" in sentence for sentence in judge(interval(5.0, 9.0, math.inf)).sentences)


def test_a_coin_toss_is_not_called_likely() -> None:
    # Half of 10 to 23 mg/L, as pH, lies between the marks.
    verdict = judge(interval(10.0, 15.0, 23.0))
    assert verdict.plants == "cannot tell"
    assert "not certain" in verdict.sentences[0]


def test_the_marks_of_a_tank_count() -> None:
    reading = interval(15.0, 18.0, 23.0)
    assert judge(reading).fish == "no concern read"
    assert judge(reading, Marks(fish_mg_l=20.0)).fish == "watch"
    assert judge(reading, Marks(fish_mg_l=15.0)).fish == "act"
    own = judge(reading, Marks(plants_low_mg_l=25.0, plants_high_mg_l=40.0))
    assert own.sentences[0] == "Plants: less CO2 than the 25 to 40 mg/L."


def test_advice_never_says_to_wait_with_turning_the_gas_down() -> None:
    text = " ".join(judge(interval(60.0, 80.0, 100.0)).cautions)
    assert "stop the gas" in text
    assert "Give more gas again in small steps only, two days apart" in text


def test_every_flag_of_the_program_has_words_and_no_words_are_left_over() -> None:
    home = Path(colorread.__file__).parent
    sources = [path.read_text(encoding="utf-8") for path in home.rglob("*.py") if path.name != "flags.py"]
    raised = {code for text in sources for code in re.findall(r'flags\.append\("([a-z-]+)"\)', text)}
    assert raised
    assert raised <= FLAG_TEXTS.keys()
    assert all(any(f'"{code}"' in text for text in sources) for code in FLAG_TEXTS)


def test_unknown_flag_comes_back_as_it_is() -> None:
    assert flag_text("of-a-later-version") == ("of-a-later-version", "")


def test_what_is_said_agrees_with_the_numbers_as_they_are_printed() -> None:
    assert "perhaps within" in judge(interval(9.0, 14.94, 24.0)).sentences[0]  # printed as 15
    assert "rather less" in judge(interval(9.0, 14.4, 24.0)).sentences[0]
    own = Marks(plants_low_mg_l=8.0, plants_high_mg_l=10.0)
    assert "rather less" in judge(interval(5.0, 7.6, 12.0), own).sentences[0]  # printed as 7.6
    assert "just above the mark of 25 mg/L" in judge(interval(18.0, 20.0, 25.4)).sentences[1]
    assert "as high as 26 mg/L, above the mark of 25 mg/L" in judge(interval(18.0, 20.0, 25.6)).sentences[1]
