"""Figures of a tank: its CO2 over the days, all its readings, and one day with and without a change."""

from __future__ import annotations

import io
import math
import os
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime, time, timedelta
from functools import partial
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
from numpy.typing import NDArray

from calibration import write_atomic
from colorread.report.axes import DASHES, DOTS, HOURS_PER_DAY, LIGHT, Shape, Strip, draw_edge, draw_marks, new_figure
from colorread.result import Interval, Reading
from colorread.tank import WINDOW_DAYS, Advice, Tank, TankSummary, event_letters, wall_clock

if TYPE_CHECKING:
    from colorread.log import LogEntry

MADE_UP = "Made-up demo data, not a real tank"
Legend = list[tuple[Any, str]]
Timed = Sequence[tuple[datetime, Interval]]

_LEGEND_COLUMNS: dict[Shape, int] = {"narrow": 2, "wide": 4}
_DAYS_LABELLED: dict[Shape, int] = {"narrow": 5, "wide": 14}
_HOURS_LABELLED: dict[Shape, int] = {"narrow": 6, "wide": 3}
_ARROW_PT = 44  # twice its length, since a marker extends as far below its place as above
_ARROW = np.array([(-2, 0), (2, 0), (0, 0), (0, 7), (-1.5, 5), (0, 9), (1.5, 5), (0, 7)])
_STROKES = [MarkerPath.MOVETO, MarkerPath.LINETO] * 2 + [MarkerPath.MOVETO] + [MarkerPath.LINETO] * 3
_ARROW_UP, _ARROW_DOWN = MarkerPath(_ARROW, _STROKES), MarkerPath(_ARROW * (1, -1), _STROKES)
_HEAD_PT = 9
_PRINT_DPI = 150
_HISTORY_HEIGHT, _HISTORY_SCALE = 0.6, 0.7  # of figure and markers, relative to those of the week


def drawn_readings(summary: TankSummary, readings: Iterable[Reading]) -> list[tuple[datetime, Interval]]:
    """Return time and CO2 of readings that have both, up to `summary.last_at`; later ones come from a wrong clock."""
    last_at = datetime.min if summary.last_at is None else summary.last_at
    timed = [
        (wall_clock(reading.taken_at), reading.co2_mg_l)
        for reading in readings
        if reading.taken_at is not None and reading.co2_mg_l is not None
    ]
    return [(when, co2) for when, co2 in timed if when <= last_at]


def recent_readings(summary: TankSummary, readings: Iterable[Reading]) -> list[tuple[datetime, Interval]]:
    """Return the `drawn_readings` that lie within the figure of the days."""
    start = days_start(summary)
    return [(when, co2) for when, co2 in drawn_readings(summary, readings) if when >= start]


def days_start(summary: TankSummary) -> datetime:
    """
    Return the time at which the figure of the days begins.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.

    Returns
    -------
    datetime
        Start of the course, on the tank's clock; without a course its usual length before the last reading.
    """
    if summary.findings is not None:
        return summary.findings.course.times[0]
    return datetime.min if summary.last_at is None else summary.last_at - timedelta(days=WINDOW_DAYS)


