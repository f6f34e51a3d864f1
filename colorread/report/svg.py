"""The figures of a tank as SVG for a page, for a phone and for a wide window."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from html import escape

import matplotlib
from matplotlib.figure import Figure

from colorread.report.axes import LIGHT, Shape
from colorread.report.plot import MADE_UP, day_figure, drawn_readings, history_figure, recent_readings, week_figure
from colorread.result import Reading
from colorread.tank import TankSummary


def week_svgs(summary: TankSummary, readings: Sequence[Reading]) -> tuple[str, ...]:
    """
    Return the figure of the days for a page.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    readings : sequence of Reading
        All of the tank.

    Returns
    -------
    tuple of str
        SVG for a phone and for a wide window; none where there is nothing to draw.
    """
    shown = recent_readings(summary, readings)
    if summary.told is None and not shown:
        return ()
    label = "CO2 of tank and vial over the days, with the readings, the limits, and the hours of lights and gas."
    return _svgs(lambda shape: week_figure(summary, shown, shape, _page_title(summary)), "week", label)


def history_svgs(summary: TankSummary, readings: Sequence[Reading]) -> tuple[str, ...]:
    """
    Return the figure of all readings for a page.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    readings : sequence of Reading
        All of the tank.

    Returns
    -------
    tuple of str
        As from `week_svgs`; none where that shows them all.
    """
    timed = drawn_readings(summary, readings)
    if len(timed) == len(recent_readings(summary, readings)):
        return ()
    label = "All readings of the vial, with the limits."
    return _svgs(lambda shape: history_figure(summary, timed, shape, _page_title(summary)), "history", label)


def day_svgs(summary: TankSummary) -> tuple[str, ...]:
    """
    Return the figure of the simulated day for a page.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.

    Returns
    -------
    tuple of str
        As from `week_svgs`; none without a course.
    """
    told = summary.told
    if told is None:
        return ()
    label = (
        "Simulated CO2 of one day from midnight to midnight, as it is and with the recommended change if there is one."
    )
    return _svgs(lambda shape: day_figure(summary.tank, told.advice, shape, _page_title(summary)), "day", label)


def figure_svg(figure: Figure, name: str, label: str) -> str:
    """
    Return a figure as SVG to stand inside a page, its colors being CSS variables ``--plot-...``.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Drawn in the light colors of `colorread.report.axes.PLOT_COLORS`.
    name : str
        Class of the element; keeps what the figures of a page refer to apart.
    label : str
        What it shows, for those who do not see it.

    Returns
    -------
    str
        The ``svg`` element; it takes its font from the page and loads nothing.
    """
    file = io.StringIO()
    no_metadata = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(file, format="svg", metadata=no_metadata)
    drawn = file.getvalue()
    view = re.search(r'viewBox="[^"]*"', drawn)
    assert view is not None
    body = drawn[drawn.index(">", view.end()) + 1 :]
    body = re.sub(r"<style[^>]*>.*?</style>|<metadata>.*?</metadata>|<!--.*?-->", "", body, flags=re.DOTALL)
    body = re.sub(r"\s*\n\s*", "\n", body)
    body = re.sub(r'<g id="[^"]*"', "<g", body)  # the same in every figure, and nothing refers to them
    body = re.sub(r"font: ([\d.]+px) [^;\"]*", r"font-size: \1", body)
    for color, value in LIGHT.items():
        body = body.replace(value, f"var(--plot-{color})")
    return f'<svg class="{name}" {view[0]} role="img" aria-label="{escape(label)}">{body}'


def _svgs(draw: Callable[[Shape], Figure], name: str, label: str) -> tuple[str, ...]:
    shapes: tuple[Shape, ...] = ("narrow", "wide")
    return tuple(figure_svg(draw(shape), f"plot {shape} {name}", label) for shape in shapes)


def _page_title(summary: TankSummary) -> str:
    return MADE_UP if summary.tank.made_up else ""
