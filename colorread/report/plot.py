"""Figures of a tank: its CO2 over the days, all its readings, and one day with and without a change."""

from __future__ import annotations

import io
import math
import os
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime, time, timedelta
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import CARETUP
from matplotlib.path import Path as MarkerPath

from calibration import write_whole
from colorread.report.axes import DASHES, DOTS, HOURS_PER_DAY, LIGHT, Shape, Strip, draw_edge, draw_marks, new_figure
from colorread.result import Interval, Reading
from colorread.tank import WINDOW_DAYS, Advice, Tank, TankSummary, event_letters, wall_clock

if TYPE_CHECKING:
    from colorread.log import LogEntry

MADE_UP = "Made-up demo data, not a real tank"
Legend = list[tuple[Any, str]]
Timed = Sequence[tuple[datetime, Interval]]
_Placed = Sequence[tuple[float, Interval]]
_DAYS_LABELLED: dict[Shape, int] = {"narrow": 5, "wide": 14}
_HOURS_LABELLED: dict[Shape, int] = {"narrow": 6, "wide": 3}
_ARROW_PT = 44  # twice its length, since a marker is as large below its place as above
_ARROW = np.array([(-2, 0), (2, 0), (0, 0), (0, 7), (-1.5, 5), (0, 9), (1.5, 5), (0, 7)])
_STROKES = [MarkerPath.MOVETO, MarkerPath.LINETO] * 2 + [MarkerPath.MOVETO] + [MarkerPath.LINETO] * 3
_ARROW_UP, _ARROW_DOWN = MarkerPath(_ARROW, _STROKES), MarkerPath(_ARROW * (1, -1), _STROKES)
_ARROW_STYLE: dict[str, Any] = {"color": LIGHT["ink"], "ls": "none", "markeredgewidth": 1.4}
_HEAD_PT = 9
_PRINT_DPI = 150
_HISTORY_HEIGHT = 0.6  # of that of the week


def drawn_readings(summary: TankSummary, readings: Iterable[Reading]) -> list[tuple[datetime, Interval]]:
    """Return time and CO2 of those that have both, but for those of a clock that ran ahead, which count nowhere."""
    last_at = datetime.min if summary.last_at is None else summary.last_at
    timed = [
        (wall_clock(reading.taken_at), reading.co2_mg_l)
        for reading in readings
        if reading.taken_at is not None and reading.co2_mg_l is not None
    ]
    return [(when, co2) for when, co2 in timed if when <= last_at]


def recent_readings(summary: TankSummary, readings: Iterable[Reading]) -> list[tuple[datetime, Interval]]:
    """Return those of `drawn_readings` that the figure of the days shows."""
    start = days_start(summary)
    return [(when, co2) for when, co2 in drawn_readings(summary, readings) if when >= start]


def days_start(summary: TankSummary) -> datetime:
    """
    Return where the figure of the days begins.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.

    Returns
    -------
    datetime
        Begin of the course, on the tank's clock; without a course as long before the last reading as one would be.
    """
    if summary.told is not None:
        return summary.told.course.times[0]
    return datetime.min if summary.last_at is None else summary.last_at - timedelta(days=WINDOW_DAYS)


