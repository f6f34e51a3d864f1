"""Finds card and tag in a photo: which of them, and the map from its millimeters to pixels of the photo."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import GrayPatch, Reference, load_references
from colorread.errors import Refusal
from colorread.reference.markers import Sighting, look_for_markers
from colorread.reference.plane import PlaneFit, PlaneMap, best_fit, camera_matrix

# The quick tries look for all markers of whatever is seen of card and tag. After them the search goes on only while
# fewer than three markers agree: assumption, as three tell the plane and contradict each other.
QUICK_TRIES, ENOUGH_MARKERS, ENOUGH_MARKERS_LATER = 2, 4, 3

# Assumptions. Beyond this tilt the fluid stands well aside of the paper that is seen through it.
TILT_LIMIT_DEG = 35.0
WINDOW_SEEN_SHARE = 0.75  # leaves room for a vial with paper around it
IN_PLACE_MM = 1.5  # how far a leaf over a corner may move it: a cell of a marker of the tag
GRAY_CORRELATION, LEAST_PATCHES = -0.7, 4  # of contrast with ink along a row of grays, and how many must be seen

# Weights of the corners of a quadrangle for 5 x 5 points in its inner part.
_ALONG = np.linspace(0.25, 0.75, 5)
INNER_POINTS = np.array([((1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v) for u in _ALONG for v in _ALONG])

RETRY = "Take the photo again: the whole card or tag in view, sharp, evenly lit, straight on from 20 to 30 cm."


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceFit:
    """
    Where a card or tag lies in a photo.

    Pixel coordinates are x, y with the middle of the first pixel at (0, 0), as in OpenCV.

    Parameters
    ----------
    reference : Reference
        Which of them.
    plane : PlaneMap
        From the reference to the photo.
    corners_px : numpy.ndarray of float64, shape (4, 2)
        Corners of it: top-left, top-right, bottom-right, bottom-left as printed [px].
    tilt_deg : float
        Angle between its normal and the line of sight. Rests on the view angle of a phone's main camera; over
        47 rendered photos 2 degrees too low on the average, at worst 8. Too low for zoomed pictures, and
        useless for much cropped ones [deg].
    px_per_mm : float
        Mean scale over the reference [px/mm].
    distance_mm : float
        From the camera, under the same view angle as the tilt; water makes it less [mm].
    flags : tuple of str
        What makes the fit less sure: ``"marker-missing"`` (fewer than four used), ``"two-markers"``,
        ``"marker-off"`` (one seen, but bent, shaded or not of this print), ``"card-bent"``,
        ``"card-cut-off"`` (an edge lies outside the photo), ``"card-tilted"``.
    """

    reference: Reference
    plane: PlaneMap
    corners_px: NDArray[np.float64]
    tilt_deg: float
    px_per_mm: float
    distance_mm: float
    flags: tuple[str, ...]


def find_references(rgb_u8: NDArray[np.uint8]) -> tuple[ReferenceFit, ...]:
    """
    Find card and tag in an upright photo.

    Parameters
    ----------
    rgb_u8 : numpy.ndarray of uint8, shape (H, W, 3)
        The photo, RGB; a long side of about 2000 px is meant.

    Returns
    -------
    tuple of ReferenceFit
        One or two, first the one of which more is seen.

    Raises
    ------
    colorread.errors.Refusal
        ``"no-card"``, ``"card-hidden"`` (too few markers seen), ``"card-mirrored"``, ``"several-cards"``,
        ``"card-unclear"`` (markers contradict each other or the rows of grays are missing),
        ``"card-cut-off"`` (the window for the vial lies outside, or so much that two markers alone are left).
    ValueError
        If `rgb_u8` is not such an array.
    """
    if rgb_u8.ndim != 3 or rgb_u8.shape[2] != 3 or rgb_u8.dtype != np.uint8 or 0 in rgb_u8.shape:
        raise ValueError("rgb_u8 must be a uint8 array of shape (H, W, 3)")
    gray = np.asarray(cv2.cvtColor(rgb_u8, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    candidates = _search(gray)
    if all(candidate.fit is None for candidate in candidates):
        raise _refusal_without_fit(gray, candidates)
    found, refusals = [], []
    for candidate in candidates:
        try:
            found.append(_fit_of(gray, candidate))
        except Refusal as refusal:
            refusals.append(refusal)
    if not found:
        raise refusals[0]
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """A reference of which markers were seen, and what they agree on, if anything."""

    reference: Reference
    sightings: tuple[Sighting, ...]
    fit: PlaneFit | None

    @property
    def n_used(self) -> int:
        """How many markers agree."""
        return 0 if self.fit is None else len(self.fit.sightings)


def _search(gray: NDArray[np.uint8]) -> list[_Candidate]:
    """Look for markers until enough of them agree; return what may be there, first that of which most was seen."""
    candidates: list[_Candidate] = []
    for n_tries, sightings in enumerate(_tries(gray), 1):
        candidates = _candidates(sightings, gray.shape)
        is_quick = n_tries <= QUICK_TRIES
        enough = ENOUGH_MARKERS if is_quick else ENOUGH_MARKERS_LATER
        if candidates and all(one.n_used >= enough for one in (candidates if is_quick else candidates[:1])):
            break
    return candidates


def _tries(gray: NDArray[np.uint8]) -> Iterator[list[Sighting]]:
    references = load_references()
    ids = {marker_id for reference in references for marker_id in reference.markers}
    return look_for_markers(gray, dictionary_name=references[0].marker_dictionary, ids=ids)


def _candidates(sightings: list[Sighting], photo_shape: tuple[int, ...]) -> list[_Candidate]:
    camera, candidates = camera_matrix(photo_shape), []
    for reference in load_references():
        own = [sighting for sighting in sightings if sighting[0] in reference.markers]
        if own:
            fit = best_fit(own, reference, camera)
            candidates.append(_Candidate(reference=reference, sightings=tuple(own), fit=fit))
    return sorted(candidates, key=lambda candidate: (candidate.n_used, len(candidate.sightings)), reverse=True)


def _fit_of(gray: NDArray[np.uint8], candidate: _Candidate) -> ReferenceFit:
    """Return where a candidate lies; Refusal where it cannot be told, or cannot be used."""
    reference, fit = candidate.reference, candidate.fit
    if fit is None:
        raise _contradiction()
    used_ids = {marker_id for marker_id, _ in fit.sightings}
    others = [s for s in candidate.sightings if not any(s is used for used in fit.sightings)]
    if best_fit(others, reference, camera_matrix(gray.shape)) is not None:
        raise Refusal(
            "several-cards",
            f"There is more than one {reference.name} in the photo.",
            f"Leave one {reference.name} in view and take a new photo.",
        )
    # Two against one or two, unless these are where the two expect them, but for a leaf over a corner.
    if len(used_ids) == 2 and not all(_is_in_place(other, reference, fit.plane) for other in others):
        raise _contradiction()
    _require_plausible(gray, reference, fit.plane)

    corners_px = fit.plane.px_from_mm(reference.outline.corners_mm)
    area_px = cv2.contourArea(corners_px.astype(np.float32))
    tilt_deg = _tilt_deg(fit.plane.homography, reference, camera_matrix(gray.shape))
    height_px, width_px = gray.shape
    inside = bool(((corners_px >= -0.5) & (corners_px <= (width_px - 0.5, height_px - 0.5))).all())
    # Nothing contradicts two: none of 514 rendered photos shows no more, and a damaged file was read wrong by them.
    if len(candidate.sightings) == 2 or (len(used_ids) == 2 and not inside):
        code, how = ("card-hidden", "") if inside else ("card-cut-off", ": the photo cuts it off")
        raise Refusal(code, f"Only two of the {reference.name}'s four corner squares can be used{how}.", RETRY)
    flags = {
        "marker-missing": len(used_ids) < len(reference.markers),
        "two-markers": len(used_ids) == 2,
        "marker-off": bool(others),
        "card-bent": not fit.is_flat,
        "card-cut-off": not inside,
        "card-tilted": tilt_deg > TILT_LIMIT_DEG,
    }
    px_per_mm = float(np.sqrt(area_px / (reference.outline.width_mm * reference.outline.height_mm)))
    return ReferenceFit(
        reference=reference,
        plane=fit.plane,
        corners_px=corners_px,
        tilt_deg=tilt_deg,
        px_per_mm=px_per_mm,
        distance_mm=float(camera_matrix(gray.shape)[0, 0] / px_per_mm),
        flags=tuple(flag for flag, holds in flags.items() if holds),
    )


def _is_in_place(sighting: Sighting, reference: Reference, plane: PlaneMap) -> bool:
    marker_id, corners_px = sighting
    return bool(np.abs(plane.mm_from_px(corners_px) - reference.markers[marker_id].corners_mm).max() < IN_PLACE_MM)


def _require_plausible(gray: NDArray[np.uint8], reference: Reference, plane: PlaneMap) -> None:
    height_px, width_px = gray.shape
    outline_mm = reference.outline.corners_mm
    depths = outline_mm @ plane.homography[2, :2] + plane.homography[2, 2]
    corners_px = plane.px_from_mm(outline_mm).astype(np.float32)
    in_front = bool((depths * depths[0] > 0).all())
    # With y down, an unmirrored card runs clockwise on the screen, which OpenCV counts as a positive area.
    if not in_front or not cv2.isContourConvex(corners_px) or cv2.contourArea(corners_px, oriented=True) <= 0:
        raise _contradiction()
    window_px = plane.px_from_mm(reference.vial_window.corners_mm).astype(np.float32)
    photo_px = np.array([(0, 0), (width_px, 0), (width_px, height_px), (0, height_px)], np.float32) - 0.5
    seen_area_px, _ = cv2.intersectConvexConvex(window_px, photo_px)
    if seen_area_px < WINDOW_SEEN_SHARE * cv2.contourArea(window_px):
        raise Refusal(
            "card-cut-off", f"The {reference.name}'s blank window is cut off by the edge of the photo.", RETRY
        )
    if not any(_gets_darker(gray, row, plane) for row in reference.gray_rows):
        raise Refusal(
            "card-unclear",
            f"The grays of the {reference.name} cannot be told apart: they are covered, or the photo is too bright.",
            f"Uncover the grays, avoid glare on the {reference.name}, and take a new photo.",
        )


def _gets_darker(gray: NDArray[np.uint8], row: tuple[GrayPatch, ...], plane: PlaneMap) -> bool:
    """
    Tell whether a row of patches gets darker with more ink, as far as it lies in the photo.

    A patch is compared with the paper on both sides of it, so that shadows do not matter.
    """
    rects = [rect for patch in row for rect in (patch.rect, *patch.paper)]
    corners_px = plane.px_from_mm(np.array([rect.corners_mm for rect in rects]))
    ink, one_side, other_side = _median_levels(gray, corners_px).reshape(-1, 3).T
    contrast = ink / (1.0 + (one_side + other_side) / 2.0)
    seen = np.isfinite(contrast)
    if seen.sum() < LEAST_PATCHES or np.ptp(contrast[seen]) == 0.0:
        return False
    coverage = np.array([patch.black_coverage for patch in row])
    return bool(np.corrcoef(coverage[seen], contrast[seen])[0, 1] <= GRAY_CORRELATION)


def _median_levels(gray: NDArray[np.uint8], corners_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of points inside each quadrangle of shape (N, 4, 2), NaN where not wholly in the photo."""
    samples_px = np.round(INNER_POINTS @ corners_px).astype(int)
    last_px = np.array((gray.shape[1] - 1, gray.shape[0] - 1))
    inside = ((samples_px >= 0) & (samples_px <= last_px)).all(axis=(1, 2))
    x, y = np.moveaxis(np.clip(samples_px, 0, last_px), -1, 0)
    return np.where(inside, np.median(gray[y, x], axis=1), np.nan)