def week_figure(summary: TankSummary, seen: Timed, shape: Shape, title: str = "") -> Figure:
    """
    Draw the CO2 of tank and vial over the days with readings, limits, and the hours of lights and gas.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    seen : sequence of (datetime, Interval)
        From `recent_readings`.
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
    tank, course = summary.tank, None if summary.findings is None else summary.findings.course
    times = [when for when, _ in seen] + list(course.times if course else ())
    if not times:
        raise ValueError("There is nothing to plot: no photo of this tank has both a time and a number.")
    first, n_days = _days_of(times)
    noted = [(day, event) for event in summary.events if 0.0 <= (day := _days_since(first, event.at)) <= n_days]
    done = [(day, event_letters(event)) for day, event in noted if event_letters(event)]
    counts = [(day, f"{event.bubbles:.0f}") for day, event in noted if event.bubbles is not None]
    strips = [*_strips(tank), Strip("notes", texts=done), Strip("bubbles", texts=counts)]
    with new_figure(shape, strips, n_days, title) as (figure, axes, below):
        for day, _ in done:
            draw_edge(axes, day)
        placed = _placed(first, seen)
        lines, ends = np.fmax(placed[1], placed[2]), placed[3]
        legend: Legend = []
        if course is not None:
            at = [_days_since(first, when) for when in course.times]
            legend.append((_draw_course(axes, at, course.tank_mg_l, lw=2.0), "tank, 90 % band"))
            (follower,) = axes.plot(at, course.vial_mg_l, color=LIGHT["vial"], lw=1.5, ls=DASHES, zorder=3)
            legend.append((follower, "vial, which lags"))
            _, middle, high = course.tank_mg_l
            lines, ends = np.concatenate([lines, middle, course.vial_mg_l]), np.concatenate([ends, high])
            if summary.last_at is not None and summary.last_at < course.times[-1]:
                draw_edge(axes, _days_since(first, summary.last_at), "forecast")
        draw_marks(axes, tank.judged_by, lines, ends)
        legend += _draw_readings(axes, placed)
        _add_legend(figure, legend, _LEGEND_COLUMNS[shape])
        _label_days(below, shape, first, n_days, "%a\n%b {day}", grid_days=1)
    return figure


def history_figure(summary: TankSummary, seen: Timed, shape: Shape, title: str = "") -> Figure:
    """
    Draw all readings of the vial, small.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    seen : sequence of (datetime, Interval)
        From `drawn_readings`, at least one.
    shape, title
        As for `week_figure`.

    Returns
    -------
    matplotlib.figure.Figure
        As from `week_figure`.
    """
    first, n_days = _days_of([when for when, _ in seen])
    placed = _placed(first, seen)
    with new_figure(shape, (), n_days, title, height_share=_HISTORY_HEIGHT) as (figure, axes, below):
        draw_marks(axes, summary.tank.judged_by, np.fmax(placed[1], placed[2]), placed[3])
        legend = _draw_readings(axes, placed, scale=_HISTORY_SCALE)
        draw_edge(axes, _days_since(first, days_start(summary)))
        _add_legend(figure, legend, _LEGEND_COLUMNS[shape])
        grid_days = math.ceil(n_days / _DAYS_LABELLED[shape])
        _label_days(below, shape, first, n_days, "%b {day}\n%Y", grid_days=grid_days)
    return figure


def day_figure(tank: Tank, advice: Advice, shape: Shape, title: str = "") -> Figure:
    """
    Draw the simulated day as it is and, if there is one, with the recommended change.

    Parameters
    ----------
    tank : Tank
        Its limits and schedule.
    advice : Advice
        The simulated days.
    shape, title
        As for `week_figure`.

    Returns
    -------
    matplotlib.figure.Figure
        As from `week_figure`.
    """
    today, changed = advice.today, advice.recommended
    main = changed or today
    strips = _strips(tank)
    if changed is not None and changed.change.gas is not None:
        strips[1:] = [Strip("gas as is", tank.gas_hours), Strip("gas new", changed.change.gas)]
    with new_figure(shape, strips, 1, title) as (figure, axes, below):
        low, middle, high = today.co2_mg_l
        at = np.linspace(0.0, HOURS_PER_DAY, middle.size) / HOURS_PER_DAY
        course = _draw_course(axes, at, main.co2_mg_l, lw=2.2)
        words = "as it is" if changed is None else "with the change"
        legend: Legend = [(course, f"{words}, 90 % band")]
        if changed is not None:
            (before,) = axes.plot(at, middle, color=LIGHT["vial"], lw=2.0, ls=DASHES, zorder=3)
            for edge in (low, high):
                axes.plot(at, edge, color=LIGHT["vial"], lw=1.3, ls=DOTS, zorder=3)
            legend.append((before, "as it is, 90 % band dotted"))
        draw_marks(axes, tank.judged_by, [middle, main.co2_mg_l[1]], [high, main.co2_mg_l[2]])
        _add_legend(figure, legend, 1 if shape == "narrow" else 2)
        hours = range(0, 25, _HOURS_LABELLED[shape])
        below.set_xlim(0.0, 1.0)
        below.set_xticks([hour / HOURS_PER_DAY for hour in hours], labels=[f"{hour}:00" for hour in hours])
    return figure


def write_plot(path: str | os.PathLike[str], summary: TankSummary, entries: Iterable[LogEntry]) -> None:
    """
    Write the figure of the days to a file, whole or not at all.

    Parameters
    ----------
    path : path
        File to write, as PNG or PDF by its suffix.
    summary : TankSummary
        With or without a course.
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
    write_atomic(path, file.getvalue())