def week_figure(summary: TankSummary, seen: Timed, shape: Shape, title: str = "") -> Figure:
    """
    Draw the CO2 of tank and vial over all days with the readings, the marks and the hours of lamp and gas.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    seen : sequence of (datetime, Interval)
        Those of `recent_readings`.
    shape : {'narrow', 'wide'}
        For a phone, or for a screen and paper.
    title : str, optional
        Above the figure.

    Returns
    -------
    matplotlib.figure.Figure
        Drawn in the light colors of `colorread.report.axes.PLOT_COLORS`.

    Raises
    ------
    ValueError
        If there is nothing to draw.
    """
    tank, course = summary.tank, None if summary.told is None else summary.told.course
    times = [when for when, _ in seen] + list(course.times if course else ())
    if not times:
        raise ValueError("There is nothing to plot: no photo of this tank has both a time and a number.")
    first, n_days = _days_of(times)
    noted = [(day, event) for event in summary.events if 0.0 <= (day := _days_since(first, event.at)) <= n_days]
    done = [(day, event_letters(event)) for day, event in noted if event_letters(event)]
    counts = [(day, f"{event.bubbles:.0f}") for day, event in noted if event.bubbles is not None]
    strips = [*_strips(tank), Strip("notes", None, "texts", done), Strip("bubbles", None, "texts", counts)]
    with new_figure(shape, strips, n_days, title) as (figure, axes, below):
        for day, _ in done:
            draw_edge(axes, day)
        lines, ends = _lines_and_ends(seen)
        legend: Legend = []
        if course is not None:
            at = [_days_since(first, when) for when in course.times]
            tank_mg_l = (course.tank_mg_l, course.tank_low_mg_l, course.tank_high_mg_l)
            legend.append((_draw_course(axes, at, *tank_mg_l, lw=2.0), "tank, 90 % band"))
            (follower,) = axes.plot(at, course.vial_mg_l, color=LIGHT["vial"], lw=1.5, ls=DASHES, zorder=3)
            legend.append((follower, "vial, behind it"))
            lines = [*lines, *course.tank_mg_l, *course.vial_mg_l]
            ends = [*ends, *course.tank_high_mg_l]
            if summary.last_at is not None and summary.last_at < course.times[-1]:
                draw_edge(axes, _days_since(first, summary.last_at), "forecast")
        top = draw_marks(axes, tank.judged_by, lines, ends)
        at_days = [(_days_since(first, when), co2) for when, co2 in seen]
        style = {"markerfacecolor": LIGHT["paper"], "markersize": 5.5, "capsize": 2.5, "elinewidth": 1.2}
        legend += _draw_values(axes, at_days, **style)
        arrows = {"above": _ARROW_UP, "below": _ARROW_DOWN}
        if _draw_open_ends(axes, at_days, arrows, markersize=_ARROW_PT, **_ARROW_STYLE):
            legend.append((Line2D([], [], marker=_ARROW_UP, markersize=_ARROW_PT / 2, **_ARROW_STYLE), "one end known"))
        cut = [at for at, co2 in at_days if (co2.high or 0.0) > top]
        if cut:
            head: dict[str, Any] = {"marker": CARETUP, "markersize": _HEAD_PT, "color": LIGHT["ink"], "ls": "none"}
            (heads,) = axes.plot(cut, np.ones(len(cut)), transform=axes.get_xaxis_transform(), zorder=7, **head)
            legend.append((heads, "off the scale"))
        _add_legend(figure, legend, 2 if shape == "narrow" else 4)
        _label_days(below, shape, first, n_days, "%a\n%b {day}", grid_days=1)
    return figure


def history_figure(summary: TankSummary, seen: Timed, shape: Shape, title: str = "") -> Figure:
    """
    Draw all readings of the vial through the whole time, small.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    seen : sequence of (datetime, Interval)
        Those of `drawn_readings`, one at least.
    shape, title
        As for `week_figure`, as is what is returned.
    """
    first, n_days = _days_of([when for when, _ in seen])
    at_days = [(_days_since(first, when), co2) for when, co2 in seen]
    with new_figure(shape, (), n_days, title, height_share=_HISTORY_HEIGHT) as (figure, axes, below):
        draw_marks(axes, summary.tank.judged_by, *_lines_and_ends(seen))
        legend = _draw_values(axes, at_days, ecolor=LIGHT["soft"], elinewidth=0.8, markersize=3.0)
        style: dict[str, Any] = {"color": LIGHT["ink"], "markerfacecolor": LIGHT["paper"], "markersize": 5.5}
        legend += _draw_open_ends(axes, at_days, {"above": "^", "below": "v"}, ls="none", **style)
        draw_edge(axes, _days_since(first, days_start(summary)))
        _add_legend(figure, legend, len(legend))
        grid_days = math.ceil(n_days / _DAYS_LABELLED[shape])
        _label_days(below, shape, first, n_days, "%b {day}\n%Y", grid_days=grid_days)
    return figure


