"""The geometry of the printed card: where its markers, gray patches, window and scale bar lie, in mm."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Rect:
    """
    An upright rectangle on the card.

    Parameters
    ----------
    x_mm, y_mm : float
        Top-left corner, from the top-left corner of the card [mm].
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

    def strips(self, from_mm: float, to_mm: float) -> tuple[Rect, Rect]:
        """Return the strips above and below that reach from one distance to another, as wide as it is."""
        height_mm = to_mm - from_mm
        return (
            replace(self, y_mm=self.y_mm - to_mm, height_mm=height_mm),
            replace(self, y_mm=self.bottom_mm + from_mm, height_mm=height_mm),
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
    """

    rect: Rect
    black_coverage: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleBar:
    """
    The upright bar by which the size of the print is checked.

    Parameters
    ----------
    x_mm : float
        Where it stands [mm].
    y0_mm, y1_mm : float
        Middle of its first and last tick [mm].
    """

    x_mm: float
    y0_mm: float
    y1_mm: float

    @property
    def length_mm(self) -> float:
        """Distance of the outer ticks, middle to middle [mm]."""
        return self.y1_mm - self.y0_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """
    The card as it is meant to be printed; origin at its top-left corner, x to the right, y down.

    Parameters
    ----------
    outline : Rect
        The whole card.
    marker_dictionary : str
        Name of the ArUco dictionary of the markers.
    markers : mapping of int to Rect
        Black square of each marker by its id; its `corners_mm` are in the order in which an ArUco detector
        gives the corners of a marker, for the markers stand upright on the card.
    vial_window : Rect
        The blank field before which the vial is held.
    gray_patches : tuple of GrayPatch
        Upper row, then lower row, each from left to right.
    scale_bar : ScaleBar
        The bar for checking the print.
    """

    outline: Rect
    marker_dictionary: str
    markers: Mapping[int, Rect]
    vial_window: Rect
    gray_patches: tuple[GrayPatch, ...]
    scale_bar: ScaleBar


@cache
def load_card() -> Card:
    """
    Return the card as described in ``card.json``.

    Returns
    -------
    Card
        The same object at each call.
    """
    data: dict[str, Any] = json.loads(files(__package__).joinpath("card.json").read_text(encoding="utf-8"))
    side = data["marker_side"]
    window, patch, bar = data["vial_window"], data["grey_patch"], data["scale_bar"]
    return Card(
        outline=Rect(x_mm=0.0, y_mm=0.0, width_mm=data["size"][0], height_mm=data["size"][1]),
        marker_dictionary=data["marker_dictionary"],
        markers=MappingProxyType(
            {
                int(marker_id): Rect(x_mm=x, y_mm=y, width_mm=side, height_mm=side)
                for marker_id, (x, y) in data["markers"].items()
            }
        ),
        vial_window=Rect(x_mm=window["x"], y_mm=window["y"], width_mm=window["width"], height_mm=window["height"]),
        gray_patches=tuple(
            GrayPatch(
                rect=Rect(x_mm=x, y_mm=row["y"], width_mm=patch["width"], height_mm=patch["height"]),
                black_coverage=coverage,
            )
            for row in data["grey_rows"]
            for x, coverage in zip(row["x"], row["black_coverage"], strict=True)
        ),
        scale_bar=ScaleBar(x_mm=bar["x"], y0_mm=bar["y0"], y1_mm=bar["y1"]),
    )
