"""Regions that may be fluid: compact, of one color that the dye can have, with a sharp edge."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.card.view import CardView
from colorread.vial.color import ColorMap, color_step, dark_rim
from colorread.vial.outline import VialFit, fit_of, opened, outer_contours, solidity

# Assumptions, unless one says more: they rest on nothing but that the fluid in the rendered photos is found with them.
LEAST_AREA_MM2, _MOST_AREA_MM2 = 14.0, 560.0  # a few drops in a small flat vial, a full bulb of 27 mm
MIN_SOLIDITY = 0.85  # area over that of the convex hull: fluid in glass has no bays
_MAX_ASPECT = 4.0  # of the sides of the box around it: the fluid in a flat vial lies low and wide
# Direction of the dye in the plane of (R - G, B - G) densities: yellow lies near 0, green near 60, blue near 110
# degrees, with the spread of lamps and cameras added on both sides. Skin, wood and red plants lie outside.
_DYE_ANGLE_DEG = (-25.0, 155.0)
_MIN_EDGE = 0.35  # mean step of color across the outline within one millimeter, over the color inside
_USUAL_AREA_MM2 = 120.0  # smaller regions are more often feet, caps and hooks of the vial
_TINGE = 0.15  # depth of color of plates and shadows beside the fluid, density
_LEVELS = 12  # of the depth of color at which regions are cut out
_HUE_HALF_WIDTH_DEG = 18.0
_BRIDGE_MM = 4.0  # narrower than this is a bridge from the fluid to its shadow
EDGE_MM = 2.0  # of the card, in which no fluid is looked for: leaves and fingers reach in from outside
_MAX_ON_PATCHES = 0.4  # share of a region that may lie on gray patches, which take the color of light cast on them


def scored_regions(view: CardView, rgb_lin: NDArray[np.float32], colors: ColorMap) -> Iterator[tuple[VialFit, float]]:
    """
    Cut regions out of the strength of color at many levels and by hue, and keep those that may be fluid.

    Parameters
    ----------
    view : CardView
        Rectified card.
    rgb_lin : ndarray of float32, shape (H, W, 3)
        Its linear light.
    colors : ColorMap
        Its colors.

    Yields
    ------
    VialFit
        A region; the same fluid comes at several levels.
    float
        Its likeness to fluid, 0 to 1.
    """
    dyed = (colors.angle_deg > _DYE_ANGLE_DEG[0]) & (colors.angle_deg < _DYE_ANGLE_DEG[1])
    possible = dyed & view.seen & _open_field(view)
    strong = float(np.percentile(colors.strength[possible], 99.5)) if possible.any() else 0.0
    if strong <= colors.least_strength:
        return
    step = color_step(colors)
    on_patch = view.mask(*(patch.rect for patch in view.card.gray_patches))
    at_edge = ~view.mask(view.card.outline.grown(-EDGE_MM))
    no_rim = ~dark_rim(rgb_lin, view.px_per_mm)
    least_px2 = LEAST_AREA_MM2 * view.px_per_mm**2
    for region in _regions(colors, possible, no_rim, strong):
        for contour in outer_contours(region, least_px2):
            scored = _scored(contour, colors, step)
            if scored is None:
                continue
            mask = scored[0].mask
            if on_patch[mask].mean() < _MAX_ON_PATCHES and not (mask & at_edge).any():
                yield scored


def _regions(
    colors: ColorMap, possible: NDArray[np.bool_], no_rim: NDArray[np.bool_], strong: float
) -> Iterator[NDArray[np.uint8]]:
    """Cut the colored pixels by strength, by strength and glass rim, and by hue; specks are left out."""
    for level in np.geomspace(colors.least_strength, 0.85 * strong, _LEVELS):
        colored = ((colors.strength > level) & possible).view(np.uint8)
        yield opened(colored)
        yield opened(colored & no_rim)
    colored = ((colors.strength > colors.least_strength) & possible).view(np.uint8)
    for center_deg in np.arange(_DYE_ANGLE_DEG[0], _DYE_ANGLE_DEG[1], 0.75 * _HUE_HALF_WIDTH_DEG):
        hue = cv2.inRange(colors.angle_deg, center_deg - _HUE_HALF_WIDTH_DEG, center_deg + _HUE_HALF_WIDTH_DEG)
        region = opened(colored & hue)
        yield region
        yield _without_bridges(region, colors.px_per_mm)


def _without_bridges(region: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.uint8]:
    """Cut narrow bridges: a shadow of the fluid that touches it has nearly its hue."""
    radius = round(0.5 * _BRIDGE_MM * px_per_mm)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    parts = np.zeros_like(region)
    for contour in outer_contours(region, LEAST_AREA_MM2 * px_per_mm**2):
        x, y, width, height = cv2.boundingRect(contour)
        around = slice(max(y - radius, 0), y + height + radius), slice(max(x - radius, 0), x + width + radius)
        parted = cv2.morphologyEx(region[around], cv2.MORPH_OPEN, disc, borderType=cv2.BORDER_CONSTANT, borderValue=0)
        parts[around] = np.maximum(parts[around], parted)
    return parts


def _scored(contour: NDArray[np.int32], colors: ColorMap, step: NDArray[np.float32]) -> tuple[VialFit, float] | None:
    """Return a region with its likeness to fluid, 0 to 1; None where size, shape or outline rule it out."""
    if cv2.contourArea(contour) > _MOST_AREA_MM2 * colors.px_per_mm**2:
        return None
    solid = solidity(contour)
    sides = cv2.minAreaRect(contour)[1]
    if solid < MIN_SOLIDITY or max(sides) > _MAX_ASPECT * min(sides):
        return None
    fit = fit_of(contour, colors.strength.shape, colors.px_per_mm)
    inside = np.sort(colors.strength[fit.box][fit.mask[fit.box]])
    lower, inner, upper = inside[(len(inside) * np.array((0.25, 0.5, 0.75))).astype(int)]
    # 1 where the whole step of color lies within one millimeter of the outline.
    edge = float(np.mean(step[contour[:, 0, 1], contour[:, 0, 0]]) / inner)
    if edge < _MIN_EDGE:
        return None
    # Saturates where the color is far above the noise, and above the tinge of plates and shadows beside the fluid.
    contrast = float(inner / (inner + max(4.0 * colors.least_strength, _TINGE)))
    evenness = float(1.0 / (1.0 + (2.0 * (upper - lower) / inner) ** 2))  # falls with the spread of color inside
    size = min(fit.area_mm2 / _USUAL_AREA_MM2, 1.0) ** 0.5
    return fit, min(edge, 1.0) * solid**2 * contrast * evenness * size


def _open_field(view: CardView) -> NDArray[np.bool_]:
    """Where fluid may be seen: the card without its markers, shape (H, W)."""
    markers = view.mask(*(rect.grown(0.7) for rect in view.card.markers.values()))
    return view.mask(view.card.outline.grown(-1.0)) & ~markers
