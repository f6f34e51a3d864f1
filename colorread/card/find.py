"""Finds the card in a photo: the plane map from millimeters on the card to pixels of the photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import Card, load_card
from colorread.card.markers import Sighting, look_for_markers
from colorread.card.plane import PlaneFit, best_fit, mm_from_px, px_from_mm
from colorread.errors import Refusal

__all__ = ["CardFit", "find_card", "mm_from_px", "px_from_mm"]

# The search goes on after its second try only while fewer than three markers agree: assumption, as three tell the plane
# and contradict each other.
ENOUGH_MARKERS, ENOUGH_MARKERS_LATER = 4, 3

# Assumptions. Beyond this tilt the fluid stands well aside of the paper that is seen through it.
TILT_LIMIT_DEG = 35.0
WINDOW_SEEN_SHARE = 0.75  # leaves room for a vial with paper around it
GRAY_CORRELATION = -0.7  # of contrast with ink along a row of grays

# Ratio of focal length to picture diagonal of a phone's main camera: 26 mm for the 43.3 mm diagonal of the
# 35 mm format (common practice, no source).
FOCAL_PER_DIAGONAL = 26.0 / 43.3

STRIP_MM = 2.5  # of paper above and below a gray patch, where the card is blank for 4 mm
# Weights of the corners of a quadrangle for 5 x 5 points in its inner part.
_ALONG = np.linspace(0.25, 0.75, 5)
INNER_POINTS = np.array([((1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v) for u in _ALONG for v in _ALONG])

RETRY = "Take the photo again: the whole card in view, sharp, evenly lit, straight on from 20 to 30 cm."


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFit:
    """
    Where the card lies in a photo.

    Pixel coordinates are x, y with the middle of the first pixel at (0, 0), as in OpenCV.

    Parameters
    ----------
    homography : numpy.ndarray of float64, shape (3, 3)
        From card [mm] to photo [px].
    corners_px : numpy.ndarray of float64, shape (4, 2)
        Corners of the card: top-left, top-right, bottom-right, bottom-left as printed [px].
    tilt_deg : float
        Angle between card normal and line of sight. Rests on the view angle of a phone's main camera; over
        47 rendered photos 2 degrees too low on the average, at worst 8. Too low for zoomed pictures, and
        useless for much cropped ones [deg].
    px_per_mm : float
        Mean scale over the card [px/mm].
    flags : tuple of str
        What makes the fit less sure: ``"marker-missing"`` (fewer than four used), ``"two-markers"``,
        ``"marker-off"`` (one seen, but bent, shaded or not of this card), ``"card-bent"``,
        ``"card-cut-off"`` (an edge lies outside the photo), ``"card-tilted"``.
    """

    homography: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    tilt_deg: float
    px_per_mm: float
    flags: tuple[str, ...]


def find_card(rgb_u8: NDArray[np.uint8]) -> CardFit:
    """
    Find the card in an upright photo.

    Parameters
    ----------
    rgb_u8 : numpy.ndarray of uint8, shape (H, W, 3)
        The photo, RGB; a long side of about 2000 px is meant.

    Returns
    -------
    CardFit
        The fit with its quality.

    Raises
    ------
    colorread.errors.Refusal
        ``"no-card"``, ``"card-hidden"`` (too few markers seen), ``"card-mirrored"``, ``"several-cards"``,
        ``"card-unclear"`` (markers contradict each other or the rows of grays are missing),
        ``"card-cut-off"`` (the window for the vial lies outside).
    ValueError
        If `rgb_u8` is not such an array.
    """
    if rgb_u8.ndim != 3 or rgb_u8.shape[2] != 3 or rgb_u8.dtype != np.uint8 or 0 in rgb_u8.shape:
        raise ValueError("rgb_u8 must be a uint8 array of shape (H, W, 3)")
    card = load_card()
    gray = np.asarray(cv2.cvtColor(rgb_u8, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    sightings, fit = _search(gray, card)
    if fit is None:
        raise _refusal_without_fit(gray, card, sightings)
    used_ids = {marker_id for marker_id, _ in fit.sightings}
    others = [s for s in sightings if not any(s is used for used in fit.sightings)]
    if best_fit(others, card) is not None:
        raise Refusal(
            "several-cards",
            "There is more than one card in the photo.",
            "Leave one card in view and take a new photo.",
        )
    if others and len(used_ids) == 2:  # two against one or two
        raise _contradiction()
    homography = fit.homography
    _require_plausible(gray, card, homography)

    corners_px = px_from_mm(homography, card.outline.corners_mm)
    area_px = cv2.contourArea(corners_px.astype(np.float32))
    tilt_deg = _tilt_deg(homography, card, gray.shape)
    height_px, width_px = gray.shape
    inside = (corners_px >= -0.5) & (corners_px <= (width_px - 0.5, height_px - 0.5))
    flags = {
        "marker-missing": len(used_ids) < len(card.markers),
        "two-markers": len(used_ids) == 2,
        "marker-off": bool(others),
        "card-bent": not fit.is_flat,
        "card-cut-off": not inside.all(),
        "card-tilted": tilt_deg > TILT_LIMIT_DEG,
    }
    return CardFit(
        homography=homography,
        corners_px=corners_px,
        tilt_deg=tilt_deg,
        px_per_mm=float(np.sqrt(area_px / (card.outline.width_mm * card.outline.height_mm))),
        flags=tuple(flag for flag, holds in flags.items() if holds),
    )


def _search(gray: NDArray[np.uint8], card: Card) -> tuple[list[Sighting], PlaneFit | None]:
    """Look for markers until enough of them agree; return all that were seen and the fit, if any."""
    sightings: list[Sighting] = []
    fit = None
    tries = look_for_markers(gray, dictionary_name=card.marker_dictionary, ids=card.markers)
    for n_tries, sightings in enumerate(tries, 1):
        fit = best_fit(sightings, card)
        enough = ENOUGH_MARKERS if n_tries == 1 else ENOUGH_MARKERS_LATER
        if fit is not None and len(fit.sightings) >= enough:
            break
    return sightings, fit


def _require_plausible(gray: NDArray[np.uint8], card: Card, homography: NDArray[np.float64]) -> None:
    height_px, width_px = gray.shape
    outline_mm = card.outline.corners_mm
    depths = outline_mm @ homography[2, :2] + homography[2, 2]
    corners_px = px_from_mm(homography, outline_mm).astype(np.float32)
    in_front = bool((depths * depths[0] > 0).all())
    # With y down, an unmirrored card runs clockwise on the screen, which OpenCV counts as a positive area.
    if not in_front or not cv2.isContourConvex(corners_px) or cv2.contourArea(corners_px, oriented=True) <= 0:
        raise _contradiction()
    window_px = px_from_mm(homography, card.vial_window.corners_mm).astype(np.float32)
    photo_px = np.array([(0, 0), (width_px, 0), (width_px, height_px), (0, height_px)], np.float32) - 0.5
    seen_area_px, _ = cv2.intersectConvexConvex(window_px, photo_px)
    if seen_area_px < WINDOW_SEEN_SHARE * cv2.contourArea(window_px):
        raise Refusal("card-cut-off", "The card's blank window is cut off by the edge of the photo.", RETRY)
    if not _has_gray_rows(gray, card, homography):
        raise Refusal(
            "card-unclear",
            "The card's rows of grays cannot be told apart: they are covered, or the photo is too bright.",
            "Keep the grays free and the light on the card from glaring, and take a new photo.",
        )


def _has_gray_rows(gray: NDArray[np.uint8], card: Card, homography: NDArray[np.float64]) -> bool:
    """
    Tell whether at least one row of patches gets darker with more ink, as far as it lies in the photo.

    A patch is compared with the paper above and below it, so that shadows do not matter.
    """
    rects = [rect for patch in card.gray_patches for rect in (patch.rect, *patch.rect.strips(0.0, STRIP_MM))]
    corners_px = px_from_mm(homography, np.array([rect.corners_mm for rect in rects]))
    ink, above, below = _median_levels(gray, corners_px).reshape(-1, 3).T
    contrasts = ink / (1.0 + (above + below) / 2.0)
    rows: dict[float, list[tuple[float, float]]] = {}
    for patch, contrast in zip(card.gray_patches, contrasts, strict=True):
        if np.isfinite(contrast):
            rows.setdefault(patch.rect.y_mm, []).append((patch.black_coverage, contrast))
    return any(_is_staircase(*np.transpose(row)) for row in rows.values() if len(row) >= 4)


def _median_levels(gray: NDArray[np.uint8], corners_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of points inside each quadrangle of shape (N, 4, 2), NaN where not wholly in the photo."""
    samples_px = np.round(INNER_POINTS @ corners_px).astype(int)
    last_px = np.array((gray.shape[1] - 1, gray.shape[0] - 1))
    inside = ((samples_px >= 0) & (samples_px <= last_px)).all(axis=(1, 2))
    x, y = np.moveaxis(np.clip(samples_px, 0, last_px), -1, 0)
    return np.where(inside, np.median(gray[y, x], axis=1), np.nan)


