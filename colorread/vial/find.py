"""Finding the fluid before the card, by itself or where the user points."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.card.view import CardView
from colorread.vial.color import ColorMap
from colorread.vial.outline import VialFit, fit_of, opened, outer_contours, solidity
from colorread.vial.regions import EDGE_MM, LEAST_AREA_MM2, MIN_SOLIDITY, scored_regions
from colorread.vial.rivals import likeness, rival_of

_MAX_GROWTH = 1.6  # of the area, when the fluid is taken out to half its depth of color: beyond, it runs into a shadow


def find_vial(view: CardView, rgb_lin: NDArray[np.float32], colors: ColorMap) -> tuple[VialFit, ...]:
    """
    Find the fluid before the card.

    Regions are cut out of the strength of color at many levels; the one whose outline is sharpest, being compact and
    of one color, is taken. Shadows, caustics and colored light have soft edges; where they touch the fluid, the dark
    rim of the glass parts them.

    Parameters
    ----------
    view : CardView
        Rectified card.
    rgb_lin : ndarray of float32, shape (H, W, 3)
        Its linear light.
    colors : ColorMap
        Its colors.

    Returns
    -------
    tuple of VialFit
        Empty where nothing on the card looks like fluid; two where a thing of another color may be the fluid as well.
    """
    regions = list(scored_regions(view, rgb_lin, colors))
    if not regions:
        return ()
    best, _ = max(regions, key=likeness)
    rival = rival_of(regions, colors)
    return (_grown(best, colors),) if rival is None else (best, rival)


def _grown(vial: VialFit, colors: ColorMap) -> VialFit:
    """Return the fluid out to half its depth of color, where that stays compact."""
    half = 0.5 * np.median(colors.strength[vial.mask])
    _, labels = cv2.connectedComponents((colors.strength > half).astype(np.uint8))
    label = int(np.bincount(labels[vial.mask]).argmax())
    contour = max(outer_contours(labels == label), key=cv2.contourArea)
    growth = cv2.contourArea(contour) / vial.mask.sum()
    if label == 0 or solidity(contour) < MIN_SOLIDITY or not 1.0 < growth < _MAX_GROWTH:
        return vial
    return fit_of(contour, vial.mask.shape, colors.px_per_mm)


def point_at_vial(view: CardView, colors: ColorMap, corners_px: NDArray[np.float64]) -> tuple[VialFit, ...]:
    """
    Take the fluid where the user points.

    Parameters
    ----------
    view : CardView
        Rectified card.
    colors : ColorMap
        Its colors.
    corners_px : ndarray of float64, shape (4, 2)
        Corners of the rectangle in view pixels.

    Returns
    -------
    tuple of VialFit
        The part of the ellipse in the rectangle that has the color of its middle; empty where the rectangle lies
        beyond the card or holds no color, as with clear water.
    """
    inside = np.zeros(view.seen.shape, np.uint8)
    box = cv2.minAreaRect(corners_px.astype(np.float32))
    cv2.ellipse(inside, (box[0], (0.9 * box[1][0], 0.9 * box[1][1]), box[2]), 1, cv2.FILLED)
    region = inside.astype(bool) & view.seen & view.mask(view.card.outline.grown(-EDGE_MM))
    if region.sum() < LEAST_AREA_MM2 * view.px_per_mm**2 * 0.5:
        return ()
    middle = float(np.median(colors.strength[region]))
    if middle < colors.least_strength:
        return ()
    contours = outer_contours(opened((region & (colors.strength > 0.5 * middle)).view(np.uint8)))
    if not contours:
        return ()
    return (fit_of(max(contours, key=cv2.contourArea), view.seen.shape, view.px_per_mm),)
