"""Finds the square markers of card and tag in a gray picture, and their corners to a fraction of a pixel."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats

Sighting = tuple[int, Floats]
"""Marker id, and its four corners x, y in the order of the detector, shape (4, 2) [px]."""


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
_CELLS_PER_SIDE = 6  # 4 x 4 bits and the black border

# Where the sides of a marker are looked for again: how far to either side (less than a cell, so as not to reach the
# bits), and at which fractions of their length.
_REACH_CELLS, _REACH_MIN_PX = 0.8, 2.5
_ALONG = np.linspace(0.12, 0.88, 24)
_LINE_ROUNDS = 4
_MISFIT_FLOOR_PX = 0.02


def look_for_markers(
    gray_u8: NDArray[np.uint8], *, dictionary_name: str, ids: Collection[int]
) -> Iterator[list[Sighting]]:
    """
    Look for markers, harder with each try.

    Parameters
    ----------
    gray_u8 : numpy.ndarray of uint8, shape (H, W)
        The picture.
    dictionary_name : str
        ArUco dictionary of the markers.
    ids : collection of int
        The markers wanted.

    Yields
    ------
    list of Sighting
        After each of the `_TRIES`, all markers found so far, each once; an id may occur in several places. Corners in
        pixels of `gray_u8`, the middle of the first pixel at (0, 0).
    """
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