def day_figure(tank: Tank, advice: Advice, shape: Shape, title: str = "") -> Figure:
    """
    Draw the simulated day as it is and, where there is one, with the recommended change.

    Parameters
    ----------
    tank : Tank
        For marks and schedule.
    advice : Advice
        With the simulated days.
    shape, title
        As for `week_figure`, as is what is returned.
    """
    today, changed = advice.today, advice.recommended
    main = changed or today
    strips = _strips(tank)
    if changed is not None and changed.change.gas is not None:
        strips[1:] = [Strip("gas as is", tank.gas_hours, "gas"), Strip("gas new", changed.change.gas, "gas")]
    with new_figure(shape, strips, 1, title) as (figure, axes, below):
        course = _draw_course(axes, main.hours / HOURS_PER_DAY, main.co2_mg_l, main.low_mg_l, main.high_mg_l, lw=2.2)
        words = "as it is" if changed is None else "with the change"
        legend: Legend = [(course, f"{words}, 90 % band")]
        if changed is not None:
            at = today.hours / HOURS_PER_DAY
            (before,) = axes.plot(at, today.co2_mg_l, color=LIGHT["vial"], lw=2.0, ls=DASHES, zorder=3)
            for edge in (today.low_mg_l, today.high_mg_l):
                axes.plot(at, edge, color=LIGHT["vial"], lw=1.3, ls=DOTS, zorder=3)
            legend.append((before, "as it is, 90 % band dotted"))
        draw_marks(axes, tank.judged_by, [today.co2_mg_l, main.co2_mg_l], [today.high_mg_l, main.high_mg_l])
        _add_legend(figure, legend, 1 if shape == "narrow" else 2)
        hours = range(0, 25, _HOURS_LABELLED[shape])
        below.set_xlim(0.0, 1.0)
        below.set_xticks([hour / HOURS_PER_DAY for hour in hours], labels=[f"{hour}:00" for hour in hours])
    return figure


def write_plot(path: str | os.PathLike[str], summary: TankSummary, entries: Iterable[LogEntry]) -> None:
    """
    Write the CO2 over all days as a picture, whole or not at all.

    Parameters
    ----------
    path : path
        PNG or PDF file, told by its suffix.
    summary : TankSummary
        What the days tell.
    entries : iterable of LogEntry
        The photos of the tank.

    Raises
    ------
    ValueError
        If the suffix is another one, or there is nothing to draw.
    OSError
        If it cannot be written.
    """
    kind = Path(path).suffix.lower().removeprefix(".")
    if kind not in ("png", "pdf"):
        raise ValueError(f"A plot is written as .png or .pdf, not as {Path(path).name!r}.")
    title = f"{summary.tank.name}: CO2 of tank and vial" + (f". {MADE_UP}." if summary.tank.made_up else "")
    file = io.BytesIO()
    seen = recent_readings(summary, [entry.reading for entry in entries])
    week_figure(summary, seen, "wide", title).savefig(file, format=kind, dpi=_PRINT_DPI)
    write_whole(path, file.getvalue())


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
    seen = recent_readings(summary, readings)
    if summary.told is None and not seen:
        return ()
    label = "CO2 of tank and vial over the days, with the readings, the limits, and the hours of lights and gas."
    return _svgs(lambda shape, title: week_figure(summary, seen, shape, title), summary, "week", label)


def history_svgs(summary: TankSummary, readings: Sequence[Reading]) -> tuple[str, ...]:
    """Return the figure of all readings for a page, as `week_svgs`; none where that shows them all."""
    seen = drawn_readings(summary, readings)
    if len(seen) == len(recent_readings(summary, readings)):
        return ()
    label = "All readings of the vial, with the limits."
    return _svgs(lambda shape, title: history_figure(summary, seen, shape, title), summary, "history", label)


