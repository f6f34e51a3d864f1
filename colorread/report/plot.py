"""Figures of a tank: its CO2 over the days, all its readings, and one day with and without a change."""

from __future__ import annotations

import io
import math
import os
from collections.abc import Iterable, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import CARETUP
from matplotlib.path import Path as MarkerPath

from calibration import write_whole
from colorread.report.axes import (
    DASHES,
    DOTS,
    HOURS_PER_DAY,
    LIGHT,
    Shape,
    Strip,
    add_legend,
    draw_edge,
    finish_axes,
    new_figure,
)
from colorread.result import Interval, Reading
from colorread.tank import WINDOW_DAYS, Advice, Tank, TankSummary, event_letters, wall_clock

if TYPE_CHECKING:
    from colorread.log import LogEntry

MADE_UP = "Made-up demo data, not a real tank"
_DAYS_LABELLED: dict[Shape, int] = {"narrow": 5, "wide": 14}
_HOURS_LABELLED: dict[Shape, int] = {"narrow": 6, "wide": 3}
_ARROW_PT = 44  # twice its length, since a marker is as large below its place as above
_ARROW = np.array([(-2, 0), (2, 0), (0, 0), (0, 7), (-1.5, 5), (0, 9), (1.5, 5), (0, 7)])
_STROKES = [MarkerPath.MOVETO, MarkerPath.LINETO] * 2 + [MarkerPath.MOVETO] + [MarkerPath.LINETO] * 3
_ARROW_UP, _ARROW_DOWN = MarkerPath(_ARROW, _STROKES), MarkerPath(_ARROW * (1, -1), _STROKES)
_HEAD_PT = 9
_PRINT_DPI = 150
_HISTORY_HEIGHT = 0.6  # of that of the week


def drawn_readings(summary: TankSummary, readings: Iterable[Reading]) -> list[Reading]:
    """Return the readings with time and CO2, but for those of a clock that ran ahead, which count nowhere."""
    return [
        reading
        for reading in readings
        if reading.taken_at is not None
        and reading.co2_mg_l is not None
        and summary.last_at is not None
        and wall_clock(reading.taken_at) <= summary.last_at
    ]


def recent_readings(summary: TankSummary, readings: Iterable[Reading]) -> list[Reading]:
    """Return those of `drawn_readings` that the figure of the days shows."""
    start = days_start(summary)
    return [reading for reading in drawn_readings(summary, readings) if _taken_at(reading) >= start]


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


