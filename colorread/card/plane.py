"""The plane map between card and photo, fitted to those markers that agree with each other."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.card import Card
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
class PlaneFit:
    """
    A plane map fitted to markers.

    Parameters
    ----------
    homography : numpy.ndarray of float64, shape (3, 3)
        From card [mm] to photo [px].
    sightings : tuple of Sighting
        The markers used.
    spread_mm : float
        Root mean square distance of corners as seen and as fitted on the card, per degree of freedom, so that fits of
        more and fewer markers compare [mm].
    blur_mm : float
        Allowance for blur, `BLUR_PX` on the card [mm].
    """

    homography: NDArray[np.float64]
    sightings: tuple[Sighting, ...]
    spread_mm: float
    blur_mm: float

    @property
    def is_flat(self) -> bool:
        """Whether the markers lie in one plane as well as those of a flat card do."""
        return self.spread_mm <= FLAT_SPREAD_MM + self.blur_mm

    @property
    def is_one_card(self) -> bool:
        """Whether the markers may belong to one card at all."""
        limit_mm = PAIR_SPREAD_MM if len(self.sightings) == 2 else FIT_SPREAD_MM
        return self.spread_mm <= limit_mm + self.blur_mm


def px_from_mm(homography: ArrayLike, xy_mm: ArrayLike) -> NDArray[np.float64]:
    """
    Map points of the card into the photo.

    Parameters
    ----------
    homography : array_like of float, shape (3, 3)
        From card to photo.
    xy_mm : array_like of float, shape (..., 2)
        Points on the card [mm].

    Returns
    -------
    numpy.ndarray of float64, shape (..., 2)
        x, y in the photo [px].
    """
    matrix = np.asarray(homography, dtype=np.float64)
    xyw = np.asarray(xy_mm, dtype=np.float64) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(xyw[..., :2] / xyw[..., 2:])


def mm_from_px(homography: ArrayLike, xy_px: ArrayLike) -> NDArray[np.float64]:
    """
    Map points of the photo onto the card.

    Parameters
    ----------
    homography : array_like of float, shape (3, 3)
        From card to photo, as in `px_from_mm`.
    xy_px : array_like of float, shape (..., 2)
        Points in the photo [px].

    Returns
    -------
    numpy.ndarray of float64, shape (..., 2)
        x, y on the card [mm].
    """
    return px_from_mm(np.linalg.inv(np.asarray(homography, dtype=np.float64)), xy_px)


def best_fit(sightings: list[Sighting], card: Card) -> PlaneFit | None:
    """
    Return the fit of the most markers that lie as on one card.

    Parameters
    ----------
    sightings : list of Sighting
        Markers as seen; of those with the same id a fit uses one.
    card : Card
        The card.

    Returns
    -------
    PlaneFit or None
        The fit, with a marker left out that contradicts three others; None if no two markers agree.
    """
    for n_markers in range(len(card.markers), 1, -1):
        best = _best_fit_of(n_markers, sightings, card)
        if best is None:
            continue
        if n_markers > 3 and not best.is_flat:
            without_one = _best_fit_of(n_markers - 1, sightings, card)
            if without_one is not None and without_one.spread_mm < OUTLIER_RATIO * best.spread_mm:
                return without_one
        return best
    return None


def _best_fit_of(n_markers: int, sightings: list[Sighting], card: Card) -> PlaneFit | None:
    fits = (
        _fit_plane(chosen, card)
        for chosen in combinations(sightings, n_markers)
        if len({marker_id for marker_id, _ in chosen}) == n_markers
    )
    agreeing = [fit for fit in fits if fit is not None and fit.is_one_card]
    return min(agreeing, key=lambda fit: fit.spread_mm, default=None)


def _fit_plane(sightings: tuple[Sighting, ...], card: Card) -> PlaneFit | None:
    """
    Fit the plane map, and with it by how much light has eaten into the black squares.

    Blur on a tone curve, and overexposure more so, move every edge of a black square inward, by 0.05 to
    0.25 mm on this card. Left out, that would be the largest residual and would tilt fits of two or three
    markers.
    """
    seen_px = np.concatenate([corners_px for _, corners_px in sightings])
    printed_mm = np.concatenate([card.markers[marker_id].corners_mm for marker_id, _ in sightings])
    inward = np.tile(INWARD, (len(sightings), 1))
    inset_mm = 0.0
    for _ in range(INSET_ROUNDS):
        found, _ = cv2.findHomography(printed_mm + inset_mm * inward, seen_px, 0)
        if found is None or abs(np.linalg.det(found)) < 1e-12:
            return None
        homography = np.asarray(found, dtype=np.float64)
        residual_mm = mm_from_px(homography, seen_px) - printed_mm
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
        homography=homography,
        sightings=sightings,
        spread_mm=float(np.sqrt(2 * (residual_mm**2).sum() / n_free)),
        blur_mm=float(blur_mm),
    )
