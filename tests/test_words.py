from __future__ import annotations

import re

import pytest
from hypothesis import example, given, strategies as st

from colorread.result import Interval
from colorread.words.phrases import as_typed, co2_words, days_words, number_words, ph_words


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ((3.14, 2.4, 4.0), "3.1 h (2.4 to 4.0)"),
        ((9.97, 8.12, 12.3), "10 h (8 to 12)"),  # never "10.0"
        ((0.151, 0.1, 0.2), "0.15 h (0.10 to 0.20)"),
        ((1234.0, 900.0, 1500.0), "1234 h (900 to 1500)"),
        ((-0.04, -3.2, 3.4), "0.0 h (−3.2 to 3.4)"),  # the wide interval decides, and zero has no sign
        ((9.9, 5.0, 100.0), "10 h (5 to 100)"),  # no decimals beside a far larger end
        ((12.0, 8.0, None), "12 h (8 or more)"),
        ((None, 4.0, None), "above 4.0 h"),
        ((None, None, 40.0), "below 40 h"),
    ],
)
def test_numbers_have_two_digits_that_count(ends: tuple[float | None, ...], words: str) -> None:
    value, low, high = ends
    assert number_words(Interval(value=value, low=low, high=high), "h").short() == words


@given(st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3).map(sorted))
@example([0.0, 0.0, 1.5])
def test_numbers_are_told_in_order_and_close_to_what_they_are(ends: list[float]) -> None:
    words = number_words(Interval(low=ends[0], value=ends[1], high=ends[2])).short().replace("−", "-")
    value, low, high = map(float, re.findall(r"-?[\d.]+", words))
    assert low <= value <= high
    largest = max(map(abs, ends))
    assert [low, value, high] == pytest.approx(ends, abs=max(0.06 * largest, 1e-3))


def test_what_rises_may_get_a_plus_and_digits_may_be_asked_for() -> None:
    trend = Interval(value=2.6, low=-0.3, high=5.5)
    assert number_words(trend, "% a day", digits=0, signed=True).short() == "+3 % a day (0 to +6)"
    assert days_words(Interval(value=0.694, low=0.001, high=3.23)).short() == "0.7 days (0.0 to 3.2)"


def test_a_number_is_the_same_in_sentences_and_in_tables() -> None:
    co2 = co2_words(Interval(value=19.4, low=13.1, high=27.0))
    assert co2.pair() == ("19 mg/L", "90 %: 13 to 27")
    assert co2.cells() == ("19 mg/L", "13 to 27 mg/L")
    assert ph_words(Interval(value=6.88, low=6.7, high=7.051)).pair() == ("6.88", "90 %: 6.70 to 7.05")
    one_sided = co2_words(Interval(value=None, low=61.0, high=None))
    assert one_sided.pair()[0] == one_sided.cells()[0] == "above 61 mg/L"
    assert (one_sided.pair()[1], one_sided.cells()[1]) == ("90 % confidence", "")
    assert days_words(Interval(value=9.8, low=0.5, high=None)).cells() == ("9.8 days", "0.5 days or more")


@pytest.mark.parametrize(
    ("system", "word", "typed"),
    [
        ("posix", "window", "window"),
        ("posix", "my tank", "'my tank'"),
        ("nt", "window", "window"),
        ("nt", "my tank", '"my tank"'),
        ("nt", r"C:\Users\me\log.sqlite", r"C:\Users\me\log.sqlite"),
        ("nt", r"C:\fish & plants", r'"C:\fish & plants"'),
    ],
)
def test_a_word_of_a_command_is_quoted_as_its_terminal_needs_it(
    system: str, word: str, typed: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.name", system)
    assert as_typed(word) == typed
