"""Geometry of the prints in mm: card and tag with markers, grays, window and scale bar, and the patches of a chart."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

import numpy as np

from calibration.camera import dye_transmittance, rgb_lin_under_d65
from calibration.color_space import Floats
from calibration.dye import PKA_25C_FRESH

ReferenceName = Literal["card", "tag"]
_Margins = tuple[float, float, float, float]
"""Left, top, right and bottom [mm]."""

_RIM_SHARE = 0.2  # share of a gray patch left out on each side when its level is measured: room for blur
# Room left around everything printed where the paper must be bare: for blur, and for a print that is a little off.
_ROOM_MM = 1.0

CHART_PH = (6.0, 6.2, 6.4, 6.6, 6.8, 7.0, 7.2, 7.4, 7.6)
"""pH of the patches of the chart, over the range in which the dye changes color [-]."""
CHART_LOAD = 0.7
"""Amount of dye for which the patches are computed: a usual vial, with all patches inside the sRGB gamut [-]."""
# Inside the window of the card; the space above and below is for the labels. Patches more than four times as tall as
# wide are seldom mistaken for a vial if a photo of the chart is read by accident.
_CHART_TOP_MM, _CHART_HEIGHT_MM, _CHART_GAP_MM = 8.0, 25.0, 2.4


@dataclass(frozen=True, slots=True)
class Rect:
    """
    An upright rectangle on a reference.

    Parameters
    ----------
    x_mm, y_mm : float
        Top-left corner, from the top-left corner of the reference [mm].
    width_mm, height_mm : float
        Extent to the right and down [mm].
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def right_mm(self) -> float:
        """Right edge [mm]."""
        return self.x_mm + self.width_mm

    @property
    def bottom_mm(self) -> float:
        """Lower edge [mm]."""
        return self.y_mm + self.height_mm

    @property
    def corners_mm(self) -> Floats:
        """Corners top-left, top-right, bottom-right, bottom-left as x, y, shape (4, 2) [mm]."""
        left, top, right, bottom = self.x_mm, self.y_mm, self.right_mm, self.bottom_mm
        return np.array([(left, top), (right, top), (right, bottom), (left, bottom)])

    def grown(
        self, left_mm: float, top_mm: float | None = None, right_mm: float | None = None, bottom_mm: float | None = None
    ) -> Rect:
        """Return it with margins added, or removed if negative: one for all sides, or one for each pair of sides."""
        top_mm = left_mm if top_mm is None else top_mm
        right_mm = left_mm if right_mm is None else right_mm
        bottom_mm = top_mm if bottom_mm is None else bottom_mm
        width_mm, height_mm = self.width_mm + left_mm + right_mm, self.height_mm + top_mm + bottom_mm
        return Rect(self.x_mm - left_mm, self.y_mm - top_mm, width_mm, height_mm)

    def inset(self, share: float) -> Rect:
        """Return the inner part, without this share of the width or height on each side."""
        return self.grown(-share * self.width_mm, -share * self.height_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class GrayPatch:
    """
    A patch printed in black ink of one tint.

    Parameters
    ----------
    rect : Rect
        Where it lies.
    black_coverage : float
        Ink coverage sent to the printer, 0 (bare paper) to 1 (solid black); how the tints in between come out in print
        is not known [-].
    paper : tuple of Rect
        Bare paper nearby on two opposite sides.
    """

    rect: Rect
    black_coverage: float
    paper: tuple[Rect, Rect]

    @property
    def inner(self) -> Rect:
        """The part that blur does not reach."""
        return self.rect.inset(_RIM_SHARE)


@dataclass(frozen=True, slots=True)
class ScaleBar:
    """
    The bar for checking the size of the print.

    Parameters
    ----------
    line : Rect
        From the middle of its first tick to the middle of its last, to the right of the first or below it.
    tick_mm : float
        Length of the ticks across the bar [mm].
    """

    line: Rect
    tick_mm: float

    @property
    def length_mm(self) -> float:
        """Distance between the middles of the outer ticks [mm]."""
        return self.line.width_mm + self.line.height_mm

    @property
    def rect(self) -> Rect:
        """The bar with half a tick length around it."""
        return self.line.grown(self.tick_mm / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """
    A print behind the fluid; origin at its top-left corner, x to the right, y down.

    Parameters
    ----------
    name : {'card', 'tag'}
        What people call it.
    outline : Rect
        Its edge.
    marker_dictionary : str
        Name of the ArUco dictionary of the markers.
    markers : mapping of int to Rect
        Black square of each marker by its id. As the markers are upright, the `corners_mm` are in the order in which an
        ArUco detector returns the corners.
    vial_window : Rect
        The blank field behind the vial.
    blank : Rect
        Bare paper in and around the window. It stops 0.5 to 2 mm short of markers and grays, to leave room for blur and
        for a print that is a little off; the width of that room is an assumption.
    gray_rows : tuple of tuple of GrayPatch
        The patches by rows or columns, from left to right or from top to bottom.
    scale_bar : ScaleBar
        The bar for checking the print.
    hole : Rect or None
        The square around the round hole for hanging it.
    """

    name: ReferenceName
    outline: Rect
    marker_dictionary: str
    markers: Mapping[int, Rect]
    vial_window: Rect
    blank: Rect
    gray_rows: tuple[tuple[GrayPatch, ...], ...]
    scale_bar: ScaleBar
    hole: Rect | None

    @property
    def gray_patches(self) -> tuple[GrayPatch, ...]:
        """The patches of all rows."""
        return tuple(patch for row in self.gray_rows for patch in row)

    @property
    def printed(self) -> tuple[Rect, ...]:
        """Everything that is not bare paper, with room around it."""
        holes = [] if self.hole is None else [self.hole]
        rects = [*(patch.rect for patch in self.gray_patches), *self.markers.values(), self.scale_bar.rect, *holes]
        return tuple(rect.grown(_ROOM_MM) for rect in rects)


@cache
def load_card() -> Reference:
    """
    Return the card, which is held behind the vial, from ``card.json``.

    Returns
    -------
    Reference
        The same object on every call.
    """
    # The card is bare for 4 mm above and below its patches, which are 10 mm tall.
    beside_mm = ((-1.0, 2.6, -1.0, -11.0), (-1.0, -11.0, -1.0, 2.6))
    return _load("card", beside_mm, blank_mm=(3.0, 2.5, 2.0, 2.5), tick_mm=4.0)


@cache
def load_tag() -> Reference:
    """
    Return the tag, which hangs in the tank behind the vial, from ``tag.json``.

    Returns
    -------
    Reference
        The same object on every call.
    """
    # The tag is bare for 2.5 mm from its patches, which are 6 mm wide, to its edge, and for 2 mm to its window.
    beside_mm = ((2.0, 0.0, -6.8, 0.0), (-6.8, 0.0, 2.0, 0.0))
    return _load("tag", beside_mm, blank_mm=(1.0, 0.5, 1.0, 0.5), tick_mm=2.4)


def load_references() -> tuple[Reference, ...]:
    """Return card and tag."""
    return load_card(), load_tag()


def _load(
    name: ReferenceName, beside_mm: tuple[_Margins, _Margins], *, blank_mm: _Margins, tick_mm: float
) -> Reference:
    """Load a reference; margins lead from a patch to the paper on either side, from the window to all bare paper."""
    data = json.loads(files(__package__).joinpath(f"{name}.json").read_text(encoding="utf-8"))
    side, patch, bar = data["marker_side"], data["grey_patch"], data["scale_bar"]
    window, hole = Rect(*data["vial_window"].values()), data.get("hole")

    def patch_at(x_mm: float, y_mm: float, black_coverage: float) -> GrayPatch:
        rect = Rect(float(x_mm), float(y_mm), patch["width"], patch["height"])
        before, after = (rect.grown(*margins) for margins in beside_mm)
        return GrayPatch(rect=rect, black_coverage=float(black_coverage), paper=(before, after))

    # A row has one y and a column one x; an upright bar has one x and a level bar one y.
    rows = data["grey_rows"] if "grey_rows" in data else data["grey_columns"]
    x0_mm, x1_mm, y0_mm, y1_mm = (bar.get(end, bar.get(end[0])) for end in ("x0", "x1", "y0", "y1"))
    return Reference(
        name=name,
        outline=Rect(0.0, 0.0, *data["size"]),
        marker_dictionary=data["marker_dictionary"],
        markers=MappingProxyType({int(key): Rect(x, y, side, side) for key, (x, y) in data["markers"].items()}),
        vial_window=window,
        blank=window.grown(*blank_mm),
        gray_rows=tuple(
            tuple(patch_at(*one) for one in np.broadcast(row["x"], row["y"], row["black_coverage"])) for row in rows
        ),
        scale_bar=ScaleBar(Rect(x0_mm, y0_mm, x1_mm - x0_mm, y1_mm - y0_mm), tick_mm),
        hole=None if hole is None else Rect(hole["x"], hole["y"], 0.0, 0.0).grown(hole["diameter"] / 2.0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPatch:
    """
    One patch of the printed color chart.

    Parameters
    ----------
    ph : float
        The pH it shows, at 25 degrees C [-].
    rect : Rect
        Where it lies in the window of the card.
    rgb_lin : ndarray of float64, shape (3,)
        Color, linear sRGB, with paper as (1, 1, 1).
    """

    ph: float
    rect: Rect
    rgb_lin: Floats


@cache
def chart_patches() -> tuple[ChartPatch, ...]:
    """
    Return the patches of the chart from yellow to blue.

    The colors are those of the dye in front of white paper under D65, for the standard observer and the pKa' expected
    at 25 degrees C; 5 degrees more or less shift them by 0.03 in pH, far less than printers differ.

    Returns
    -------
    tuple of ChartPatch
        One for each of `CHART_PH`; the same object on every call.
    """
    window = load_card().vial_window
    pitch_mm = (window.width_mm + _CHART_GAP_MM) / len(CHART_PH)
    colors = rgb_lin_under_d65(dye_transmittance(np.array(CHART_PH) - PKA_25C_FRESH, CHART_LOAD), "srgb")
    top_mm, width_mm = window.y_mm + _CHART_TOP_MM, pitch_mm - _CHART_GAP_MM
    return tuple(
        ChartPatch(ph=ph, rect=Rect(window.x_mm + n * pitch_mm, top_mm, width_mm, _CHART_HEIGHT_MM), rgb_lin=color)
        for n, (ph, color) in enumerate(zip(CHART_PH, colors, strict=True))
    )
