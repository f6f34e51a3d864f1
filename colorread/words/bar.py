"""The bar below a CO2 number, with zones, interval and limits; as text for terminals and as SVG for pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from colorread.result import Interval
from colorread.words.phrases import co2_words, templates_of
from colorread.words.verdict import USUAL_MARKS, Marks

END_MG_L = 60.0
"""End of the bar: twice the usual upper end of the plants' range, which puts that in the middle [mg/L]."""
_SVG_WIDTH, _SVG_EDGE = 320, 6
_SVG_LETTER = 7.7  # maximum width of a digit in the labels


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """
    The marks on a bar, placed as shares of its length.

    Parameters
    ----------
    low, high : float
        Ends of the interval.
    value : float or None
        The value; None if only one end is known.
    goes_left, goes_right : bool
        Whether the interval is open or extends beyond the bar.
    ticks : tuple of (float, str)
        Limits with their labels, the most important first, then the ends of the bar.
    zones : tuple of (float, float, str)
        Start, end, and word.
    """

    low: float
    high: float
    value: float | None
    goes_left: bool
    goes_right: bool
    ticks: tuple[tuple[float, str], ...]
    zones: tuple[tuple[float, float, str], ...]


def bar_of(co2_mg_l: Interval, marks: Marks = USUAL_MARKS) -> Bar:
    """
    Return the bar of a CO2 value.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval; an open end is None [mg/L].
    marks : Marks
        Plants' range and fish limit.

    Returns
    -------
    Bar
        With shares from 0 to 1; anything beyond the bar is put at its end.
    """

    def share(mg_l: float) -> float:
        return min(max(mg_l / END_MG_L, 0.0), 1.0)

    low = 0.0 if co2_mg_l.low is None else share(co2_mg_l.low)
    high = 1.0 if co2_mg_l.high is None else share(co2_mg_l.high)
    fish, plants_low = marks.fish_mg_l, marks.plants_low_mg_l
    good_until = max(min(marks.plants_high_mg_l, fish), plants_low)
    limits = {fish: f"{fish:g} fish limit"}
    for mg_l in (plants_low, marks.plants_high_mg_l):
        limits.setdefault(mg_l, f"{mg_l:g}")
    zones = ((0.0, plants_low, "low"), (plants_low, good_until, "good"), (good_until, END_MG_L, "high"))
    return Bar(
        low=low,
        high=high,
        value=None if co2_mg_l.value is None else share(co2_mg_l.value),
        goes_left=co2_mg_l.low is None,
        goes_right=co2_mg_l.high is None or co2_mg_l.high > END_MG_L,
        ticks=(
            *((share(mg_l), label) for mg_l, label in limits.items() if mg_l <= END_MG_L),
            (0.0, "0"),
            (1.0, f"{END_MG_L:g}"),
        ),
        zones=tuple((share(start), share(end), word) for start, end, word in zones if start < end),
    )


def bar_lines(bar: Bar, width: int) -> tuple[str, str, str]:
    """
    Draw a bar as text.

    Parameters
    ----------
    bar : Bar
        The bar.
    width : int
        Width in characters.

    Returns
    -------
    tuple of str
        Three lines: words of the zones; the bar, with a heavy line for the interval, a dot for the value, crosses for
        limits and arrows at open ends; and the labels that there is room for.
    """

    def column(share: float) -> int:
        return round(share * (width - 1))

    inside = range(column(bar.low), column(bar.high) + 1)
    crossed = {column(share) for share, label in bar.ticks if 0.0 < share < 1.0}
    line = [("╋" if i in crossed else "━") if i in inside else "┼" if i in crossed else "─" for i in range(width)]
    if bar.value is not None:
        line[column(bar.value)] = "●"
    if bar.goes_left:
        line[0] = "◀"
    if bar.goes_right:
        line[-1] = "▶"
    words, labels = [" "] * width, [" "] * width
    for start, end, word in bar.zones:
        _put(words, (column(start) + column(end)) // 2 - len(word) // 2, word)
    for share, label in bar.ticks:
        _put(labels, min(column(share), width - len(label)), label)
    zones, drawn, below = ("".join(signs).rstrip() for signs in (words, line, labels))
    return zones, drawn, below


def _put(signs: list[str], start: int, text: str) -> None:
    """Put a text if there is room for it and a space on either side."""
    if start >= 0 and not "".join(signs[max(start - 1, 0) : start + len(text) + 1]).strip():
        signs[start : start + len(text)] = text[: len(signs) - start]


def place_labels(
    bar: Bar, x_of: Callable[[float], float], width_of: Callable[[str], float], ends: tuple[float, float]
) -> list[tuple[float, str]]:
    """
    Place the labels of a drawn bar, each with its number below its tick.

    Parameters
    ----------
    bar : Bar
        The bar.
    x_of : callable
        Returns the position of a share of the bar.
    width_of : callable
        Returns the width of a text.
    ends : tuple of float
        Positions between which labels must stay.

    Returns
    -------
    list of (float, str)
        Start and text of the labels; where labels overlap, the less important are left out.
    """
    placed: list[tuple[float, str]] = []
    for share, label in bar.ticks:
        width = width_of(label)
        start = min(max(x_of(share) - width_of(label.split()[0]) / 2.0, ends[0]), ends[1] - width)
        gap = width_of("0")
        if all(start + width + gap <= other or start >= other + width_of(text) + gap for other, text in placed):
            placed.append((start, label))
    return placed


def bar_svg(co2_mg_l: Interval, marks: Marks = USUAL_MARKS) -> str:
    """
    Draw a bar for a page, in the color of the text around it.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval [mg/L].
    marks : Marks
        Plants' range and fish limit.

    Returns
    -------
    str
        SVG element.
    """
    bar = bar_of(co2_mg_l, marks)

    def x_of(share: float) -> float:
        return round(_SVG_EDGE + share * (_SVG_WIDTH - 2 * _SVG_EDGE), 1)

    labels = place_labels(bar, x_of, lambda text: _SVG_LETTER * len(text), (0.0, _SVG_WIDTH))
    words = f"CO2 {co2_words(co2_mg_l).short()} on a bar from low to high"
    template = templates_of("colorread.words").get_template("bar.svg")
    return template.render(bar=bar, x=x_of, labels=labels, words=words, width=_SVG_WIDTH, edge=_SVG_EDGE)
