"""Finding the fluid: a compact region before the card, of one color that the dye can have, with a sharp edge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import Card
from colorread.card.view import CardView
from colorread.errors import Refusal

# Assumptions, unless one says more: they rest on nothing but that the fluid in the rendered photos is found with them.
_SMOOTH_MM = 0.3
_AREA_MM2 = (14.0, 560.0)  # a few drops in a small flat vial, up to a full bulb of 27 mm
_MIN_SOLIDITY = 0.85  # area over that of the convex hull: fluid in glass has no bays
_MAX_ASPECT = 4.0  # of the sides of the box around it: the fluid in a flat vial lies low and wide
# Direction of the dye in the plane of (R - G, B - G) densities: yellow lies near 0, green near 60, blue near 110
# degrees, with the spread of lamps and cameras added on both sides. Skin, wood and red plants lie outside.
_DYE_ANGLE_DEG = (-25.0, 155.0)
_MIN_CHROMA = 0.012  # below, no color is told from paper even where there is no noise
_MIN_EDGE = 0.35  # mean step of color across the outline within one millimetre, over the color inside
_USUAL_AREA_MM2 = 120.0  # smaller regions are more often feet, caps and hooks of the vial
_RIM_MM = 1.2  # glass refracts: a dark line of about this width runs round the fluid
_RIM_DEPTH = 0.05  # by which that line is darker than what lies around it, log10 of light
_TINGE = 0.15  # depth of color of plates and shadows beside the fluid, density
_LEVELS = 12  # of the depth of color at which regions are cut out
_HUE_HALF_WIDTH_DEG = 18.0
_BRIDGE_MM = 4.0  # narrower than this is a bridge from the fluid to its shadow
_MAX_ON_PATCHES = 0.4  # share of a region that may lie on gray patches, which take the color of light cast on them
_MAX_GROWTH = 1.6  # of the area, when the fluid is taken out to half its depth of color: beyond, it runs into a shadow
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
_OPENING = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
_INNER = np.ones((5, 5), np.uint8)  # takes the two outermost pixels off


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


def chroma_map(rgb_lin: NDArray[np.float32], paper_lin: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    """
    Return the color of every pixel against paper, free of light and shade.

    Parameters
    ----------
    rgb_lin, paper_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view and of bare paper there.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of float32, shape (H, W, 2)
        Density in R minus G, and in B minus G, smoothed over 0.3 mm [-].
    """
    red, green, blue = cv2.split(_log10(np.maximum(rgb_lin, 1e-3) / np.maximum(paper_lin, 1e-4)))
    chroma = cv2.merge([green - red, green - blue])
    return np.asarray(cv2.GaussianBlur(chroma, (0, 0), _SMOOTH_MM * px_per_mm), dtype=np.float32)


def find_vial(
    view: CardView,
    rgb_lin: NDArray[np.float32],
    chroma: NDArray[np.float32],
    noise: float,
    card: Card,
) -> VialFit | None:
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
    chroma : ndarray of float32, shape (H, W, 2)
        From `chroma_map`.
    noise : float
        Spread of the chroma of bare paper [-].
    card : Card
        Its geometry.

    Returns
    -------
    VialFit or None
        None where nothing on the card looks like fluid.

    Raises
    ------
    Refusal
        ``two-vials``.
    """
    candidates = list(_scored_candidates(view, rgb_lin, chroma, noise, card))
    if not candidates:
        return None
    best, best_score = max(candidates, key=lambda candidate: candidate[1])
    likely = [vial for vial, score in candidates if score > _RIVAL_SCORE * best_score]
    possible = [vial for vial, score in candidates if score > _BESIDE_PLAIN_SCORE * best_score]
    if any(_is_another(vial, best, chroma, view.px_per_mm) for vial in likely) or (
        _is_plain(best, chroma) and any(_is_fluid_beside(vial, best, chroma) for vial in possible)
    ):
        raise Refusal(
            "two-vials",
            "Two things of unlike color before the card may be the fluid.",
            "Photograph one vial alone, with nothing else of color before the card.",
        )
    return _grown(best, chroma, view.px_per_mm)