def day_svgs(summary: TankSummary) -> tuple[str, ...]:
    """Return the figure of the simulated day for a page, as `week_svgs`; none without a course."""
    if summary.told is None:
        return ()
    advice = summary.told.advice
    label = (
        "Simulated CO2 of one day from midnight to midnight, as it is and with the recommended change if there is one."
    )
    return _svgs(lambda shape, title: day_figure(summary.tank, advice, shape, title), summary, "day", label)


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
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
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


def _svgs(draw: Callable[[Shape, str], Figure], summary: TankSummary, name: str, label: str) -> tuple[str, ...]:
    shapes: tuple[Shape, ...] = ("narrow", "wide")
    title = MADE_UP if summary.tank.made_up else ""
    return tuple(figure_svg(draw(shape, title), f"plot {shape} {name}", label) for shape in shapes)


def _label_days(below: Axes, shape: Shape, first: date, n_days: int, words: str, *, grid_days: int) -> None:
    """Label as many days as there is room for, in the words of `date.strftime` with ``{day}`` for their number."""
    labelled = range(0, n_days, math.ceil(n_days / _DAYS_LABELLED[shape]))
    days = [first + timedelta(days=number) for number in labelled]
    grid = range(0, n_days + 1, grid_days)
    below.set_xlim(0.0, n_days)
    below.set_xticks(grid, labels=[""] * len(grid))
    labels = [day.strftime(words.format(day=day.day)) for day in days]
    below.set_xticks([number + 0.5 for number in labelled], labels=labels, minor=True)


def _strips(tank: Tank) -> list[Strip]:
    return [Strip("lights", tank.lights, "lights"), Strip("gas", tank.gas_hours, "gas")]


def _days_of(times: Sequence[datetime]) -> tuple[date, int]:
    """Return the first day of some times, and how many whole days hold them all."""
    first = min(times).date()
    return first, max(math.ceil(_days_since(first, max(times))), 1)


def _days_since(first: date, when: datetime) -> float:
    return (when - datetime.combine(first, time())) / timedelta(days=1)


def _lines_and_ends(seen: Timed) -> tuple[list[float], list[float]]:
    """Return what must be seen of readings, and their upper ends [mg/L]."""
    return [co2.value or co2.low or 0.0 for _, co2 in seen], [co2.high or 0.0 for _, co2 in seen]


def _draw_course(axes: Axes, at: Any, value: Any, low: Any, high: Any, *, lw: float) -> Any:
    """Draw CO2 with its band and return the sign for the legend."""
    band = axes.fill_between(at, low, high, color=LIGHT["band"], lw=0, zorder=2)
    (line,) = axes.plot(at, value, color=LIGHT["tank"], lw=lw, zorder=4)
    return band, line


def _draw_values(axes: Axes, seen: _Placed, **style: Any) -> Legend:
    """Draw circles with their intervals."""
    both = [(at, co2.value, co2.low or 0.0, co2.high or co2.value) for at, co2 in seen if co2.value is not None]
    if not both:
        return []
    at, value, low, high = np.array(both).T
    ends = (value - low, high - value)
    circles = axes.errorbar(at, value, yerr=ends, fmt="o", zorder=6, color=LIGHT["ink"], **style)
    return [(circles, "reading, 90 %")]


def _draw_open_ends(axes: Axes, seen: _Placed, markers: dict[str, Any], **style: Any) -> Legend:
    """Draw the known ends of one-sided readings, at most at the edge, each with the marker of its open side."""
    top = axes.get_ylim()[1]
    known: dict[str, list[tuple[float, float]]] = {"above": [], "below": []}
    for at, co2 in seen:
        if co2.value is None:
            known["above" if co2.high is None else "below"].append((at, min(co2.high or co2.low or 0.0, top)))
    return [
        (axes.plot(*np.transpose(ends), marker=markers[side], zorder=6, clip_on=False, **style)[0], side)
        for side, ends in known.items()
        if ends
    ]


def _add_legend(figure: Figure, entries: Legend, columns: int) -> None:
    handles, labels = zip(*entries, strict=True)
    figure.legend(handles, labels, loc="outside upper left", ncols=columns)
