from __future__ import annotations

from typing import get_args

import pytest

from colorread.result import Interval
from colorread.words.gas_care import SourceKind, gas_cautions, less_gas_words
from colorread.words.verdict import Marks, judge

BOTTLES: tuple[SourceKind, ...] = ("fermentation", "acid-bicarbonate")


@pytest.mark.parametrize("source", BOTTLES)
@pytest.mark.parametrize("value", [26.0, 38.0, 70.0])
def test_a_bottle_is_never_told_to_be_turned_or_closed(source: SourceKind, value: float) -> None:
    verdict = judge(Interval(value=value, low=0.75 * value, high=1.35 * value), Marks(source=source))
    text = " ".join(verdict.sentences + verdict.cautions).lower()
    assert "turn the gas" not in text
    assert text.count("stop the gas") == text.count("stop the gas (diy bottle: pull the hose out of the tank")
    assert text.count("hose out of the tank") == text.count("hose out of the tank, never close")


@pytest.mark.parametrize("a_little", [False, True])
def test_where_the_source_is_not_known_both_ways_are_told(a_little: bool) -> None:
    assert "hose" not in less_gas_words("cylinder", a_little=a_little)
    text = less_gas_words(None, a_little=a_little)
    assert text.startswith(less_gas_words("cylinder", a_little=a_little))
    assert "hose out of the tank, never close" in text


@pytest.mark.parametrize("source", get_args(SourceKind))
def test_cautions_are_of_the_room_and_of_the_source(source: SourceKind) -> None:
    room, *own = gas_cautions(source)
    assert "entilate" in room
    text = " ".join(own)
    hazards = {
        "bottle": ("never seal", "pinch", "pressure-rated", "tipping", "check valve", "trap bottle", "diffuser"),
        "cylinder": ("upright", "secured", "heat and sun", "check valve", "rush"),
    }
    assert all(word in text for word in hazards["bottle" if source in BOTTLES else "cylinder"])
    assert set(own) < set(gas_cautions(None))
    assert len(set(gas_cautions(None))) == len(gas_cautions(None))
