"""Finding the fluid in front of card or tag, by itself or where the user points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.errors import refusal
from colorread.fluid.pixels import DYED, OTHER_LIQUID, ColorMap, pixel_classes
from colorread.reference import CardView

Rectangle = tuple[float, float, float, float]
"""x, y, width and height [px]."""

_LEAST_AREA_MM2 = 14.0  # a few drops in a small flat vial: assumption
# Pixels of the photo on the fluid: of 38 rendered photos reduced until it had 280 and more, 34 intervals held the truth
# as before, with 180 and more 32. And what is asked for then, and a small step: assumptions.
_LEAST_PIXELS, _ENOUGH_PIXELS, _STEP_MM = 250.0, 1000.0, 500.0
_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_EDGE_MM = 2.0  # of card or tag, in which nobody points at fluid
# Depth of color below which what is pointed at is not told from paper, by itself and by its noise: assumptions.
_MIN_CHROMA, _CHROMA_PER_NOISE = 0.012, 2.5
# Of what is pointed at: at least 0.68 where 113 rendered vials are; of colored caps and leaves there is none.
_LEAST_DYED = 0.5
# A second vial: its area over that of the first, and how far its hue lies from it; assumptions.
_RIVAL_SHARE, _RIVAL_HUE_DEG = 0.3, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VialFit:
    """
    Where the fluid is.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)
        The fluid in the view, out to its edge.
    outline_px : ndarray of float64, shape (N, 2)
        Outline in view pixels, x and y.
    area_mm2 : float
        Area on the plane of the card [mm2].
    """

    mask: NDArray[np.bool_]
    outline_px: NDArray[np.float64]
    area_mm2: float


def find_vial(view: CardView, colors: ColorMap) -> tuple[VialFit, ...]:
    """
    Find the fluid in front of card or tag, by the network of `colorread.fluid.pixels`.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.

    Returns
    -------
    tuple of VialFit
        Empty where there is no liquid in glass; two where another one of unlike color is there as well.

    Raises
    ------
    Refusal
        ``no-dye`` where there is liquid in glass without the color of the dye.
    """
    shown = pixel_classes(view, colors)
    least_px2 = _LEAST_AREA_MM2 * view.px_per_mm**2
    dyed = sorted(outer_contours(shown == DYED, least_px2), key=cv2.contourArea, reverse=True)
    other = outer_contours(shown == OTHER_LIQUID, least_px2)
    if max(map(cv2.contourArea, other), default=0.0) > max(map(cv2.contourArea, dyed), default=0.0):
        raise refusal("no-dye")
    vials = [_inside(contour, view) for contour in dyed]
    rivals = [
        vial
        for vial in vials[1:]
        if vial.area_mm2 > _RIVAL_SHARE * vials[0].area_mm2 and _hue_apart_deg(vial, vials[0], colors) > _RIVAL_HUE_DEG
    ]
    return (*vials[:1], *rivals[:1])


def point_at_vial(view: CardView, colors: ColorMap, corners_px: NDArray[np.float64]) -> tuple[VialFit, ...]:
    """
    Take the fluid where the user points.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.
    corners_px : ndarray of float64, shape (4, 2)
        Corners of the rectangle in view pixels.

    Returns
    -------
    tuple of VialFit
        The part of the ellipse in the rectangle that has the color of its middle; empty where the rectangle lies
        beyond the card or holds no color, as with clear water.

    Raises
    ------
    Refusal
        ``no-dye`` where the network does not take most of that part for fluid with the dye.
    """
    ellipse = np.zeros(view.seen.shape, np.uint8)
    center, sides, angle = cv2.minAreaRect(corners_px.astype(np.float32))
    cv2.ellipse(ellipse, (center, (0.9 * sides[0], 0.9 * sides[1]), angle), 1, cv2.FILLED)
    region = ellipse.astype(bool) & view.seen & view.mask(view.card.outline.grown(-_EDGE_MM))
    if region.sum() < _LEAST_AREA_MM2 * view.px_per_mm**2 * 0.5:
        return ()
    middle = float(np.median(colors.strength[region]))
    if middle < max(_MIN_CHROMA, _CHROMA_PER_NOISE * colors.noise):
        return ()
    colored = (region & (colors.strength > 0.5 * middle)).view(np.uint8)
    specks = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    contours = outer_contours(cv2.morphologyEx(colored, cv2.MORPH_OPEN, specks))
    if not contours:
        return ()
    vial = _inside(max(contours, key=cv2.contourArea), view)
    if (pixel_classes(view, colors)[vial.mask] == DYED).mean() < _LEAST_DYED:
        raise refusal("no-dye/marked")
    return (vial,)


def require_near(area_mm2: float, px_per_mm: float, distance_mm: float) -> None:
    """
    Refuse fluid of too few pixels.

    Parameters
    ----------
    area_mm2 : float
        Of the fluid on the plane of card or tag [mm2].
    px_per_mm : float
        Scale of the photo there [px/mm].
    distance_mm : float
        From the camera [mm].

    Raises
    ------
    Refusal
        ``small-vial``, with how much nearer to go.
    """
    n_pixels = area_mm2 * px_per_mm**2
    if n_pixels >= _LEAST_PIXELS:
        return
    nearer_mm = distance_mm * (1.0 - np.sqrt(n_pixels / _ENOUGH_PIXELS))
    n_steps = int(np.clip(round(nearer_mm / _STEP_MM), 1, len(_NUMBERS)))
    raise refusal("small-vial", steps=f"{_NUMBERS[n_steps - 1]} small step{'s' if n_steps > 1 else ''}")


def _inside(contour: NDArray[np.int32], view: CardView) -> VialFit:
    """Return the fluid inside an outline of `outer_contours`, with holes filled."""
    filled = np.zeros(view.seen.shape, np.uint8)
    cv2.drawContours(filled, [contour], -1, 1, cv2.FILLED)
    return VialFit(
        mask=filled.astype(bool),
        outline_px=contour[:, 0, :].astype(np.float64),
        area_mm2=float(cv2.contourArea(contour) / view.px_per_mm**2),
    )


def _hue_apart_deg(one: VialFit, other: VialFit, colors: ColorMap) -> float:
    """Return how far the hues of two regions lie apart [deg]."""
    hues = [np.arctan2(*np.median(colors.chroma[vial.mask], axis=0)) for vial in (one, other)]
    return float(np.degrees(abs((hues[0] - hues[1] + np.pi) % (2.0 * np.pi) - np.pi)))


def outer_contours(region: NDArray[Any], least_px2: float = 0.0) -> list[NDArray[np.int32]]:
    """
    Return the outlines of all parts of a region; highlights leave holes, which do not count.

    Parameters
    ----------
    region : ndarray of bool or uint8, shape (H, W)
        Where it is.
    least_px2 : float, default 0
        Smaller parts are left out [px2].

    Returns
    -------
    list of ndarray of int32, shape (N, 1, 2)
        x and y; a part in a hole of another one counts too.
    """
    region_u8 = region.astype(np.uint8, copy=False)
    part = around(region_u8)
    offset = part[1].start, part[0].start
    contours, tree = cv2.findContours(region_u8[part], cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE, offset=offset)
    parents = () if tree is None else tree[0, :, 3]
    return [
        np.asarray(contour, np.int32)
        for contour, parent in zip(contours, parents, strict=True)
        if parent < 0 and cv2.contourArea(contour) >= least_px2
    ]


def around(region: NDArray[np.uint8], margin_px: int = 1) -> tuple[slice, slice]:
    """
    Return rows and columns with a region and what is next to it: most regions are small, and time goes by pixels.

    Parameters
    ----------
    region : ndarray of uint8, shape (H, W)
        Where it is.
    margin_px : int, default 1
        How much there is to be around it, within the view [px].

    Returns
    -------
    tuple of slice
        Rows and columns.
    """
    x, y, width, height = cv2.boundingRect(region)
    rows = slice(max(y - margin_px, 0), y + height + margin_px)
    return rows, slice(max(x - margin_px, 0), x + width + margin_px)
