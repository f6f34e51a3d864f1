"""Whether something else before the card may be the fluid as well."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.camera import direction_deg
from colorread.vial.color import ColorMap
from colorread.vial.outline import VialFit

# A second vial: likeness to fluid, area and depth of color as shares of those of the best region, and how far it lies
# from it in place and hue. Light that the lens of a vial gathers on the card is smaller, fainter or of its hue: of 77
# rendered photos of one vial none is taken for two.
_RIVAL_SCORE, _RIVAL_SHARE, _RIVAL_AREA_MM2 = 0.5, 0.45, 40.0
_RIVAL_GAP_MM, _RIVAL_HUE_DEG = 1.5, 10.0
# A sheet, strip or print has one depth of color and a sharp edge, so it may look more like fluid than the fluid does.
# Only where the best region is so plain (spread of its depth of color: fluid in flat vials up to 0.10, that in others
# from 0.15 on the rendered photos) does a fainter, touching region of another hue count as the fluid.
_PLAIN_SPREAD = 0.12
_BESIDE_PLAIN_SCORE, _BESIDE_PLAIN_AREA_MM2, _BESIDE_PLAIN_HUE_DEG = 0.1, 80.0, 25.0
_INNER = np.ones((5, 5), np.uint8)  # takes the two outermost pixels off


def likeness(region: tuple[VialFit, float]) -> float:
    """Return how much a region looks like fluid, by which regions are compared."""
    return region[1]


def rival_of(regions: Sequence[tuple[VialFit, float]], colors: ColorMap) -> VialFit | None:
    """
    Return a region beside the likeliest one that may be the fluid as well, by another color.

    Parameters
    ----------
    regions : sequence of (VialFit, float)
        At least one, each with its likeness to fluid.
    colors : ColorMap
        Of the view.

    Returns
    -------
    VialFit or None
        Where there is one, no number may be read.
    """
    best, best_score = max(regions, key=likeness)
    by_likeness = sorted(regions, key=likeness, reverse=True)
    likely = [vial for vial, score in by_likeness if score > _RIVAL_SCORE * best_score]
    rival = next((vial for vial in likely if _is_another(vial, best, colors)), None)
    if rival is not None or not _is_plain(best, colors):
        return rival
    possible = [vial for vial, score in by_likeness if score > _BESIDE_PLAIN_SCORE * best_score]
    return next((vial for vial in possible if _is_fluid_beside(vial, best, colors)), None)


def _is_another(vial: VialFit, best: VialFit, colors: ColorMap) -> bool:
    """Whether a region lies apart from the best one and is a fluid of another color rather than its light or shadow."""
    if vial.area_mm2 < max(_RIVAL_SHARE * best.area_mm2, _RIVAL_AREA_MM2) or (vial.mask & best.mask).any():
        return False
    gap_px = np.linalg.norm(vial.outline_px[:, None] - best.outline_px, axis=-1).min()
    if gap_px < _RIVAL_GAP_MM * colors.px_per_mm:
        return False
    (depth, hue_deg), (depth_of_best, hue_of_best_deg) = (_depth_and_hue_deg(each, colors) for each in (vial, best))
    return bool(depth > _RIVAL_SHARE * depth_of_best and abs(hue_deg - hue_of_best_deg) > _RIVAL_HUE_DEG)


def _depth_and_hue_deg(vial: VialFit, colors: ColorMap) -> tuple[float, float]:
    red, blue = np.median(colors.chroma[vial.box][vial.mask[vial.box]], axis=0)
    return float(np.hypot(red, blue)), float(direction_deg(np.array((red, 0.0, blue))))


def _is_plain(vial: VialFit, colors: ColorMap) -> bool:
    """Whether the color is of nearly one depth throughout, away from the edge."""
    box = vial.box
    mask = vial.mask[box].astype(np.uint8)
    inner = cv2.erode(mask, _INNER, borderType=cv2.BORDER_CONSTANT, borderValue=0).view(bool)
    if not inner.any():
        return False
    lower, middle, upper = np.percentile(colors.strength[box][inner], (25.0, 50.0, 75.0))
    return bool(upper - lower < _PLAIN_SPREAD * middle)


def _is_fluid_beside(vial: VialFit, plain: VialFit, colors: ColorMap) -> bool:
    """Whether a region beside a plain one, touching it or not, is large and of another hue."""
    if vial.area_mm2 < _BESIDE_PLAIN_AREA_MM2 or (vial.mask & plain.mask).any():
        return False
    (_, hue_deg), (_, plain_hue_deg) = (_depth_and_hue_deg(each, colors) for each in (vial, plain))
    return bool(abs(hue_deg - plain_hue_deg) > _BESIDE_PLAIN_HUE_DEG)
