"""Finds card and tag in a photo by their markers, each with the map from its millimeters to pixels of the photo."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import islice
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats, GrayPatch, Reference, load_references
from colorread.errors import Refusal, refusal
from colorread.reference.plane import PlaneFit, PlaneMap, ReferenceFit, Sighting, best_fit, camera_matrix, tilt_deg

# The quick tries look for all markers of each print that is seen, card or tag. After them the search goes on only while
# fewer than three markers agree: assumption, as three determine the plane and can contradict each other.
_QUICK_TRIES, _ENOUGH_MARKERS = 2, 3

# Assumptions.
_TILT_LIMIT_DEG = 35.0  # beyond it the paper seen through the fluid lies well to one side of it
_WINDOW_SEEN_SHARE = 0.75  # leaves room for a vial with paper around it
_GRAY_CORRELATION, _MIN_PATCHES = -0.7, 4  # of contrast with ink along a row of grays; patches that must be seen

# Weights of the corners of a quadrilateral for 5 x 5 points in its inner part.
_INNER = np.linspace(0.25, 0.75, 5)
_INNER_POINTS = np.array([((1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v) for u in _INNER for v in _INNER])

_CELLS_PER_SIDE = 6  # 4 x 4 bits and the black border

# Where the sides of a marker are looked for again: how far to either side (less than a cell, so as not to reach the
# bits), and at which fractions of their length.
_REACH_CELLS, _REACH_MIN_PX = 0.8, 2.5
_ALONG = np.linspace(0.12, 0.88, 24)
_LINE_ROUNDS = 4
_MISFIT_FLOOR_PX = 0.02


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
    tries = _look_for_markers(gray, dictionary_name=references[0].marker_dictionary, ids=ids)
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


def _eroded(picture_u8: NDArray[np.uint8]) -> Any:
    return cv2.erode(picture_u8, np.ones((3, 3), np.uint8))


def _with_local_contrast(picture_u8: NDArray[np.uint8]) -> Any:
    return cv2.createCLAHE(clipLimit=3.0).apply(picture_u8)


# Each try: approximate long side of the picture [px], how it is prepared, and smallest and largest threshold window and
# the step between them [px]. Erosion pushes back light that has spread into black squares, for overexposed pictures;
# raised local contrast and wide windows are for dim or unevenly lit ones. A usual photo needs only the first try, with
# one window. Smaller pictures are enlarged.
_USUAL_PX, _WIDE_PX = (3, 23, 10), (5, 85, 16)  # the first are OpenCV's defaults
_TRIES: tuple[tuple[int, Callable[[NDArray[np.uint8]], Any], tuple[int, int, int]], ...] = (
    (900, np.asarray, (13, 23, 10)),
    (2016, _eroded, _USUAL_PX),
    (2016, np.asarray, _USUAL_PX),
    (1008, _with_local_contrast, _WIDE_PX),
    (504, _with_local_contrast, _WIDE_PX),
    (2016, _with_local_contrast, _WIDE_PX),
)


def _look_for_markers(
    gray_u8: NDArray[np.uint8], *, dictionary_name: str, ids: Collection[int]
) -> Iterator[list[Sighting]]:
    """Yield all markers found so far after each of the `_TRIES`, each once; an id may occur in several places."""
    seen: list[Sighting] = []
    for long_side_px, prepared, windows_px in _TRIES:
        picture_u8 = prepared(_resize(gray_u8, long_side_px))
        per_pixel = np.array(gray_u8.shape[::-1]) / picture_u8.shape[::-1]
        quads_px, found_ids, _ = _detector(dictionary_name, *windows_px).detectMarkers(picture_u8)
        for marker_id, quad_px in zip([] if found_ids is None else found_ids.ravel().tolist(), quads_px, strict=True):
            corners_px = (quad_px.reshape(4, 2).astype(np.float64) + 0.5) * per_pixel - 0.5
            if marker_id in ids and not any(_is_same(marker_id, corners_px, *old) for old in seen):
                seen.append((marker_id, _refine(gray_u8, corners_px)))
        yield list(seen)


@cache
def _detector(dictionary_name: str, least_px: int, most_px: int, step_px: int) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = least_px
    parameters.adaptiveThreshWinSizeMax = most_px
    parameters.adaptiveThreshWinSizeStep = step_px
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary_name))
    return cv2.aruco.ArucoDetector(dictionary, parameters)


def _resize(gray_u8: NDArray[np.uint8], long_side_px: int) -> NDArray[np.uint8]:
    """Enlarge, or average over whole pixels, which is much faster than over fractions."""
    ratio = max(gray_u8.shape) / long_side_px
    ratio = round(ratio) if ratio > 1.0 else ratio
    if ratio == 1:
        return gray_u8
    height, width = (max(1, round(side / ratio)) for side in gray_u8.shape)
    method = cv2.INTER_AREA if ratio > 1.0 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(gray_u8, (width, height), interpolation=method), dtype=np.uint8)


def _is_same(marker_id: int, corners_px: Floats, old_id: int, old_px: Floats) -> bool:
    distance_px = np.linalg.norm(corners_px.mean(axis=0) - old_px.mean(axis=0))
    return marker_id == old_id and bool(distance_px < _side_px(old_px) / 2)


def _refine(gray_u8: NDArray[np.uint8], corners_px: Floats) -> Floats:
    """
    Return the corners as intersections of lines fitted to the sides.

    Each side is sampled at many places, so a leaf, a shadow or a reflection over part of it does no harm; the usual
    refinement sees only the surroundings of the corner.
    """
    reach_px = max(_REACH_MIN_PX, _REACH_CELLS * _side_px(corners_px) / _CELLS_PER_SIDE)
    ends_px = np.roll(corners_px, -1, axis=0)
    along = ends_px - corners_px
    length_px = np.linalg.norm(along, axis=1, keepdims=True)
    outward = np.column_stack((along[:, 1], -along[:, 0])) / length_px  # corners run clockwise on the screen
    offset_px = np.linspace(-reach_px, reach_px, 2 * round(2 * reach_px) + 1)
    # One row for each place on a side, across that side.
    places_px = corners_px[:, None] + _ALONG[:, None] * along[:, None]
    xy_px = places_px[:, :, None] + offset_px[:, None] * outward[:, None, None]
    x, y = np.moveaxis(xy_px.reshape(-1, len(offset_px), 2), -1, 0).astype(np.float32)
    levels = cv2.remap(gray_u8, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    rise = np.diff(levels.astype(np.float64).reshape(4, len(_ALONG), -1), axis=2)
    middle_px = (offset_px[1:] + offset_px[:-1]) / 2
    # First find where the side as a whole is steepest, as noise hides that in a single row; then the edge near there.
    steepest_px = middle_px[rise.mean(axis=1).argmax(axis=1)]
    rise = rise.clip(0) * np.exp(-2 * ((middle_px - steepest_px[:, None, None]) / reach_px) ** 2)
    strength = rise.sum(axis=2)
    edge_px = (rise * middle_px).sum(axis=2) / np.maximum(strength, 1e-9)
    starts, stops = _fit_lines(edge_px, strength >= 0.3 * np.median(strength, axis=1, keepdims=True))
    sides = np.cross(
        np.column_stack((corners_px + starts[:, None] * outward, np.ones(4))),
        np.column_stack((ends_px + stops[:, None] * outward, np.ones(4))),
    )
    crossings = np.cross(np.roll(sides, 1, axis=0), sides)
    refined = crossings[:, :2] / crossings[:, 2:]
    moved_px = np.linalg.norm(refined - corners_px, axis=1)
    return refined if (moved_px < 2 * reach_px).all() else corners_px


def _fit_lines(edge_px: Floats, usable: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Fit a line robustly to the edge positions of each side; return where it passes the two ends of the side."""
    weights = usable.astype(np.float64)
    for _ in range(_LINE_ROUNDS):
        total = weights.sum(axis=1, keepdims=True)
        middle = (weights * _ALONG).sum(axis=1, keepdims=True) / total
        level = (weights * edge_px).sum(axis=1, keepdims=True) / total
        x = _ALONG - middle
        slope = (weights * x * edge_px).sum(axis=1, keepdims=True) / (weights * x * x).sum(axis=1, keepdims=True)
        misfit_px = np.abs(edge_px - level - slope * x)
        scale_px = 1.5 * np.median(misfit_px, axis=1, keepdims=True) + _MISFIT_FLOOR_PX
        weights = usable / np.maximum(1.0, misfit_px / scale_px) ** 2
    return (level - slope * middle)[:, 0], (level + slope * (1 - middle))[:, 0]


def _side_px(corners_px: Floats) -> float:
    return float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).mean())