def _is_staircase(black_coverage: NDArray[np.float64], level: NDArray[np.float64]) -> bool:
    if np.ptp(level) == 0:
        return False
    return bool(np.corrcoef(black_coverage, level)[0, 1] <= GRAY_CORRELATION)


def _tilt_deg(homography: NDArray[np.float64], card: Card, photo_shape: tuple[int, ...]) -> float:
    """Return the angle between card normal and line of sight for the view angle of a phone's main camera."""
    height_px, width_px = photo_shape
    focal_px = FOCAL_PER_DIAGONAL * np.hypot(width_px, height_px)
    camera = np.array([(focal_px, 0, (width_px - 1) / 2), (0, focal_px, (height_px - 1) / 2), (0, 0, 1)])
    # Columns: the card's x axis, y axis and origin as the camera sees them.
    pose = np.linalg.solve(camera, homography)
    normal = np.cross(pose[:, 0], pose[:, 1])
    ray = pose @ (*card.outline.corners_mm.mean(axis=0), 1.0)
    cosine = abs(normal @ ray) / (np.linalg.norm(normal) * np.linalg.norm(ray))
    return float(np.degrees(np.arccos(min(1.0, cosine))))


def _refusal_without_fit(gray: NDArray[np.uint8], card: Card, sightings: list[Sighting]) -> Refusal:
    flipped = np.ascontiguousarray(gray[:, ::-1])
    first_try = next(look_for_markers(flipped, dictionary_name=card.marker_dictionary, ids=card.markers))
    if best_fit(first_try, card) is not None:
        return Refusal(
            "card-mirrored",
            "The card is mirrored in the photo.",
            "Switch off mirroring in the camera, and do not photograph a reflection.",
        )
    n_seen = len({marker_id for marker_id, _ in sightings})
    if n_seen == 0:
        return Refusal("no-card", "There is no card in the photo, or it is too blurred or dark to be seen.", RETRY)
    if n_seen == 1:
        return Refusal("card-hidden", "Only one of the card's four corner squares can be seen.", RETRY)
    return _contradiction()


def _contradiction() -> Refusal:
    return Refusal(
        "card-unclear",
        "The corner squares in the photo do not lie as on one flat card.",
        "Use one flat card as printed, and no other picture with such squares.",
    )
