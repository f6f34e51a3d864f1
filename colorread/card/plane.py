"""The map between card or tag and photo, fitted to those markers that agree with each other."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.reference import Reference
from colorread.card.markers import Sighting

# Limits of the residual between marker corners as seen and as fitted, measured over 47 rendered photos: a
# flat card in air leaves 0.02 to 0.05 mm, one bent by 1.5 mm or seen through water and glass up to 0.15 mm.
FLAT_SPREAD_MM = 0.06  # beyond it the card is bent, or seen through something that bends light
FIT_SPREAD_MM = 0.30  # beyond it the markers do not belong to one card
PAIR_SPREAD_MM = 0.15  # the same for two markers, which have little to contradict each other
BLUR_PX = 0.2  # allowance on top of these, which counts for small cards

# A marker is off if the others fit this much better without it. At 0.5 a marker 1 mm off its place was left
# out in 39 of 47 photos (in the rest the card counted as bent), and none in its place was.
OUTLIER_RATIO = 0.5

# How far the light may eat into black squares, see `_fit_plane`.
INSET_LIMIT_MM = 0.5
INSET_ROUNDS = 5
INWARD = np.array([(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)])  # into the square, from each corner


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneMap:
    """
    From a plane in millimeters to pixels of a photo and back.

    Parameters
    ----------
    homography : numpy.ndarray of float64, shape (3, 3)
        From millimeters to pixels.
    """

    homography: NDArray[np.float64]

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
        return _projected(self.homography, xy_mm)

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
        return _projected(np.linalg.inv(self.homography), xy_px)


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
    blur_mm : float
        Allowance for blur, `BLUR_PX` on the reference [mm].
    """

    plane: PlaneMap
    sightings: tuple[Sighting, ...]
    spread_mm: float
    blur_mm: float

    @property
    def is_flat(self) -> bool:
        """Whether the markers lie in one plane as well as those of a flat print do."""
        return self.spread_mm <= FLAT_SPREAD_MM + self.blur_mm

    @property
    def is_one_print(self) -> bool:
        """Whether the markers may belong to one card or tag at all."""
        limit_mm = PAIR_SPREAD_MM if len(self.sightings) == 2 else FIT_SPREAD_MM
        return self.spread_mm <= limit_mm + self.blur_mm


def best_fit(sightings: list[Sighting], reference: Reference) -> PlaneFit | None:
    """
    Return the fit of the most markers that lie as on one reference.

    Parameters
    ----------
    sightings : list of Sighting
        Markers as seen; of those with the same id a fit uses one.
    reference : Reference
        Whose markers they are.

    Returns
    -------
    PlaneFit or None
        The fit, with a marker left out that contradicts three others; None if no two markers agree.
    """
    for n_markers in range(len(reference.markers), 1, -1):
        best = _best_fit_of(n_markers, sightings, reference)
        if best is None:
            continue
        if n_markers > 3 and not best.is_flat:
            without_one = _best_fit_of(n_markers - 1, sightings, reference)
            if without_one is not None and without_one.spread_mm < OUTLIER_RATIO * best.spread_mm:
                return without_one
        return best
    return None


def _best_fit_of(n_markers: int, sightings: list[Sighting], reference: Reference) -> PlaneFit | None:
    fits = (
        _fit_plane(chosen, reference)
        for chosen in combinations(sightings, n_markers)
        if len({marker_id for marker_id, _ in chosen}) == n_markers
    )
    agreeing = [fit for fit in fits if fit is not None and fit.is_one_print]
    return min(agreeing, key=lambda fit: fit.spread_mm, default=None)


def _fit_plane(sightings: tuple[Sighting, ...], reference: Reference) -> PlaneFit | None:
    """
    Fit the plane map, and with it by how much light has eaten into the black squares.

    Blur on a tone curve, and overexposure more so, move every edge of a black square inward, by 0.05 to
    0.25 mm on the card. Left out, that would be the largest residual and would tilt fits of two or three
    markers.
    """
    seen_px = np.concatenate([corners_px for _, corners_px in sightings])
    printed_mm = np.concatenate([reference.markers[marker_id].corners_mm for marker_id, _ in sightings])
    inward = np.tile(INWARD, (len(sightings), 1))
    inset_mm = 0.0
    for _ in range(INSET_ROUNDS):
        found, _ = cv2.findHomography(printed_mm + inset_mm * inward, seen_px, 0)
        if found is None or abs(np.linalg.det(found)) < 1e-12:
            return None
        plane = PlaneMap(homography=np.asarray(found, dtype=np.float64))
        residual_mm = plane.mm_from_px(seen_px) - printed_mm
        inset_mm = float((residual_mm * inward).mean())
    residual_mm -= inset_mm * inward
    n_free = seen_px.size - 9  # eight of the map, one of the inset
    px_per_mm = np.sqrt(
        cv2.contourArea(seen_px[:4].astype(np.float32)) / cv2.contourArea(printed_mm[:4].astype(np.float32))
    )
    blur_mm = BLUR_PX / px_per_mm
    if abs(inset_mm) > INSET_LIMIT_MM + blur_mm:
        return None
    return PlaneFit(
        plane=plane,
        sightings=sightings,
        spread_mm=float(np.sqrt(2 * (residual_mm**2).sum() / n_free)),
        blur_mm=float(blur_mm),
    )


def _projected(homography: NDArray[np.floating[Any]], xy: ArrayLike) -> NDArray[np.float64]:
    xyw = np.asarray(xy, dtype=np.float64) @ homography[:, :2].T + homography[:, 2]
    return np.asarray(xyw[..., :2] / xyw[..., 2:])