def week_svgs(summary: TankSummary, readings: Sequence[Reading]) -> tuple[str, ...]:
    """
    Return the figure of the days for a page.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    readings : sequence of Reading
        All readings of the tank.

    Returns
    -------
    tuple of str
        SVG for a phone and for a wide window; empty if there is nothing to draw.
    """
    seen = recent_readings(summary, readings)
    if summary.findings is None and not seen:
        return ()
    label = "CO2 of tank and vial over the days, with the readings, the limits, and the hours of lights and gas."
    return _svgs(partial(week_figure, summary, seen), summary, "week", label)


def history_svgs(summary: TankSummary, readings: Sequence[Reading]) -> tuple[str, ...]:
    """Return the figure of all readings for a page, as `week_svgs`; empty if the figure of the days shows them all."""
    seen, start = drawn_readings(summary, readings), days_start(summary)
    if all(when >= start for when, _ in seen):
        return ()
    label = "All readings of the vial, with the limits."
    return _svgs(partial(history_figure, summary, seen), summary, "history", label)


def day_svgs(summary: TankSummary) -> tuple[str, ...]:
    """Return the figure of the simulated day for a page, as `week_svgs`; empty without a course."""
    if summary.findings is None:
        return ()
    label = "Simulated CO2 of one day from midnight to midnight, as it is and with the recommended change if any."
    return _svgs(partial(day_figure, summary.tank, summary.findings.advice), summary, "day", label)


def figure_svg(figure: Figure, name: str, label: str) -> str:
    """
    Return a figure as an ``svg`` element for a page, with the CSS variables ``--plot-...`` as colors.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Drawn in the light colors of `colorread.report.axes.PLOT_COLORS`.
    name : str
        Class of the element; also keeps the ids of several figures in a page apart.
    label : str
        Description for those who do not see it.

    Returns
    -------
    str
        The element; it takes its font from the page and loads nothing.
    """
    file = io.StringIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(file, format="svg")
    ((view, body),) = re.findall(r'<svg [^>]*(viewBox="[^"]*")[^>]*>(.*)', file.getvalue(), re.DOTALL)
    body = re.sub(r"<style[^>]*>.*?</style>|<metadata>.*?</metadata>|<!--.*?-->", "", body, flags=re.DOTALL)
    body = re.sub(r"\s*\n\s*", "\n", body)
    body = re.sub(r'<g id="[^"]*"', "<g", body)  # these ids are the same in every figure and unused
    body = re.sub(r"font: ([\d.]+px) [^;\"]*", r"font-size: \1", body)
    for color, value in LIGHT.items():
        body = body.replace(value, f"var(--plot-{color})")
    return f'<svg class="{name}" {view} role="img" aria-label="{escape(label)}">{body}'


def _svgs(draw: Callable[[Shape, str], Figure], summary: TankSummary, name: str, label: str) -> tuple[str, ...]:
    shapes: tuple[Shape, ...] = ("narrow", "wide")
    title = MADE_UP if summary.tank.made_up else ""
    return tuple(figure_svg(draw(shape, title), f"plot {shape} {name}", label) for shape in shapes)


