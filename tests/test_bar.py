from __future__ import annotations

from xml.etree import ElementTree

import pytest
from hypothesis import given, strategies as st

from colorread.result import Interval
from colorread.words import bar_lines, bar_of, bar_svg
from colorread.words.verdict import Marks

ENDS = st.lists(st.floats(0.0, 900.0), min_size=3, max_size=3).map(sorted)


# A bar of 61 characters has one per mg/L.
@pytest.mark.parametrize(
    ("ends", "line"),
    [
        ((12.0, 18.0, 27.0), "─" * 12 + "━━━╋━━●━━━━━━━━━" + "──┼" + "─" * 30),
        ((20.0, 40.0, 90.0), "─" * 15 + "┼────" + "━" * 10 + "╋" + "━" * 9 + "●" + "━" * 19 + "▶"),
        ((None, None, 6.0), "◀" + "━" * 6 + "─" * 8 + "┼" + "─" * 14 + "┼" + "─" * 30),
        ((61.0, None, None), "─" * 15 + "┼" + "─" * 14 + "┼" + "─" * 29 + "▶"),
    ],
)
def test_bar_shows_interval_value_and_limits(ends: tuple[float | None, float | None, float | None], line: str) -> None:
    low, value, high = ends
    zones, drawn, labels = bar_lines(bar_of(Interval(value=value, low=low, high=high)), 61)
    assert drawn == line
    assert labels.index("15") == 15
    assert labels.index("30 fish") == 30
    assert 0 < zones.index("low") < 15 < zones.index("good") < 30 < zones.index("high")


def test_a_limit_of_its_own_is_labelled_and_ends_the_good_part() -> None:
    zones, line, labels = bar_lines(bar_of(Interval(value=10.0, low=8.0, high=12.0), Marks(fish_mg_l=22.0)), 61)
    assert labels.index("22 fish") == 22
    assert line.count("┼") == 3
    assert zones.index("high") > 22


def test_limits_beyond_the_end_are_left_out_and_labels_stay_apart() -> None:
    marks = Marks(plants_low_mg_l=12.5, plants_high_mg_l=80.0, fish_mg_l=13.0)
    _, line, labels = bar_lines(bar_of(Interval(value=40.0, low=30.0, high=50.0), marks), 61)
    assert line.count("┼") == 2
    assert "12.5" not in labels
    assert "80" not in labels


@given(ENDS, st.integers(16, 100))
def test_bar_keeps_its_width(ends: list[float], width: int) -> None:
    zones, line, labels = bar_lines(bar_of(Interval(value=ends[1], low=ends[0], high=ends[2])), width)
    assert len(line) == width
    assert max(len(zones), len(labels)) <= width


@given(ENDS)
def test_drawing_is_well_formed_and_in_order(ends: list[float]) -> None:
    drawn = bar_svg(Interval(value=ends[1], low=ends[0], high=ends[2]))
    svg = ElementTree.fromstring(drawn)
    (thick,) = (line for line in svg.iter("line") if line.get("stroke-width") == "7")
    (dot,) = svg.iter("circle")
    assert float(thick.get("x1", "nan")) <= float(dot.get("cx", "nan")) <= float(thick.get("x2", "nan"))
    assert "#" not in drawn.replace("#fff", "")  # no color but the paper's: it works without