def week_figure(summary: TankSummary, readings: Sequence[Reading], shape: Shape, title: str = "") -> Figure:
    """
    Draw the CO2 of tank and vial over all days with the readings, the marks and the hours of lamp and gas.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    readings : sequence of Reading
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
    seen = [(_taken_at(reading), reading.co2_mg_l) for reading in readings if reading.co2_mg_l is not None]
    tank, course = summary.tank, None if summary.told is None else summary.told.course
    times = [when for when, _ in seen] + list(course.times if course else ())
    if not times:
        raise ValueError("There is nothing to plot: no photo of this tank has both a time and a number.")
    first, n_days = _days_of(times)
    noted = [(day, event) for event in summary.events if 0.0 <= (day := _days_since(first, event.at)) <= n_days]
    done = [(day, event_letters(event)) for day, event in noted if event_letters(event)]
    counts = [(day, f"{event.bubbles:.0f}") for day, event in noted if event.bubbles is not None]
    strips = [*_strips(tank), Strip("notes", None, "texts", done), Strip("bubbles", None, "texts", counts)]
    figure, axes, below = new_figure(shape, strips, n_days, title)
    for day, _ in done:
        draw_edge(axes, shape, day, "")
    lines = np.array([interval.value or interval.low or 0.0 for _, interval in seen])
    ends = np.array([interval.high or interval.low or 0.0 for _, interval in seen])
    legend: list[tuple[Any, str]] = []
    if course is not None:
        at = np.array([_days_since(first, when) for when in course.times])
        band = axes.fill_between(at, course.tank_low_mg_l, course.tank_high_mg_l, color=LIGHT["band"], lw=0, zorder=2)
        (line,) = axes.plot(at, course.tank_mg_l, color=LIGHT["tank"], lw=2.0, zorder=4)
        (follower,) = axes.plot(at, course.vial_mg_l, color=LIGHT["vial"], lw=1.5, ls=DASHES, zorder=3)
        legend = [((band, line), "tank, 90 % band"), (follower, "vial, behind it")]
        lines = np.concatenate([lines, course.tank_mg_l, course.vial_mg_l])
        ends = np.append(ends, course.tank_high_mg_l)
        if summary.last_at is not None and summary.last_at < course.times[-1]:
            draw_edge(axes, shape, _days_since(first, summary.last_at), "forecast")
    finish_axes(axes, shape, tank.judged_by, lines, ends)
    top = axes.get_ylim()[1]
    for one_sided, draw, words in ((False, _draw_value, "reading, 90 %"), (True, _draw_open_end, "one end known")):
        signs = [draw(axes, _days_since(first, at), co2) for at, co2 in seen if (co2.value is None) == one_sided]
        legend += [(sign, words) for sign in signs[:1]]
    cut = [_days_since(first, at) for at, co2 in seen if (co2.high or 0.0) > top]
    if cut:
        legend.append((_draw_heads(axes, cut), "off the scale"))
    add_legend(figure, shape, legend, 2 if shape == "narrow" else 4)
    _label_days(below, shape, first, n_days, "%a\n%b {day}", grid_days=1)
    return figure


def history_figure(summary: TankSummary, readings: Sequence[Reading], shape: Shape, title: str = "") -> Figure:
    """
    Draw all readings of the vial through the whole time, small.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    readings : sequence of Reading
        Those of `drawn_readings`, one at least.
    shape : {'narrow', 'wide'}
        For a phone, or for a screen and paper.
    title : str, optional
        Above the figure.

    Returns
    -------
    matplotlib.figure.Figure
        Drawn in the light colors of `colorread.report.axes.PLOT_COLORS`.
    """
    times = list(map(_taken_at, readings))
    first, n_days = _days_of(times)
    figure, axes, below = new_figure(shape, (), n_days, title, height_share=_HISTORY_HEIGHT)
    seen = [
        (_days_since(first, when), reading.co2_mg_l)
        for when, reading in zip(times, readings, strict=True)
        if reading.co2_mg_l is not None
    ]
    values = np.array([co2.value or co2.low or 0.0 for _, co2 in seen])
    finish_axes(axes, shape, summary.tank.judged_by, values, np.array([co2.high or 0.0 for _, co2 in seen]))
    top = axes.get_ylim()[1]
    legend: list[tuple[Any, str]] = []
    if both := [(at, co2.value, co2.low or 0.0, co2.high or co2.value) for at, co2 in seen if co2.value is not None]:
        at, value, low, high = np.array(both).T
        style: dict[str, Any] = {"color": LIGHT["ink"], "ecolor": LIGHT["soft"], "elinewidth": 0.8, "markersize": 3.0}
        dots = axes.errorbar(at, value, yerr=(value - low, high - value), fmt="o", zorder=6, **style)
        legend.append((dots, "reading, 90 %"))
    for marker, known in (
        ("^", [(at, co2.low) for at, co2 in seen if co2.value is None and co2.high is None]),
        ("v", [(at, min(co2.high or 0.0, top)) for at, co2 in seen if co2.value is None and co2.low is None]),
    ):
        if known:
            style = {"color": LIGHT["ink"], "markerfacecolor": LIGHT["paper"], "markersize": 5.5, "ls": "none"}
            (ends,) = axes.plot(*zip(*known, strict=True), marker=marker, zorder=6, clip_on=False, **style)
            legend.append((ends, "above" if marker == "^" else "below"))
    draw_edge(axes, shape, _days_since(first, days_start(summary)), "")
    add_legend(figure, shape, legend, len(legend))
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
    shape : {'narrow', 'wide'}
        For a phone, or for a screen and paper.
    title : str, optional
        Above the figure.

    Returns
    -------
    matplotlib.figure.Figure
        Drawn in the light colors of `colorread.report.axes.PLOT_COLORS`.
    """
    today, changed = advice.today, advice.recommended
    strips = _strips(tank)
    if changed is not None and changed.change.gas is not None:
        strips[1:] = [Strip("gas as is", tank.gas_hours, "gas"), Strip("gas new", changed.change.gas, "gas")]
    figure, axes, below = new_figure(shape, strips, 1, title)
    main = today if changed is None else changed
    at = main.hours / HOURS_PER_DAY
    band = axes.fill_between(at, main.low_mg_l, main.high_mg_l, color=LIGHT["band"], lw=0, zorder=2)
    (line,) = axes.plot(at, main.co2_mg_l, color=LIGHT["tank"], lw=2.2, zorder=4)
    words = "as it is" if changed is None else "with the change"
    legend: list[tuple[Any, str]] = [((band, line), f"{words}, 90 % band")]
    if changed is not None:
        at = today.hours / HOURS_PER_DAY
        (before,) = axes.plot(at, today.co2_mg_l, color=LIGHT["vial"], lw=2.0, ls=DASHES, zorder=3)
        for edge in (today.low_mg_l, today.high_mg_l):
            axes.plot(at, edge, color=LIGHT["vial"], lw=1.3, ls=DOTS, zorder=3)
        legend.append((before, "as it is, 90 % band dotted"))
    shown = (today, main)
    finish_axes(
        axes,
        shape,
        tank.judged_by,
        np.concatenate([day.co2_mg_l for day in shown]),
        np.concatenate([day.high_mg_l for day in shown]),
    )
    add_legend(figure, shape, legend, 1 if shape == "narrow" else 2)
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
    readings = recent_readings(summary, [entry.reading for entry in entries])
    week_figure(summary, readings, "wide", title).savefig(file, format=kind, dpi=_PRINT_DPI)
    write_whole(path, file.getvalue())


