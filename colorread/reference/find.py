"""Finds card and tag in a photo, each with the map from its millimeters to pixels of the photo."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats, GrayPatch, Reference, load_references
from colorread.errors import Refusal, refusal
from colorread.reference.markers import Sighting, look_for_markers
from colorread.reference.plane import PlaneFit, PlaneMap, best_fit, camera_matrix, tilt_deg

# The quick tries look for all markers of each print that is seen, card or tag. After them the search goes on only while
# fewer than three markers agree: assumption, as three determine the plane and can contradict each other.
_QUICK_TRIES, _ENOUGH_MARKERS = 2, 3

# Assumptions.
_TILT_LIMIT_DEG = 35.0  # beyond it the paper seen through the fluid lies well to one side of it
_WINDOW_SEEN_SHARE = 0.75  # leaves room for a vial with paper around it
_GRAY_CORRELATION, _MIN_PATCHES = -0.7, 4  # of contrast with ink along a row of grays; patches that must be seen

# Weights of the corners of a quadrilateral for 5 x 5 points in its inner part.
_ALONG = np.linspace(0.25, 0.75, 5)
_INNER_POINTS = np.array([((1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v) for u in _ALONG for v in _ALONG])


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceFit:
    """
    Where a card or tag lies in a photo.

    Pixel coordinates are x, y with the middle of the first pixel at (0, 0), as in OpenCV.

    Parameters
    ----------
    reference : Reference
        Card or tag.
    plane : PlaneMap
        From the reference to the photo.
    corners_px : numpy.ndarray of float64, shape (4, 2)
        Its corners: top-left, top-right, bottom-right, bottom-left as printed [px].
    tilt_deg : float
        Angle between its normal and the line of sight, for the view angle of a phone's main camera. On 47 rendered
        photos 2 degrees too low on average, at worst 8. Too low for zoomed pictures, and useless for heavily cropped
        ones [deg].
    px_per_mm : float
        Mean scale over the reference [px/mm].
    distance_mm : float
        Distance from the camera, for the same view angle; too short under water [mm].
    flags : tuple of str
        What makes the fit less certain: ``"marker-missing"`` (fewer than four used), ``"two-markers"``,
        ``"marker-off"`` (one seen, but bent, shaded or not of this print), ``"card-bent"``,
        ``"card-cut-off"`` (an edge lies outside the photo), ``"card-tilted"``.
    """

    reference: Reference
    plane: PlaneMap
    corners_px: Floats
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
        The photo, RGB, with a long side of about 2000 px.

    Returns
    -------
    tuple of ReferenceFit
        One or two, the one with more markers first.

    Raises
    ------
    colorread.errors.Refusal
        ``"no-card"``, ``"card-hidden"`` (too few markers seen), ``"card-mirrored"``, ``"several-cards"``,
        ``"card-unclear"`` (markers contradict each other, or the rows of grays are missing),
        ``"card-cut-off"`` (the window for the vial lies outside, or all but two markers).
    """
    gray = np.asarray(cv2.cvtColor(rgb_u8, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    candidates = _search(gray)
    found, refusals = [], []
    for candidate in candidates:
        if candidate.fit is not None:
            try:
                found.append(_usable_fit(gray, candidate, candidate.fit))
            except Refusal as unusable:
                refusals.append(unusable)
    if not found:
        raise refusals[0] if refusals else _refusal_without_fit(gray, candidates)
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """A reference with markers in the photo, and the fit to those that agree, if any."""

    reference: Reference
    sightings: tuple[Sighting, ...]
    fit: PlaneFit | None

    @property
    def n_used(self) -> int:
        return 0 if self.fit is None else len(self.fit.sightings)


def _search(gray: NDArray[np.uint8], n_tries: int | None = None) -> list[_Candidate]:
    """Look for markers until enough of them agree; return the candidates, the one with most markers first."""
    references, camera = load_references(), camera_matrix(gray.shape)
    ids = {marker_id for reference in references for marker_id in reference.markers}
    tries = look_for_markers(gray, dictionary_name=references[0].marker_dictionary, ids=ids)
    candidates: list[_Candidate] = []
    for n_tried, sightings in enumerate(islice(tries, n_tries), 1):
        candidates = []
        for reference in references:
            own = tuple(sighting for sighting in sightings if sighting[0] in reference.markers)
            if own:
                fit = best_fit(own, reference, camera)
                candidates.append(_Candidate(reference=reference, sightings=own, fit=fit))
        candidates.sort(key=lambda candidate: (candidate.n_used, len(candidate.sightings)), reverse=True)
        if n_tried <= _QUICK_TRIES:
            is_enough = all(one.n_used == len(one.reference.markers) for one in candidates)
        else:
            is_enough = any(one.n_used >= _ENOUGH_MARKERS for one in candidates)
        if candidates and is_enough:
            break
    return candidates


def _usable_fit(gray: NDArray[np.uint8], candidate: _Candidate, fit: PlaneFit) -> ReferenceFit:
    """Return where a candidate lies; raise Refusal if it cannot be used."""
    reference, plane, camera = candidate.reference, fit.plane, camera_matrix(gray.shape)
    others = [one for one in candidate.sightings if not any(one is used for used in fit.sightings)]
    if best_fit(others, reference, camera) is not None:
        raise refusal("several-cards", name=reference.name)
    _require_usable(gray, reference, plane)
    corners_px = plane.px_from_mm(reference.outline.corners_mm)
    height_px, width_px = gray.shape
    inside = bool(((corners_px >= -0.5) & (corners_px <= (width_px - 0.5, height_px - 0.5))).all())
    n_used = len(fit.sightings)
    # Two markers cannot contradict each other: they misled on a damaged file, and none of 514 rendered photos has just
    # two.
    if len(candidate.sightings) == 2 or (n_used == 2 and not inside):
        raise refusal("card-hidden/two" if inside else "card-cut-off/two", name=reference.name)
    tilt = tilt_deg(plane.homography, camera, reference.outline.corners_mm.mean(axis=0))
    flags = {
        "marker-missing": n_used < len(reference.markers),
        "two-markers": n_used == 2,
        "marker-off": bool(others),
        "card-bent": not fit.is_flat,
        "card-cut-off": not inside,
        "card-tilted": tilt > _TILT_LIMIT_DEG,
    }
    area_mm2 = reference.outline.width_mm * reference.outline.height_mm
    px_per_mm = float(np.sqrt(cv2.contourArea(corners_px.astype(np.float32)) / area_mm2))
    return ReferenceFit(
        reference=reference,
        plane=plane,
        corners_px=corners_px,
        tilt_deg=tilt,
        px_per_mm=px_per_mm,
        distance_mm=float(camera[0, 0] / px_per_mm),
        flags=tuple(flag for flag, applies in flags.items() if applies),
    )


def _require_usable(gray: NDArray[np.uint8], reference: Reference, plane: PlaneMap) -> None:
    """Refuse a card or tag whose window is cut off or whose grays are not visible."""
    height_px, width_px = gray.shape
    window_px = plane.px_from_mm(reference.vial_window.corners_mm).astype(np.float32)
    photo_px = np.array([(0, 0), (width_px, 0), (width_px, height_px), (0, height_px)], np.float32) - 0.5
    seen_area_px, _ = cv2.intersectConvexConvex(window_px, photo_px)
    if seen_area_px < _WINDOW_SEEN_SHARE * cv2.contourArea(window_px):
        raise refusal("card-cut-off/window", name=reference.name)
    if not any(_gets_darker(gray, row, plane) for row in reference.gray_rows):
        raise refusal("card-unclear/grays", name=reference.name)


def _gets_darker(gray: NDArray[np.uint8], row: tuple[GrayPatch, ...], plane: PlaneMap) -> bool:
    """
    Return whether a row of patches gets darker with more ink, as far as it lies in the photo.

    Each patch is compared with the paper on both sides of it, so shadows do not matter.
    """
    rects = [rect for patch in row for rect in (patch.rect, *patch.paper)]
    corners_px = plane.px_from_mm(np.array([rect.corners_mm for rect in rects]))
    samples_px = np.round(_INNER_POINTS @ corners_px).astype(int)
    last_px = np.array((gray.shape[1] - 1, gray.shape[0] - 1))
    inside = ((samples_px >= 0) & (samples_px <= last_px)).all(axis=(1, 2))
    x, y = np.moveaxis(np.clip(samples_px, 0, last_px), -1, 0)
    ink, one_side, other_side = np.where(inside, np.median(gray[y, x], axis=1), np.nan).reshape(-1, 3).T
    contrast = ink / (1.0 + (one_side + other_side) / 2.0)
    seen = np.isfinite(contrast)
    if seen.sum() < _MIN_PATCHES or np.ptp(contrast[seen]) == 0.0:
        return False
    coverage = np.array([patch.black_coverage for patch in row])
    return bool(np.corrcoef(coverage[seen], contrast[seen])[0, 1] <= _GRAY_CORRELATION)


def _refusal_without_fit(gray: NDArray[np.uint8], candidates: list[_Candidate]) -> Refusal:
    flipped = _search(np.ascontiguousarray(gray[:, ::-1]), n_tries=1)
    if any(candidate.fit is not None for candidate in flipped):
        return refusal("card-mirrored")
    if not candidates:
        return refusal("no-card")
    if len({marker_id for marker_id, _ in candidates[0].sightings}) == 1:
        return refusal("card-hidden/one", name=candidates[0].reference.name)
    return refusal("card-unclear/corners")