def _tilt_deg(homography: NDArray[np.float64], reference: Reference, camera: NDArray[np.float64]) -> float:
    """Return the angle between the normal and the line of sight for the view angle of a phone's main camera."""
    # Columns: x axis, y axis and origin of the reference as the camera sees them.
    pose = np.linalg.solve(camera, homography)
    normal = np.cross(pose[:, 0], pose[:, 1])
    ray = pose @ (*reference.outline.corners_mm.mean(axis=0), 1.0)
    cosine = abs(normal @ ray) / (np.linalg.norm(normal) * np.linalg.norm(ray))
    return float(np.degrees(np.arccos(min(1.0, float(cosine)))))


def _refusal_without_fit(gray: NDArray[np.uint8], candidates: list[_Candidate]) -> Refusal:
    flipped = next(_tries(np.ascontiguousarray(gray[:, ::-1])))
    if any(candidate.fit is not None for candidate in _candidates(flipped, gray.shape)):
        return Refusal(
            "card-mirrored",
            "The card or tag is mirrored in the photo.",
            "Switch off mirroring in the camera, and do not photograph a reflection.",
        )
    if not candidates:
        return Refusal(
            "no-card", "There is no card or tag in the photo, or it is too blurred or dark to be seen.", RETRY
        )
    if len({marker_id for marker_id, _ in candidates[0].sightings}) == 1:
        return Refusal(
            "card-hidden", f"Only one of the {candidates[0].reference.name}'s four corner squares can be seen.", RETRY
        )
    return _contradiction()


def _contradiction() -> Refusal:
    return Refusal(
        "card-unclear",
        "The corner squares in the photo do not match one flat card or tag.",
        "Keep leaves and fingers off the corner squares, and use one flat card or tag as printed.",
    )
