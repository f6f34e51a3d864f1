from __future__ import annotations

from xml.etree import ElementTree

from hypothesis import given, strategies as st

from colorread.result import Interval
from colorread.words import bar_lines, bar_of, bar_svg
from colorread.words.verdict import Marks

ENDS = st.lists(st.integers(0, 900), min_size=3, max_size=3).map(sorted)


@given(ENDS, st.sampled_from((None, "low", "high")))
def test_each_sign_stands_at_its_number(ends: list[int], open_end: str | None) -> None:
    low, value, high = (float(end) for end in ends)
    at_ends = {"low": low, "high": high} | ({} if open_end is None else {open_end: None})
    co2 = Interval(value=None if open_end else value, **at_ends)
    zones, line, labels = bar_lines(bar_of(co2), 61)  # of 61 characters there is one per mg/L
    start = 0 if co2.low is None else min(ends[0], 60)
    end = 60 if co2.high is None else min(ends[2], 60)
    assert [i for i, sign in enumerate(line) if sign not in "─┼"] == list(range(start, end + 1))
    assert ((line[0] == "◀"), (line[-1] == "▶")) == (co2.low is None, co2.high is None or co2.high > 60.0)
    if co2.value is not None and 0.0 < co2.value < 60.0:
        assert line[ends[1]] == "●"
    assert (labels.index("15"), labels.index("30 fish")) == (15, 30)
    assert 0 < zones.index("low") < 15 < zones.index("good") < 30 < zones.index("high")


def test_limits_of_a_tank_end_the_good_part_and_those_beyond_the_bar_are_left_out() -> None:
    co2 = Interval(value=40.0, low=31.0, high=50.0)
    zones, line, labels = bar_lines(bar_of(co2, Marks(fish_mg_l=22.0)), 61)
    assert labels.index("22 fish") == 22
    assert line[22] == "┼"
    assert zones.index("good") + len("good") <= 22 < zones.index("high")
    crowded = Marks(plants_low_mg_l=12.5, plants_high_mg_l=80.0, fish_mg_l=13.0)
    _, line, labels = bar_lines(bar_of(co2, crowded), 61)
    assert line.count("┼") == 2
    assert "12.5" not in labels  # no room beside 13
    assert "80" not in labels


@given(ENDS, st.integers(16, 100))
def test_bar_keeps_its_width(ends: list[int], width: int) -> None:
    zones, line, labels = bar_lines(bar_of(Interval(value=ends[1], low=ends[0], high=ends[2])), width)
    assert len(line) == width
    assert max(len(zones), len(labels)) <= width


@given(ENDS)
def test_drawing_is_well_formed_and_in_order_and_needs_no_color(ends: list[int]) -> None:
    drawn = bar_svg(Interval(value=ends[1], low=ends[0], high=ends[2]))
    svg = ElementTree.fromstring(drawn)
    (thick,) = (line for line in svg.iter("line") if line.get("stroke-width") == "7")
    (dot,) = svg.iter("circle")
    assert float(thick.get("x1", "nan")) <= float(dot.get("cx", "nan")) <= float(thick.get("x2", "nan"))
    assert "#" not in drawn.replace("#fff", "")  # no color but the paper's
