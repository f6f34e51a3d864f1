"""What the figures of a tank share: style, axes for the CO2, strips for lights and gas, and limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Literal, NamedTuple

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from colorread.records import toml_beside
from colorread.tank import DailySpan
from colorread.words import Marks

Shape = Literal["narrow", "wide"]
HOURS_PER_DAY = 24.0
DASHES = (0, (5, 2))
DOTS = (0, (1, 2))


class Strip(NamedTuple):
    """A row below a figure: daily hours of lights or gas (None if not known), or texts placed at days."""

    label: str
    hours: DailySpan | None = None
    is_hatched: bool = True
    texts: Sequence[tuple[float, str]] = ()


_LOOK = toml_beside(__file__, "figures.toml")
PLOT_COLORS: Mapping[str, Mapping[str, str]] = _LOOK["colors"]
"""By name, each as ``light`` and ``dark``."""
LIGHT = {name: color["light"] for name, color in PLOT_COLORS.items()}
POINTS_PER_INCH = 72
# Width and height in points, about one CSS pixel each, so that the text is as large as that of the page.
_SIZE_PT: dict[Shape, tuple[int, int]] = {"narrow": (344, 430), "wide": (940, 450)}
_FONT_PT: dict[Shape, float] = {"narrow": 12.0, "wide": 13.0}
_STYLE = _LOOK["style"] | {setting: LIGHT[color] for setting, color in _LOOK["style_colors"].items()}
_STRIP_PT = 19.0
_AXES_SHARE = 0.6  # of the figure's height, roughly; only used to space the labels of the limits
_TOP_MIN, _TOP_MAX = 1.25, 2.2  # end of the axis, relative to the highest line or limit


@contextmanager
def new_figure(
    shape: Shape, strips: Sequence[Strip], n_days: int, title: str, *, height_share: float = 1.0
) -> Iterator[tuple[Figure, Axes, Axes]]:
    """
    Make an empty figure with its strips, and set the style for what is drawn within the ``with`` block.

    The style holds for the whole process meanwhile, so two threads must not draw at once.

    Parameters
    ----------
    shape : {'narrow', 'wide'}
        For a phone, or for a screen and paper.
    strips : sequence of Strip
        From top to bottom; those without hours and texts are left out.
    n_days : int
        Days from the left edge to the right.
    title : str
        Above the figure; may be empty.
    height_share : float, optional
        Share of the usual height.

    Yields
    ------
    figure, axes, below : Figure, Axes, Axes
        The axes for the CO2, and those for strips and time labels below; both count days.
    """
    known = [strip for strip in strips if strip.hours is not None or strip.texts]
    width, height = _SIZE_PT[shape][0], height_share * _SIZE_PT[shape][1]
    size_in = (width / POINTS_PER_INCH, height / POINTS_PER_INCH)
    strip_height = max(_STRIP_PT * len(known), 1.0)
    heights = (height - strip_height, strip_height)
    with rc_context(_STYLE | {"font.size": _FONT_PT[shape]}):
        figure = Figure(figsize=size_in, dpi=POINTS_PER_INCH, layout="constrained")
        axes, below = figure.subplots(2, 1, sharex=True, height_ratios=heights, gridspec_kw={"hspace": 0.0})
        for part in (axes, below):  # grid and ticks take their style only when drawn, after the block
            part.grid(axis="x", color=LIGHT["grid"], lw=1.0)
            part.tick_params(colors=LIGHT["ink"], labelsize=_FONT_PT[shape], length=4)
        axes.tick_params(axis="x", which="both", length=0, labelbottom=False)
        below.tick_params(axis="x", which="minor", length=0, labelsize=_FONT_PT[shape], labelcolor=LIGHT["ink"])
        below.tick_params(axis="y", length=0)
        below.spines["left"].set_visible(False)
        _draw_strips(below, known, n_days)
        axes.set_ylabel("CO2 [mg/L]")
        axes.set_title(title, parse_math=False)
        yield figure, axes, below


def _draw_strips(below: Axes, strips: Sequence[Strip], n_days: int) -> None:
    below.set_ylim(len(strips) or 1, 0)
    below.set_yticks([row + 0.5 for row in range(len(strips))], labels=[strip.label for strip in strips])
    for row, strip in enumerate(strips):
        for at, text in strip.texts:
            below.text(at, row + 0.5, text, ha="center", va="center", clip_on=True)
        if (hours := strip.hours) is not None:
            below.broken_barh(
                [(day + hours.on_h / HOURS_PER_DAY, hours.hours / HOURS_PER_DAY) for day in range(-1, n_days)],
                (row + 0.18, 0.64),
                facecolor=LIGHT["paper" if strip.is_hatched else "lights"],
                edgecolor=LIGHT["ink"],
                hatch="////" if strip.is_hatched else None,
                lw=0.8,
                zorder=2,
            )


def draw_marks(axes: Axes, marks: Marks, lines: ArrayLike, ends: ArrayLike) -> None:
    """
    Draw the limits and choose the range of the CO2 axis.

    Parameters
    ----------
    axes : Axes
        Of the CO2.
    marks : Marks
        The limits.
    lines, ends : array_like of float
        Values that must lie within, and upper ends that may be cut off; NaN is ignored [mg/L].
    """
    plants_mg_l = (marks.plants_low_mg_l, marks.plants_high_mg_l)
    highest = np.nanmax(np.append(lines, (marks.plants_high_mg_l, marks.fish_mg_l)))
    top = float(np.clip(1.05 * np.nanmax(np.append(ends, 0.0)), _TOP_MIN * highest, _TOP_MAX * highest))
    axes.set_ylim(0.0, top)
    axes.axhspan(*plants_mg_l, facecolor="none", edgecolor=LIGHT["dots"], hatch=".", lw=0.0, zorder=1)
    for level in plants_mg_l:
        axes.axhline(level, color=LIGHT["plants"], lw=1.2, zorder=2.5)
    axes.axhline(marks.fish_mg_l, color=LIGHT["fish"], lw=1.6, ls=(0, (8, 3, 2, 3)), zorder=2.6)
    height_pt = axes.figure.get_figheight() * POINTS_PER_INCH  # type: ignore[union-attr]
    gap = 1.1 * float(axes.yaxis.label.get_fontsize()) / (_AXES_SHARE * height_pt) * top
    at = -math.inf
    for level, of_whom in sorted([*((level, "plants") for level in plants_mg_l), (marks.fish_mg_l, "fish")]):
        at = max(level, at + gap)
        place: dict[str, Any] = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points", "va": "center"}
        axes.annotate(f"{of_whom} {level:g}", (1.0, at), xytext=(4, 0), color=LIGHT[of_whom], **place)


def draw_edge(axes: Axes, at: float, words: str = "") -> None:
    """Draw a vertical line at a day, with words about what begins there."""
    axes.axvline(at, color=LIGHT["soft"], lw=1.2, ls=DOTS, zorder=1.5)
    place: dict[str, Any] = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "va": "top"}
    if words:
        axes.annotate(words, (at, 1.0), xytext=(4, -2), color=LIGHT["soft"], **place)
