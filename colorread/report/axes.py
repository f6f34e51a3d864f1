"""What the figures of a tank have in common: colors, axes for the CO2, strips for lamp and gas, marks and legend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from colorread.tank import DailySpan
from colorread.words import Marks

Shape = Literal["narrow", "wide"]
HOURS_PER_DAY = 24.0
DASHES = (0, (5, 2))
DOTS = (0, (1, 2))


class PlotColor(NamedTuple):
    """A color of the figures on light and on dark ground."""

    light: str
    dark: str


class Strip(NamedTuple):
    """Hours of lamp or gas below a figure, or texts at days; None and none where they are not known."""

    label: str
    hours: DailySpan | None
    kind: Literal["lights", "gas", "texts"]
    texts: Sequence[tuple[float, str]] = ()


# The figures are drawn in the light colors; in a page each becomes a variable, so no two may be equal.
PLOT_COLORS = {
    "paper": PlotColor("#fdfdfc", "#15191c"),
    "ink": PlotColor("#1c2226", "#e9ecee"),
    "soft": PlotColor("#566169", "#a9b4bc"),
    "grid": PlotColor("#dfe3e6", "#30383e"),
    "tank": PlotColor("#0b567a", "#86cdf0"),
    "band": PlotColor("#b9d7e6", "#22495d"),
    "vial": PlotColor("#8a4b08", "#e5ab66"),
    "plants": PlotColor("#4c6b2f", "#a5c586"),
    "dots": PlotColor("#c2d1b1", "#3f4e33"),
    "fish": PlotColor("#a11d1d", "#ff9d94"),
    "lights": PlotColor("#efcf62", "#b3922a"),
}
LIGHT = {name: color.light for name, color in PLOT_COLORS.items()}
_STRIP_STYLES: dict[str, dict[str, Any]] = {
    "lights": {"facecolor": LIGHT["lights"]},
    "gas": {"facecolor": LIGHT["paper"], "hatch": "////"},
}
POINTS_PER_INCH = 72
# Width and height in points; in a page about one CSS pixel each, so that text is as large as that around it.
_SIZE_PT: dict[Shape, tuple[int, int]] = {"narrow": (344, 430), "wide": (940, 450)}
_FONT_PT: dict[Shape, float] = {"narrow": 12.0, "wide": 13.0}
_STRIP_PT = 19.0
_AXES_SHARE = 0.6  # of the height of the figure, roughly; only spaces the labels of the marks
_TOP_LEAST, _TOP_MOST = 1.25, 2.2  # end of the axis against the highest line or mark


def new_figure(
    shape: Shape, strips: Sequence[Strip], n_days: int, title: str = "", *, height_share: float = 1.0
) -> tuple[Figure, Axes, Axes]:
    """
    Return an empty figure with the strips of lamp and gas.

    Parameters
    ----------
    shape : {'narrow', 'wide'}
        For a phone, or for a screen and paper.
    strips : sequence of Strip
        From above; one without hours is left out.
    n_days : int
        Days from the left edge to the right one.
    title : str, optional
        Above the figure.
    height_share : float, optional
        Of the usual height.

    Returns
    -------
    figure, axes, below : Figure, Axes, Axes
        The axes for the CO2, and below them those of the strips, which carry the labels of the time; both count days.
    """
    known = [strip for strip in strips if strip.hours is not None or strip.texts]
    width, height = _SIZE_PT[shape][0], height_share * _SIZE_PT[shape][1]
    size_in = (width / POINTS_PER_INCH, height / POINTS_PER_INCH)
    figure = Figure(figsize=size_in, dpi=POINTS_PER_INCH, layout="constrained", facecolor=LIGHT["paper"])
    strip_height = max(_STRIP_PT * len(known), 1.0)
    heights = (height - strip_height, strip_height)
    axes, below = figure.subplots(2, 1, sharex=True, height_ratios=heights, gridspec_kw={"hspace": 0.0})
    for part in (axes, below):
        part.set_facecolor(LIGHT["paper"])
        part.tick_params(colors=LIGHT["ink"], labelcolor=LIGHT["ink"], labelsize=_FONT_PT[shape], length=4)
        part.grid(axis="x", color=LIGHT["grid"], lw=1.0)
        part.set_axisbelow(True)
        for side, spine in part.spines.items():
            spine.set_color(LIGHT["soft"])
            spine.set_visible(side == "bottom" or (side == "left" and part is axes))
    axes.tick_params(axis="x", which="both", length=0, labelbottom=False)
    below.tick_params(axis="y", length=0)
    below.tick_params(axis="x", which="minor", length=0, labelsize=_FONT_PT[shape], labelcolor=LIGHT["ink"])
    below.set_ylim(len(known) or 1, 0)
    below.set_yticks([row + 0.5 for row in range(len(known))], labels=[strip.label for strip in known])
    for row, strip in enumerate(known):
        for at, text in strip.texts:
            style: dict[str, Any] = {"color": LIGHT["ink"], "fontsize": _FONT_PT[shape], "clip_on": True}
            below.text(at, row + 0.5, text, ha="center", va="center", **style)
        if (hours := strip.hours) is not None:
            below.broken_barh(
                [(day + hours.on_h / HOURS_PER_DAY, hours.hours / HOURS_PER_DAY) for day in range(-1, n_days)],
                (row + 0.18, 0.64),
                edgecolor=LIGHT["ink"],
                lw=0.8,
                zorder=2,
                **_STRIP_STYLES[strip.kind],
            )
    axes.set_ylabel("CO2 [mg/L]", fontsize=_FONT_PT[shape], color=LIGHT["ink"])
    if title:
        axes.set_title(title, fontsize=_FONT_PT[shape], color=LIGHT["ink"], loc="left", parse_math=False)
    return figure, axes, below


def finish_axes(axes: Axes, shape: Shape, marks: Marks, lines: NDArray[np.float64], ends: NDArray[np.float64]) -> None:
    """
    Draw the marks and choose how far the axis of the CO2 goes.

    Parameters
    ----------
    axes : Axes
        Of the CO2.
    shape : {'narrow', 'wide'}
        That of the figure.
    marks : Marks
        What the CO2 is judged by.
    lines, ends : ndarray of float64
        Values that must be seen, and upper ends that are cut where they lie far above [mg/L].
    """
    highest = max(float(np.max(lines, initial=0.0)), marks.plants_high_mg_l, marks.fish_mg_l)
    top = min(max(_TOP_LEAST * highest, 1.05 * float(np.max(ends, initial=0.0))), _TOP_MOST * highest)
    axes.set_ylim(0.0, top)
    axes.axhspan(
        marks.plants_low_mg_l,
        marks.plants_high_mg_l,
        facecolor="none",
        edgecolor=LIGHT["dots"],
        hatch=".",
        lw=0.0,
        zorder=1,
    )
    for level in (marks.plants_low_mg_l, marks.plants_high_mg_l):
        axes.axhline(level, color=LIGHT["plants"], lw=1.2, zorder=2.5)
    axes.axhline(marks.fish_mg_l, color=LIGHT["fish"], lw=1.6, ls=(0, (8, 3, 2, 3)), zorder=2.6)
    labels = sorted(
        (
            (marks.plants_low_mg_l, f"plants {marks.plants_low_mg_l:g}", "plants"),
            (marks.plants_high_mg_l, f"plants {marks.plants_high_mg_l:g}", "plants"),
            (marks.fish_mg_l, f"fish {marks.fish_mg_l:g}", "fish"),
        )
    )
    height = axes.figure.get_figheight() * POINTS_PER_INCH  # type: ignore[union-attr]
    gap = 1.1 * _FONT_PT[shape] / (_AXES_SHARE * height) * top
    at = -math.inf
    for level, text, color in labels:
        at = max(level, at + gap)
        axes.annotate(
            text,
            (1.0, at),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            color=LIGHT[color],
            fontsize=_FONT_PT[shape],
        )


def draw_edge(axes: Axes, shape: Shape, at: float, words: str) -> None:
    """
    Draw a line up from which something else is shown.

    Parameters
    ----------
    axes : Axes
        Of the CO2.
    shape : {'narrow', 'wide'}
        That of the figure.
    at : float
        Where, in days.
    words : str
        What begins there; empty where other words say it.
    """
    axes.axvline(at, color=LIGHT["soft"], lw=1.2, ls=DOTS, zorder=1.5)
    if not words:
        return
    axes.annotate(
        words,
        (at, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(4, -2),
        textcoords="offset points",
        va="top",
        color=LIGHT["soft"],
        fontsize=_FONT_PT[shape],
    )


def add_legend(figure: Figure, shape: Shape, entries: Sequence[tuple[Any, str]], columns: int) -> None:
    """
    Put a legend above the axes.

    Parameters
    ----------
    figure : Figure
        Where to.
    shape : {'narrow', 'wide'}
        That of the figure.
    entries : sequence of (artist or tuple of artists, str)
        Sign and words.
    columns : int
        How many stand side by side.
    """
    handles, labels = [handle for handle, _ in entries], [label for _, label in entries]
    figure.legend(
        handles,
        labels,
        loc="outside upper left",
        ncols=columns,
        frameon=False,
        fontsize=_FONT_PT[shape],
        labelcolor=LIGHT["ink"],
        handlelength=2.2,
        columnspacing=1.4,
        labelspacing=0.7,
        borderpad=0.2,
    )