def _label_days(below: Axes, shape: Shape, first: date, n_days: int, words: str, *, grid_days: int) -> None:
    """Label as many days as there is room for, in the format of `date.strftime` plus ``{day}`` for the day's number."""
    labelled = range(0, n_days, math.ceil(n_days / _DAYS_LABELLED[shape]))
    days = [first + timedelta(days=number) for number in labelled]
    grid = range(0, n_days + 1, grid_days)
    below.set_xlim(0.0, n_days)
    below.set_xticks(grid, labels=[""] * len(grid))
    labels = [day.strftime(words.format(day=day.day)) for day in days]
    below.set_xticks([number + 0.5 for number in labelled], labels=labels, minor=True)


def _strips(tank: Tank) -> list[Strip]:
    return [Strip("lights", tank.lights, is_hatched=False), Strip("gas", tank.gas_hours)]


def _days_of(times: Sequence[datetime]) -> tuple[date, int]:
    """Return the first day of some times, and the number of days that hold them all."""
    first = min(times).date()
    return first, max(math.ceil(_days_since(first, max(times))), 1)


def _days_since(first: date, when: datetime) -> float:
    return (when - datetime.combine(first, time())) / timedelta(days=1)


def _placed(first: date, timed: Timed) -> NDArray[np.float64]:
    """Return day, low end, value and upper end of each reading, shape (4, N); NaN where not known."""
    rows = [(_days_since(first, when), co2.low, co2.value, co2.high) for when, co2 in timed]
    return np.array(rows, np.float64).reshape(-1, 4).T


def _draw_course(axes: Axes, at: Any, co2_mg_l: Any, *, lw: float) -> Any:
    """Draw CO2 from its 5, 50 and 95 % points; return the handle for the legend."""
    low, value, high = co2_mg_l
    band = axes.fill_between(at, low, high, color=LIGHT["band"], lw=0, zorder=2)
    (line,) = axes.plot(at, value, color=LIGHT["tank"], lw=lw, zorder=4)
    return band, line


def _draw_readings(axes: Axes, placed: NDArray[np.float64], *, scale: float = 1.0) -> Legend:
    """Draw circles with their intervals, arrows from a known end to the open one, and heads where intervals are cut."""
    top = axes.get_ylim()[1]
    style: dict[str, Any] = {"color": LIGHT["ink"], "ls": "none"}
    legend: Legend = []
    is_one_sided = np.isnan(placed[2])
    at, low, value, high = placed[:, ~is_one_sided]
    if at.size:
        lengths = (value - np.nan_to_num(low), np.fmax(high, value) - value)
        look = style | {"marker": "o", "markerfacecolor": LIGHT["paper"], "markersize": 5.5 * scale}
        circles = axes.errorbar(at, value, lengths, capsize=2.5 * scale, elinewidth=1.2 * scale, zorder=6, **look)
        legend.append((circles, "reading, 90 %"))
    at, low, _, high = placed[:, is_one_sided]
    for arrow, end in ((_ARROW_UP, low), (_ARROW_DOWN, high)):
        known = ~np.isnan(end)
        if known.any():
            look = style | {"marker": arrow, "markersize": _ARROW_PT * scale, "markeredgewidth": 1.4 * scale}
            axes.plot(at[known], np.minimum(end[known], top), clip_on=False, zorder=6, **look)
    if at.size:
        sign = Line2D([], [], marker=_ARROW_UP, markersize=_ARROW_PT / 2, markeredgewidth=1.4, **style)
        legend.append((sign, "one end known"))
    at = placed[0, placed[3] > top]
    if at.size:
        look = style | {"marker": CARETUP, "markersize": _HEAD_PT * scale, "transform": axes.get_xaxis_transform()}
        legend.append((axes.plot(at, np.ones(at.size), zorder=7, **look)[0], "off the scale"))
    return legend


def _add_legend(figure: Figure, entries: Legend, columns: int) -> None:
    handles, labels = zip(*entries, strict=True)
    figure.legend(handles, labels, loc="outside upper left", ncols=columns)
