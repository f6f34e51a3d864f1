"""The printed references, card and tag: where their markers, gray patches, window and scale bar lie, in mm."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

ReferenceName = Literal["card", "tag"]

# Part of the sides of a gray patch that is left out all around it where its level is measured: room for blur.
_PATCH_RIM_SHARE = 0.2
_ROOM_MM = 1.0  # kept from whatever is printed where paper is to be bare, for blur and a print that is a little off


@dataclass(frozen=True, slots=True, kw_only=True)
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
    def corners_mm(self) -> NDArray[np.float64]:
        """Corners top-left, top-right, bottom-right, bottom-left as x, y, shape (4, 2) [mm]."""
        left, top, right, bottom = self.x_mm, self.y_mm, self.right_mm, self.bottom_mm
        return np.array([(left, top), (right, top), (right, bottom), (left, bottom)])

    def grown(
        self, left_mm: float, top_mm: float | None = None, right_mm: float | None = None, bottom_mm: float | None = None
    ) -> Rect:
        """Return it with margins added, below zero taken off; one is for all sides, two for opposite ones alike."""
        top_mm = left_mm if top_mm is None else top_mm
        right_mm = left_mm if right_mm is None else right_mm
        bottom_mm = top_mm if bottom_mm is None else bottom_mm
        return Rect(
            x_mm=self.x_mm - left_mm,
            y_mm=self.y_mm - top_mm,
            width_mm=self.width_mm + left_mm + right_mm,
            height_mm=self.height_mm + top_mm + bottom_mm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class GrayPatch:
    """
    A patch printed in black ink of one tint.

    Parameters
    ----------
    rect : Rect
        Where it lies.
    black_coverage : float
        Ink coverage sent to the printer, 0 (bare paper) to 1 (solid black); what the print makes of the tints
        between is not known [-].
    paper : tuple of Rect
        Bare paper close to it on two opposite sides.
    """

    rect: Rect
    black_coverage: float
    paper: tuple[Rect, Rect]

    @property
    def inner(self) -> Rect:
        """The part of it that blur does not reach."""
        return self.rect.grown(-_PATCH_RIM_SHARE * self.rect.width_mm, -_PATCH_RIM_SHARE * self.rect.height_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleBar:
    """
    The bar by which the size of the print is checked.

    Parameters
    ----------
    x0_mm, y0_mm : float
        Middle of its first tick [mm].
    x1_mm, y1_mm : float
        Middle of its last tick, to the right of the first or below it [mm].
    tick_mm : float
        Length of the ticks across the bar [mm].
    """

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float
    tick_mm: float

    @property
    def length_mm(self) -> float:
        """Distance of the outer ticks, middle to middle [mm]."""
        return self.x1_mm - self.x0_mm + self.y1_mm - self.y0_mm

    @property
    def rect(self) -> Rect:
        """The bar with its ticks, as if they stood out at its ends too."""
        line = Rect(
            x_mm=self.x0_mm, y_mm=self.y0_mm, width_mm=self.x1_mm - self.x0_mm, height_mm=self.y1_mm - self.y0_mm
        )
        return line.grown(self.tick_mm / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """
    A round hole to hang it by.

    Parameters
    ----------
    x_mm, y_mm : float
        Its middle [mm].
    diameter_mm : float
        Its width [mm].
    """

    x_mm: float
    y_mm: float
    diameter_mm: float

    @property
    def rect(self) -> Rect:
        """The square around it."""
        return Rect(x_mm=self.x_mm, y_mm=self.y_mm, width_mm=0.0, height_mm=0.0).grown(self.diameter_mm / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """
    What is printed and photographed behind the fluid; origin at its top-left corner, x to the right, y down.

    Parameters
    ----------
    name : {'card', 'tag'}
        The word for it.
    outline : Rect
        The whole of it.
    marker_dictionary : str
        Name of the ArUco dictionary of the markers.
    markers : mapping of int to Rect
        Black square of each marker by its id; its `corners_mm` are in the order in which an ArUco detector
        gives the corners of a marker, for the markers stand upright.
    vial_window : Rect
        The blank field in front of which the vial is.
    blank : Rect
        Bare paper in and around the window, up to 0.5 to 2 mm before markers and grays: room for blur and for a print
        that is a little off; the width of that room is an assumption.
    gray_rows : tuple of tuple of GrayPatch
        The patches by rows or columns, each from left to right or from top to bottom.
    scale_bar : ScaleBar
        The bar for checking the print.
    hole : Hole or None
        To hang it by.
    """

    name: ReferenceName
    outline: Rect
    marker_dictionary: str
    markers: Mapping[int, Rect]
    vial_window: Rect
    blank: Rect
    gray_rows: tuple[tuple[GrayPatch, ...], ...]
    scale_bar: ScaleBar
    hole: Hole | None

    @property
    def gray_patches(self) -> tuple[GrayPatch, ...]:
        """The patches of all rows."""
        return tuple(patch for row in self.gray_rows for patch in row)

    @property
    def printed(self) -> tuple[Rect, ...]:
        """Whatever is no bare paper, with room around it."""
        rects = [patch.rect for patch in self.gray_patches]
        rects += [*self.markers.values(), self.scale_bar.rect]
        rects += [] if self.hole is None else [self.hole.rect]
        return tuple(rect.grown(_ROOM_MM) for rect in rects)


@cache
def load_card() -> Reference:
    """
    Return the card, which is held behind the vial, as described in ``card.json``.

    Returns
    -------
    Reference
        The same object at each call.
    """
    data = _read("card")
    patch, bar = data["grey_patch"], data["scale_bar"]

    def patch_at(x_mm: float, y_mm: float, black_coverage: float) -> GrayPatch:
        rect = Rect(x_mm=x_mm, y_mm=y_mm, width_mm=patch["width"], height_mm=patch["height"])
        inner = rect.grown(-1.0, 0.0)
        # The card is bare for 4 mm above and below its patches.
        paper = inner.grown(0.0, 2.6, 0.0, -rect.height_mm - 1.0), inner.grown(0.0, -rect.height_mm - 1.0, 0.0, 2.6)
        return GrayPatch(rect=rect, black_coverage=black_coverage, paper=paper)

    return _reference(
        "card",
        data,
        blank_mm=(3.0, 2.5, 2.0, 2.5),
        gray_rows=tuple(
            tuple(patch_at(x_mm, row["y"], ink) for x_mm, ink in zip(row["x"], row["black_coverage"], strict=True))
            for row in data["grey_rows"]
        ),
        scale_bar=ScaleBar(x0_mm=bar["x"], y0_mm=bar["y0"], x1_mm=bar["x"], y1_mm=bar["y1"], tick_mm=4.0),
        hole=None,
    )


@cache
def load_tag() -> Reference:
    """
    Return the tag, which hangs in the tank behind the vial, as described in ``tag.json``.

    Returns
    -------
    Reference
        The same object at each call.
    """
    data = _read("tag")
    patch, bar, hole = data["grey_patch"], data["scale_bar"], data["hole"]

    def patch_at(x_mm: float, y_mm: float, black_coverage: float) -> GrayPatch:
        rect = Rect(x_mm=x_mm, y_mm=y_mm, width_mm=patch["width"], height_mm=patch["height"])
        # The tag is bare for 2.5 mm to its edge, and for 2 mm to its window.
        paper = rect.grown(2.0, 0.0, -rect.width_mm - 0.8), rect.grown(-rect.width_mm - 0.8, 0.0, 2.0)
        return GrayPatch(rect=rect, black_coverage=black_coverage, paper=paper)

    return _reference(
        "tag",
        data,
        blank_mm=(1.0, 0.5, 1.0, 0.5),
        gray_rows=tuple(
            tuple(patch_at(row["x"], y_mm, ink) for y_mm, ink in zip(row["y"], row["black_coverage"], strict=True))
            for row in data["grey_columns"]
        ),
        scale_bar=ScaleBar(x0_mm=bar["x0"], y0_mm=bar["y"], x1_mm=bar["x1"], y1_mm=bar["y"], tick_mm=2.4),
        hole=Hole(x_mm=hole["x"], y_mm=hole["y"], diameter_mm=hole["diameter"]),
    )


def load_references() -> tuple[Reference, ...]:
    """Return all there are."""
    return load_card(), load_tag()


def _read(name: ReferenceName) -> dict[str, Any]:
    return dict(json.loads(files(__package__).joinpath(f"{name}.json").read_text(encoding="utf-8")))


def _reference(
    name: ReferenceName,
    data: dict[str, Any],
    *,
    blank_mm: tuple[float, float, float, float],
    gray_rows: tuple[tuple[GrayPatch, ...], ...],
    scale_bar: ScaleBar,
    hole: Hole | None,
) -> Reference:
    """Return a reference with what is described alike for all; `blank_mm` is left, top, right, bottom of the window."""
    side, window = data["marker_side"], data["vial_window"]
    vial_window = Rect(x_mm=window["x"], y_mm=window["y"], width_mm=window["width"], height_mm=window["height"])
    return Reference(
        name=name,
        outline=Rect(x_mm=0.0, y_mm=0.0, width_mm=data["size"][0], height_mm=data["size"][1]),
        marker_dictionary=data["marker_dictionary"],
        markers=MappingProxyType(
            {
                int(marker_id): Rect(x_mm=x, y_mm=y, width_mm=side, height_mm=side)
                for marker_id, (x, y) in data["markers"].items()
            }
        ),
        vial_window=vial_window,
        blank=vial_window.grown(*blank_mm),
        gray_rows=gray_rows,
        scale_bar=scale_bar,
        hole=hole,
    )