def _is_another(vial: VialFit, best: VialFit, chroma: NDArray[np.float32], px_per_mm: float) -> bool:
    """Whether a region lies apart from the best one and is a fluid of another color rather than its light or shadow."""
    if vial.area_mm2 < max(_RIVAL_SHARE * best.area_mm2, _RIVAL_AREA_MM2) or (vial.mask & best.mask).any():
        return False
    gap_px = np.linalg.norm(vial.outline_px[:, None] - best.outline_px, axis=-1).min()
    if gap_px < _RIVAL_GAP_MM * px_per_mm:
        return False
    colors = np.array([np.median(chroma[each.mask], axis=0) for each in (vial, best)])
    depth, depth_of_best = np.hypot(*colors.T)
    hue_deg, hue_of_best_deg = np.degrees(np.arctan2(*colors.T))
    return bool(depth > _RIVAL_SHARE * depth_of_best and abs(hue_deg - hue_of_best_deg) > _RIVAL_HUE_DEG)


def _box(vial: VialFit) -> tuple[slice, slice]:
    x, y, width, height = cv2.boundingRect(vial.outline_px.astype(np.int32))
    return slice(y, y + height), slice(x, x + width)


def _is_plain(vial: VialFit, chroma: NDArray[np.float32]) -> bool:
    """Whether the color is of nearly one depth throughout, away from the edge."""
    box = _box(vial)
    mask = vial.mask[box].astype(np.uint8)
    inner = cv2.erode(mask, _INNER, borderType=cv2.BORDER_CONSTANT, borderValue=0).view(bool)
    if not inner.any():
        return False
    lower, middle, upper = np.percentile(np.hypot(*chroma[box][inner].T), (25.0, 50.0, 75.0))
    return bool(upper - lower < _PLAIN_SPREAD * middle)


def _is_fluid_beside(vial: VialFit, plain: VialFit, chroma: NDArray[np.float32]) -> bool:
    """Whether a region beside a plain one, touching it or not, is large and of another hue."""
    if vial.area_mm2 < _BESIDE_PLAIN_AREA_MM2 or (vial.mask & plain.mask).any():
        return False
    colors = (np.median(chroma[_box(each)][each.mask[_box(each)]], axis=0) for each in (vial, plain))
    hue_deg, plain_hue_deg = (np.degrees(np.arctan2(*color)) for color in colors)
    return bool(abs(hue_deg - plain_hue_deg) > _BESIDE_PLAIN_HUE_DEG)


def _grown(vial: VialFit, chroma: NDArray[np.float32], px_per_mm: float) -> VialFit:
    """Return the fluid out to half its depth of color, where that stays compact."""
    depth, _ = _strength_and_angle(chroma)
    _, labels = cv2.connectedComponents((depth > 0.5 * np.median(depth[vial.mask])).astype(np.uint8))
    label = int(np.bincount(labels[vial.mask]).argmax())
    contour = max(outer_contours(labels == label), key=cv2.contourArea)
    growth = cv2.contourArea(contour) / vial.mask.sum()
    if label == 0 or _solidity(contour) < _MIN_SOLIDITY or not 1.0 < growth < _MAX_GROWTH:
        return vial
    return _fit_of(contour, vial.mask.shape, px_per_mm)


def point_at_vial(
    view: CardView, chroma: NDArray[np.float32], noise: float, corners_px: NDArray[np.float64], card: Card
) -> VialFit | None:
    """
    Take the fluid where the user points.

    Parameters
    ----------
    view : CardView
        Rectified card.
    chroma : ndarray of float32, shape (H, W, 2)
        From `chroma_map`.
    noise : float
        Spread of the chroma of bare paper [-].
    corners_px : ndarray of float64, shape (4, 2)
        Corners of the rectangle in view pixels.
    card : Card
        Its geometry.

    Returns
    -------
    VialFit or None
        The part of the ellipse in the rectangle that has the color of its middle; None where the rectangle lies
        beyond the card or holds no color, as with clear water.
    """
    inside = np.zeros(view.seen.shape, np.uint8)
    box = cv2.minAreaRect(corners_px.astype(np.float32))
    cv2.ellipse(inside, (box[0], (0.9 * box[1][0], 0.9 * box[1][1]), box[2]), 1, cv2.FILLED)
    region = inside.astype(bool) & view.seen & _card_inside(view, card, inset_mm=2.0)
    if region.sum() < _AREA_MM2[0] * view.px_per_mm**2 * 0.5:
        return None
    strength, _ = _strength_and_angle(chroma)
    middle = float(np.median(strength[region]))
    if middle < _least_chroma(noise):
        return None
    contours = outer_contours(_opened((region & (strength > 0.5 * middle)).view(np.uint8)))
    if not contours:
        return None
    return _fit_of(max(contours, key=cv2.contourArea), view.seen.shape, view.px_per_mm)


