"""The map between card or tag and photo, fitted to those markers that agree with each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration import Reference
from colorread.reference.markers import Sighting

# Limits of the residual between marker corners as seen and as fitted, measured over 47 rendered photos: a
# flat card in air leaves 0.02 to 0.05 mm, one bent by 1.5 mm up to 0.15 mm.
FLAT_SPREAD_MM = 0.06  # beyond it the print is bent
FIT_SPREAD_MM = 0.30  # beyond it the markers do not belong to one print
PAIR_SPREAD_MM = 0.15  # the same for two markers, which have little to contradict each other
BLUR_PX = 0.2  # allowance on top of these, which counts for small prints

# A marker is off if the others fit this much better without it. At 0.5 a marker 1 mm off its place was left
# out in 39 of 47 photos (in the rest the card counted as bent), and none in its place was.
OUTLIER_RATIO = 0.5

# How far the light may eat into black squares, see `_fit_plane`.
INSET_LIMIT_MM = 0.5
INWARD = np.array([(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)])  # into the square, from each corner

# Ratio of focal length to picture diagonal of a phone's main camera: 26 mm for the 43.3 mm diagonal of the
# 35 mm format (common practice, no source).
FOCAL_PER_DIAGONAL = 26.0 / 43.3

# Of Snell's law through a flat pane, to third order: behind water of depth w with refractive index n = 1.33 and a
# camera at a away from the pane, (n^2 - 1) / (2 n^3) w / (a + w / n)^3 at most, which is 1.3e-5 for a = 50 mm and any
# depth. Glass adds a little.
MOST_BEND_PER_MM2 = 2e-5
BEND_MARKERS = 3  # fewer do not tell bend from tilt
FIT_ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneMap:
    """
    From a plane in millimeters to pixels of a photo and back.

    Water behind a pane moves what is seen through it away from the foot of the camera, by the cube of the distance; the
    part that grows in proportion is taken for a plane that lies nearer.

    Parameters
    ----------
    homography : numpy.ndarray of float64, shape (3, 3)
        From millimeters to pixels, were it not for the bend.
    foot_mm : numpy.ndarray of float64, shape (2,)
        Where the perpendicular from the camera meets the plane [mm].
    bend_per_mm2 : float
        Shift away from the foot over the cube of the distance from it, at least 0 [1/mm2].
    """

    homography: NDArray[np.float64]
    foot_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))
    bend_per_mm2: float = 0.0

    def px_from_mm(self, xy_mm: ArrayLike) -> NDArray[np.float64]:
        """
        Map points of the plane into the photo.

        Parameters
        ----------
        xy_mm : array_like of float, shape (..., 2)
            Points of the plane [mm].

        Returns
        -------
        numpy.ndarray of float64, shape (..., 2)
            x, y in the photo, the middle of the first pixel at (0, 0) [px].
        """
        return _projected(self.homography, self.bent_mm(np.asarray(xy_mm, dtype=np.float64)))

    def mm_from_px(self, xy_px: ArrayLike) -> NDArray[np.float64]:
        """
        Map points of the photo onto the plane.

        Parameters
        ----------
        xy_px : array_like of float, shape (..., 2)
            Points in the photo [px].

        Returns
        -------
        numpy.ndarray of float64, shape (..., 2)
            x, y on the plane [mm].
        """
        from_foot = _projected(np.linalg.inv(self.homography), np.asarray(xy_px, dtype=np.float64)) - self.foot_mm
        # The real root s of b s^3 + s = 1, with b = u^2 / 3.
        u = np.maximum(np.sqrt(3.0 * self.bend_per_mm2 * _squared(from_foot)), 1e-9)
        return np.asarray(self.foot_mm + from_foot * (2.0 / u) * np.sinh(np.arcsinh(1.5 * u) / 3.0))

    def bent_mm(self, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where points of the plane seem to lie on it, shape (..., 2) [mm]."""
        (x, y), (foot_x, foot_y) = np.moveaxis(xy_mm, -1, 0), self.foot_mm  # slow where taken as pairs
        from_x, from_y = x - foot_x, y - foot_y
        share = self.bend_per_mm2 * (from_x**2 + from_y**2)
        return np.stack([x + share * from_x, y + share * from_y], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneFit:
    """
    A map fitted to markers.

    Parameters
    ----------
    plane : PlaneMap
        From the reference to the photo.
    sightings : tuple of Sighting
        The markers used.
    spread_mm : float
        Root mean square distance of corners as seen and as fitted on the reference, per degree of freedom, so that
        fits of more and fewer markers compare [mm].
    is_flat : bool
        Whether the markers lie in one plane as well as those of a flat print do.
    """

    plane: PlaneMap
    sightings: tuple[Sighting, ...]
    spread_mm: float
    is_flat: bool


def camera_matrix(photo_shape: tuple[int, ...]) -> NDArray[np.float64]:
    """
    Return the camera matrix of a phone's main camera.

    Parameters
    ----------
    photo_shape : tuple of int
        Height and width of the photo [px].

    Returns
    -------
    numpy.ndarray of float64, shape (3, 3)
        From directions in front of the camera to pixels.
    """
    height_px, width_px = photo_shape[:2]
    focal_px = FOCAL_PER_DIAGONAL * np.hypot(width_px, height_px)
    return np.array([(focal_px, 0, (width_px - 1) / 2), (0, focal_px, (height_px - 1) / 2), (0, 0, 1)])


def best_fit(sightings: Sequence[Sighting], reference: Reference, camera: NDArray[np.float64]) -> PlaneFit | None:
    """
    Return the fit of the most markers that lie as on one reference.

    Parameters
    ----------
    sightings : sequence of Sighting
        Markers as seen; of those with the same id a fit uses one.
    reference : Reference
        Whose markers they are.
    camera : numpy.ndarray of float64, shape (3, 3)
        As from `camera_matrix`.

    Returns
    -------
    PlaneFit or None
        The fit, with a marker left out that contradicts three others; None if no two markers agree.
    """
    for n_markers in range(len(reference.markers), 1, -1):
        best = _best_fit_of(n_markers, sightings, reference, camera)
        if best is None:
            continue
        if n_markers > 3 and not best.is_flat:
            without_one = _best_fit_of(n_markers - 1, sightings, reference, camera)
            if without_one is not None and without_one.spread_mm < OUTLIER_RATIO * best.spread_mm:
                return without_one
        return best
    return None


def _best_fit_of(
    n_markers: int, sightings: Sequence[Sighting], reference: Reference, camera: NDArray[np.float64]
) -> PlaneFit | None:
    fits = (
        _fit_plane(chosen, reference, camera)
        for chosen in combinations(sightings, n_markers)
        if len({marker_id for marker_id, _ in chosen}) == n_markers
    )
    return min(filter(None, fits), key=lambda fit: fit.spread_mm, default=None)


def _fit_plane(sightings: tuple[Sighting, ...], reference: Reference, camera: NDArray[np.float64]) -> PlaneFit | None:
    """
    Fit the map, and with it by how much light has eaten into the black squares; None where they are not of one print.

    Blur on a tone curve, and overexposure more so, move every edge of a black square inward, by 0.05 to
    0.25 mm on the card. Left out, that would be the largest residual and would tilt fits of two or three
    markers.
    """
    seen_px = np.concatenate([corners_px for _, corners_px in sightings])
    printed_mm = np.concatenate([reference.markers[marker_id].corners_mm for marker_id, _ in sightings])
    inward = np.tile(INWARD, (len(sightings), 1))
    bends = len(sightings) >= BEND_MARKERS
    inset_mm, plane = 0.0, PlaneMap(homography=np.eye(3))
    for n_rounds in range(FIT_ROUNDS + 1):
        squares_mm = printed_mm + inset_mm * inward
        found, _ = cv2.findHomography(plane.bent_mm(squares_mm), seen_px, 0)
        if found is None or abs(np.linalg.det(found)) < 1e-12:
            return None
        homography = np.asarray(found, dtype=np.float64)
        if n_rounds == 0:
            plane = replace(plane, foot_mm=_foot_mm(homography, camera))
        plane = replace(plane, homography=homography)
        residual_mm = plane.mm_from_px(seen_px) - squares_mm
        if n_rounds < FIT_ROUNDS:
            more_inset_mm, more_bend = _explained(residual_mm, printed_mm, inward, plane.foot_mm, bends=bends)
            inset_mm += more_inset_mm
            bend = min(max(plane.bend_per_mm2 + more_bend, 0.0), MOST_BEND_PER_MM2)
            plane = replace(plane, bend_per_mm2=bend)
    n_free = seen_px.size - 9 - bends  # eight of the homography, one of the inset
    spread_mm = float(np.sqrt(2 * (residual_mm**2).sum() / n_free))
    area_px, area_mm = (cv2.contourArea(corners[:4].astype(np.float32)) for corners in (seen_px, printed_mm))
    blur_mm = BLUR_PX / np.sqrt(area_px / area_mm)
    most_mm = PAIR_SPREAD_MM if len(sightings) == 2 else FIT_SPREAD_MM
    if abs(inset_mm) > INSET_LIMIT_MM + blur_mm or spread_mm > most_mm + blur_mm:
        return None
    is_flat = bool(spread_mm <= FLAT_SPREAD_MM + blur_mm)
    return PlaneFit(plane=plane, sightings=sightings, spread_mm=spread_mm, is_flat=is_flat)


def _explained(
    residual_mm: NDArray[np.float64],
    printed_mm: NDArray[np.float64],
    inward: NDArray[np.float64],
    foot_mm: NDArray[np.float64],
    *,
    bends: bool,
) -> tuple[float, float]:
    """Return by how much a larger inset [mm] and a stronger bend [1/mm2] explain residuals, beside a homography."""
    from_foot = printed_mm - foot_mm
    x, y = (printed_mm - printed_mm.mean(axis=0)).T / np.ptp(printed_mm)
    one, zero = np.ones_like(x), np.zeros_like(x)
    # How the plane can move: by a shift, by a linear map, and by a change of perspective.
    along_x = (one, x, y, zero, zero, zero, x * x, x * y)
    along_y = (zero, zero, zero, one, x, y, x * y, y * y)
    fields = np.stack([*np.stack([along_x, along_y], axis=-1), inward], axis=-1)
    scale = 1e6
    if bends:
        radial = from_foot * _squared(from_foot) / scale
        fields = np.concatenate([fields, radial[..., None]], axis=-1)
    solution = np.linalg.lstsq(fields.reshape(residual_mm.size, -1), residual_mm.ravel(), rcond=None)[0]
    return float(solution[8]), float(solution[9]) / scale if bends else 0.0


def _foot_mm(homography: NDArray[np.float64], camera: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where the perpendicular from the camera meets the plane."""
    # Columns: x axis, y axis and origin of the plane as the camera sees them.
    pose = np.linalg.solve(camera, homography)
    normal = np.cross(pose[:, 0], pose[:, 1])
    return np.asarray(np.linalg.solve(np.column_stack((pose[:, :2], normal)), -pose[:, 2])[:2], dtype=np.float64)


def _squared(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return squares of lengths, with an axis of one at the end."""
    return np.asarray(xy[..., :1] ** 2 + xy[..., 1:] ** 2)


def _projected(homography: NDArray[np.floating[Any]], xy: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(cv2.perspectiveTransform(xy.reshape(-1, 1, 2), homography), dtype=np.float64).reshape(xy.shape)