def _label_days(below: Axes, shape: Shape, first: date, n_days: int, words: str, *, grid_days: int) -> None:
    """Label as many days as there is room for, in the words of `date.strftime` with ``{day}`` for their number."""
    labelled = range(0, n_days, math.ceil(n_days / _DAYS_LABELLED[shape]))
    days = [first + timedelta(days=number) for number in labelled]
    grid = range(0, n_days + 1, grid_days)
    below.set_xlim(0.0, n_days)
    below.set_xticks(grid, labels=[""] * len(grid))
    below.set_xticks(
        [number + 0.5 for number in labelled],
        labels=[day.strftime(words.format(day=day.day)) for day in days],
        minor=True,
    )


def _strips(tank: Tank) -> list[Strip]:
    return [Strip("lights", tank.lights, "lights"), Strip("gas", tank.gas_hours, "gas")]


def _days_of(times: Sequence[datetime]) -> tuple[date, int]:
    """Return the first day of some times, and how many whole days hold them all."""
    first = min(times).date()
    return first, max(math.ceil(_days_since(first, max(times))), 1)


def _taken_at(reading: Reading) -> datetime:
    assert reading.taken_at is not None
    return wall_clock(reading.taken_at)


def _days_since(first: date, when: datetime) -> float:
    return (when - datetime.combine(first, time())) / timedelta(days=1)


def _draw_value(axes: Axes, at: float, co2_mg_l: Interval) -> Any:
    """Draw a circle with its interval and return the sign for the legend."""
    value = co2_mg_l.value or 0.0
    ends = [[value - (co2_mg_l.low or 0.0)], [(co2_mg_l.high or value) - value]]
    style: dict[str, Any] = {
        "color": LIGHT["ink"],
        "markerfacecolor": LIGHT["paper"],
        "markersize": 5.5,
        "capsize": 2.5,
        "elinewidth": 1.2,
    }
    return axes.errorbar(at, value, yerr=ends, fmt="o", zorder=6, **style)


def _draw_open_end(axes: Axes, at: float, co2_mg_l: Interval) -> Any:
    """Draw the known end, at most at the edge, with an arrow to the open side and return the sign for the legend."""
    if co2_mg_l.high is None:
        known, marker = co2_mg_l.low or 0.0, _ARROW_UP
    else:
        known, marker = min(co2_mg_l.high, axes.get_ylim()[1]), _ARROW_DOWN
    style: dict[str, Any] = {"color": LIGHT["ink"], "ls": "none", "markeredgewidth": 1.4}
    axes.plot(at, known, marker=marker, markersize=_ARROW_PT, zorder=6, clip_on=False, **style)
    return Line2D([], [], marker=_ARROW_UP, markersize=_ARROW_PT / 2, **style)


def _draw_heads(axes: Axes, at: Sequence[float]) -> Any:
    """Draw an arrow head at the upper edge for each interval that is cut there and return the sign for the legend."""
    (heads,) = axes.plot(
        at,
        np.ones(len(at)),
        transform=axes.get_xaxis_transform(),
        marker=CARETUP,
        markersize=_HEAD_PT,
        color=LIGHT["ink"],
        ls="none",
        zorder=7,
    )
    return heads