# OpenCV's logarithm and angle take a fifth of the time of NumPy's.
def _log10(light: NDArray[Any]) -> NDArray[np.float32]:
    return np.asarray(cv2.log(light) / np.float32(np.log(10.0)), dtype=np.float32)


def _strength_and_angle(chroma: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Depth of color, and its direction from -180 to 180 degrees."""
    red, blue = cv2.split(chroma)
    strength, angle_deg = cv2.cartToPolar(blue, red, angleInDegrees=True)
    return np.asarray(strength, np.float32), np.where(angle_deg > 180.0, angle_deg - 360.0, angle_deg)


def _least_chroma(noise: float) -> float:
    """Return the chroma below which a color cannot be told from the noise of paper."""
    return max(_MIN_CHROMA, 2.5 * noise)


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
    contours, tree = cv2.findContours(region.astype(np.uint8, copy=False), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    parents = () if tree is None else tree[0, :, 3]
    return [
        np.asarray(contour, np.int32)
        for contour, parent in zip(contours, parents, strict=True)
        if parent < 0 and cv2.contourArea(contour) >= least_px2
    ]


def _solidity(contour: NDArray[np.int32]) -> float:
    return float(cv2.contourArea(contour) / max(cv2.contourArea(cv2.convexHull(contour)), 1e-9))


def _fit_of(contour: NDArray[np.int32], shape: tuple[int, ...], px_per_mm: float) -> VialFit:
    filled = np.zeros(shape, np.uint8)
    cv2.drawContours(filled, [contour], -1, 1, cv2.FILLED)
    return VialFit(
        mask=filled.astype(bool),
        outline_px=contour[:, 0, :].astype(np.float64),
        area_mm2=float(cv2.contourArea(contour) / px_per_mm**2),
    )


def _scored_candidates(
    view: CardView,
    rgb_lin: NDArray[np.float32],
    chroma: NDArray[np.float32],
    noise: float,
    card: Card,
) -> Iterator[tuple[VialFit, float]]:
    strength, angle_deg = _strength_and_angle(chroma)
    possible = (angle_deg > _DYE_ANGLE_DEG[0]) & (angle_deg < _DYE_ANGLE_DEG[1]) & view.seen & _open_field(view, card)
    floor = _least_chroma(noise)
    strong = float(np.percentile(strength[possible], 99.5)) if possible.any() else 0.0
    if strong <= floor:
        return
    step = _color_step(chroma, view.px_per_mm)
    on_patch = _on_patches(view, card)
    at_edge = ~_card_inside(view, card, inset_mm=2.0)  # leaves and fingers reach in from outside
    no_rim = ~_dark_rim(rgb_lin, view.px_per_mm)
    least_px2 = _AREA_MM2[0] * view.px_per_mm**2
    for region in _regions(strength, angle_deg, possible, no_rim, floor, strong, view.px_per_mm):
        for contour in outer_contours(region, least_px2):
            scored = _scored(contour, strength, step, floor, view.px_per_mm)
            if scored is None:
                continue
            mask = scored[0].mask
            if on_patch[mask].mean() < _MAX_ON_PATCHES and not (mask & at_edge).any():
                yield scored


def _regions(
    strength: NDArray[np.float32],
    angle_deg: NDArray[np.float32],
    possible: NDArray[np.bool_],
    no_rim: NDArray[np.bool_],
    floor: float,
    strong: float,
    px_per_mm: float,
) -> Iterator[NDArray[np.uint8]]:
    """Cut the colored pixels by strength, by strength and glass rim, and by hue; specks are left out."""
    for level in np.geomspace(floor, 0.85 * strong, _LEVELS):
        colored = ((strength > level) & possible).view(np.uint8)
        yield _opened(colored)
        yield _opened(colored & no_rim)
    colored = ((strength > floor) & possible).view(np.uint8)
    for center_deg in np.arange(_DYE_ANGLE_DEG[0], _DYE_ANGLE_DEG[1], 0.75 * _HUE_HALF_WIDTH_DEG):
        hue = cv2.inRange(angle_deg, center_deg - _HUE_HALF_WIDTH_DEG, center_deg + _HUE_HALF_WIDTH_DEG)
        region = _opened(colored & hue)
        yield region
        yield _without_bridges(region, px_per_mm)


def _opened(region: NDArray[Any]) -> NDArray[np.uint8]:
    return np.asarray(cv2.morphologyEx(region, cv2.MORPH_OPEN, _OPENING), dtype=np.uint8)


def _without_bridges(region: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.uint8]:
    """Cut narrow bridges: a shadow of the fluid that touches it has nearly its hue."""
    radius = round(0.5 * _BRIDGE_MM * px_per_mm)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    parts = np.zeros_like(region)
    for contour in outer_contours(region, _AREA_MM2[0] * px_per_mm**2):
        x, y, width, height = cv2.boundingRect(contour)
        around = slice(max(y - radius, 0), y + height + radius), slice(max(x - radius, 0), x + width + radius)
        opened = cv2.morphologyEx(region[around], cv2.MORPH_OPEN, disc, borderType=cv2.BORDER_CONSTANT, borderValue=0)
        parts[around] = np.maximum(parts[around], opened)
    return parts


def _scored(
    contour: NDArray[np.int32],
    strength: NDArray[np.float32],
    step: NDArray[np.float32],
    floor: float,
    px_per_mm: float,
) -> tuple[VialFit, float] | None:
    """Return a region with its likeness to fluid, 0 to 1; None where size, shape or outline rule it out."""
    if cv2.contourArea(contour) > _AREA_MM2[1] * px_per_mm**2:
        return None
    solidity = _solidity(contour)
    sides = cv2.minAreaRect(contour)[1]
    if solidity < _MIN_SOLIDITY or max(sides) > _MAX_ASPECT * min(sides):
        return None
    fit = _fit_of(contour, strength.shape, px_per_mm)
    x, y, width, height = cv2.boundingRect(contour)
    box = slice(y, y + height), slice(x, x + width)
    inside = np.sort(strength[box][fit.mask[box]])
    lower, inner, upper = inside[(len(inside) * np.array((0.25, 0.5, 0.75))).astype(int)]
    # 1 where the whole step of color lies within one millimetre of the outline.
    edge = float(np.mean(step[contour[:, 0, 1], contour[:, 0, 0]]) / inner)
    if edge < _MIN_EDGE:
        return None
    # Saturates where the color is far above the noise, and above the tinge of plates and shadows beside the fluid.
    contrast = float(inner / (inner + max(4.0 * floor, _TINGE)))
    evenness = float(1.0 / (1.0 + (2.0 * (upper - lower) / inner) ** 2))  # falls with the spread of color inside
    size = min(fit.area_mm2 / _USUAL_AREA_MM2, 1.0) ** 0.5
    return fit, min(edge, 1.0) * solidity**2 * contrast * evenness * size


def _open_field(view: CardView, card: Card) -> NDArray[np.bool_]:
    """Where fluid may be seen: the card without its markers, shape (H, W)."""
    field = _card_inside(view, card, inset_mm=1.0)
    for rect in card.markers.values():
        field[view.window(*(rect.corners_mm[0] - 0.7), *(rect.corners_mm[2] + 0.7))] = False
    return field


def _card_inside(view: CardView, card: Card, inset_mm: float) -> NDArray[np.bool_]:
    inside = np.zeros(view.seen.shape, bool)
    right, bottom = card.outline.width_mm - inset_mm, card.outline.height_mm - inset_mm
    inside[view.window(inset_mm, inset_mm, right, bottom)] = True
    return inside


def _on_patches(view: CardView, card: Card) -> NDArray[np.bool_]:
    on_patch = np.zeros(view.seen.shape, bool)
    for patch in card.gray_patches:
        on_patch[view.window(*patch.rect.corners_mm[0], *patch.rect.corners_mm[2])] = True
    return on_patch


def _dark_rim(rgb_lin: NDArray[np.float32], px_per_mm: float) -> NDArray[np.bool_]:
    smooth = cv2.GaussianBlur(rgb_lin, (0, 0), 0.15 * px_per_mm)
    red, green, blue = cv2.split(np.maximum(smooth, 1e-3))
    log_light = _log10(red * green * blue) / 3.0
    size = 2 * round(0.5 * _RIM_MM * px_per_mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    rim: NDArray[np.bool_] = cv2.morphologyEx(log_light, cv2.MORPH_BLACKHAT, kernel) > _RIM_DEPTH
    return rim


def _color_step(chroma: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    """Change of color per millimetre, shape (H, W)."""
    squares = np.zeros(chroma.shape[:2], np.float32)
    for channel in range(2):
        for dx, dy in ((1, 0), (0, 1)):
            squares += cv2.Scharr(np.ascontiguousarray(chroma[..., channel]), cv2.CV_32F, dx, dy) ** 2
    return np.asarray(np.sqrt(squares) * (px_per_mm / 32.0), dtype=np.float32)
