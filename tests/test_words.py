from __future__ import annotations

import pytest

from colorread.result import Interval
from colorread.words.phrases import NumberWords, co2_words, days_words, number_words, ph_words


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ((3.14, 2.4, 4.0), "3.1 h (2.4 to 4.0)"),
        ((9.97, 8.12, 12.3), "10 h (8 to 12)"),  # never "10.0"
        ((9.4, 8.6, 10.3), "9.4 h (8.6 to 10.3)"),
        ((24.2, 19.4, 30.0), "24 h (19 to 30)"),
        ((0.151, 0.1, 0.2), "0.15 h (0.10 to 0.20)"),
        ((1234.0, 900.0, 1500.0), "1234 h (900 to 1500)"),
        ((0.0, 0.0, 0.0), "0 h (0 to 0)"),
        ((-0.04, -3.2, 3.4), "0.0 h (−3.2 to 3.4)"),  # the wide interval decides, and zero has no sign
        ((12.0, 8.0, None), "12 h (8 or more)"),
        ((None, 4.0, None), "above 4.0 h"),
        ((None, None, 40.0), "below 40 h"),
    ],
)
def test_numbers_have_two_digits_that_count(ends: tuple[float | None, ...], words: str) -> None:
    value, low, high = ends
    assert number_words(Interval(value=value, low=low, high=high), "h").short() == words


def test_what_rises_may_get_a_plus_and_digits_may_be_asked_for() -> None:
    trend = Interval(value=2.6, low=-0.3, high=5.5)
    assert number_words(trend, "% a day", digits=0, signed=True).short() == "+3 % a day (0 to +6)"


def test_a_number_is_the_same_in_sentences_and_in_tables() -> None:
    co2 = co2_words(Interval(value=19.4, low=13.1, high=27.0))
    assert co2 == NumberWords(value="19", span="13 to 27", unit=" mg/L")
    assert co2.pair() == ("19 mg/L", "90 %: 13 to 27")
    assert co2.cells() == ("19 mg/L", "13 to 27 mg/L")
    assert ph_words(Interval(value=6.88, low=6.7, high=7.051)).pair() == ("6.88", "90 %: 6.70 to 7.05")


def test_one_end_alone_says_how_sure_it_is() -> None:
    co2 = co2_words(Interval(value=None, low=61.0, high=None))
    assert co2.pair() == ("above 61 mg/L", "a limit only, 95 % confident")
    assert co2.cells() == ("above 61 mg/L", "95 % confident")


def test_decimals_go_by_the_numbers_of_an_interval_and_not_by_its_least() -> None:
    assert days_words(Interval(value=0.694, low=0.001, high=3.23)).short() == "0.7 days (0.0 to 3.2)"
    assert days_words(Interval(value=9.9, low=5.0, high=100.0)).short() == "10 days (5 to 100)"
    assert number_words(Interval(value=9.9, low=5.0, high=100.0)).short() == "10 (5 to 100)"
    assert number_words(Interval(value=9.5, low=7.2, high=12.4)).short() == "9.5 (7.2 to 12.4)"
