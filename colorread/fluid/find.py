"""Finding the fluid in front of card or tag, by itself or where the user points."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.errors import Refusal
from colorread.fluid.color import ColorMap
from colorread.fluid.mask import DYED, OTHER_LIQUID, mask_input, pixel_classes
from colorread.fluid.outline import VialFit, fit_of, opened, outer_contours
from colorread.reference import Balance, CardView

_LEAST_AREA_MM2 = 14.0  # a few drops in a small flat vial: assumption
# Pixels of the photo on the fluid: of 38 rendered photos reduced until it had 280 and more, 34 intervals held the truth
# as before, with 180 and more 32. And what is asked for then, and a small step: assumptions.
_LEAST_PIXELS, _ENOUGH_PIXELS, _STEP_MM = 250.0, 1000.0, 500.0
_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_EDGE_MM = 2.0  # of card or tag, in which nobody points at fluid
# Of what is pointed at: at least 0.68 where 113 rendered vials are; of colored caps and leaves there is none.
_LEAST_DYED = 0.5
# A second vial: its area over that of the first, and how far its hue lies from it; assumptions.
_RIVAL_SHARE, _RIVAL_HUE_DEG = 0.3, 10.0


def find_vial(view: CardView, balance: Balance, colors: ColorMap) -> tuple[VialFit, ...]:
    """
    Find the fluid in front of card or tag, by the network of `colorread.fluid.mask`.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    balance : Balance
        Its light, and that of bare paper.
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
    shown = _shown(view, balance)
    least_px2 = _LEAST_AREA_MM2 * view.px_per_mm**2
    dyed = sorted(outer_contours(shown == DYED, least_px2), key=cv2.contourArea, reverse=True)
    other = outer_contours(shown == OTHER_LIQUID, least_px2)
    if max(map(cv2.contourArea, other), default=0.0) > max(map(cv2.contourArea, dyed), default=0.0):
        raise Refusal(
            "no-dye",
            "The fluid in the vial does not have the color of the dye.",
            "Fill the vial with KH fluid and a few drops of bromothymol blue. Nothing else can be read.",
        )
    vials = [fit_of(contour, view.seen.shape, view.px_per_mm) for contour in dyed]
    rivals = [
        vial
        for vial in vials[1:]
        if vial.area_mm2 > _RIVAL_SHARE * vials[0].area_mm2 and _hue_apart_deg(vial, vials[0], colors) > _RIVAL_HUE_DEG
    ]
    return (*vials[:1], *rivals[:1])


def _shown(view: CardView, balance: Balance) -> NDArray[np.intp]:
    """Return what each pixel of the view shows, as the network says."""
    layers = mask_input(view.rgb_u8, view.seen, balance.rgb_lin, balance.paper.rgb_lin, view.px_per_mm)
    return pixel_classes(layers, view.seen.shape)


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
    raise Refusal(
        "small-vial",
        "The fluid is too small in the photo to tell its color.",
        f"Go nearer, by about {_NUMBERS[n_steps - 1]} small step{'s' if n_steps > 1 else ''}. Use the original file.",
    )


def _hue_apart_deg(one: VialFit, other: VialFit, colors: ColorMap) -> float:
    """Return how far the hues of two regions lie apart [deg]."""
    hues = [np.arctan2(*np.median(colors.chroma[vial.mask], axis=0)) for vial in (one, other)]
    return float(np.degrees(abs((hues[0] - hues[1] + np.pi) % (2.0 * np.pi) - np.pi)))


def point_at_vial(
    view: CardView, balance: Balance, colors: ColorMap, corners_px: NDArray[np.float64]
) -> tuple[VialFit, ...]:
    """
    Take the fluid where the user points.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    balance : Balance
        Its light, and that of bare paper.
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
    inside = np.zeros(view.seen.shape, np.uint8)
    box = cv2.minAreaRect(corners_px.astype(np.float32))
    cv2.ellipse(inside, (box[0], (0.9 * box[1][0], 0.9 * box[1][1]), box[2]), 1, cv2.FILLED)
    region = inside.astype(bool) & view.seen & view.mask(view.card.outline.grown(-_EDGE_MM))
    if region.sum() < _LEAST_AREA_MM2 * view.px_per_mm**2 * 0.5:
        return ()
    middle = float(np.median(colors.strength[region]))
    if middle < colors.least_strength:
        return ()
    contours = outer_contours(opened((region & (colors.strength > 0.5 * middle)).view(np.uint8)))
    if not contours:
        return ()
    vial = fit_of(max(contours, key=cv2.contourArea), view.seen.shape, view.px_per_mm)
    if (_shown(view, balance)[vial.mask] == DYED).mean() < _LEAST_DYED:
        raise Refusal(
            "no-dye",
            "What you marked does not look like fluid with the dye.",
            "Mark the fluid alone. Only KH water with a few drops of bromothymol blue can be read.",
        )
    return (vial,)
