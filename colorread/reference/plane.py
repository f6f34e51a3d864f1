"""The plane of card or tag: its map to the photo, fitted to markers that agree, and its view from straight above."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration import Floats, Rect, Reference
from colorread.photo import CloseUp

Sighting = tuple[int, Floats]
"""
Marker id, and its four corners x, y in the order of the detector, shape (4, 2); the middle of the first pixel is (0, 0)
[px].
"""

# Limits of the residual between marker corners as seen and as fitted, measured over 47 rendered photos: a flat card in
# air leaves 0.02 to 0.05 mm, one bent by 1.5 mm up to 0.15 mm.
_FLAT_SPREAD_MM = 0.06  # above it the print is bent
_FIT_SPREAD_MM = 0.30  # above it the markers do not belong to one print
_PAIR_SPREAD_MM = 0.15  # the same for two markers, which can hardly contradict each other
_BLUR_PX = 0.2  # allowance on top of these; matters for small prints

# A marker is off if the others fit this much better without it. At 0.5 a marker 1 mm out of place was left out in 39
# of 47 photos (in the others the card counted as bent), and no marker in its place was.
_OUTLIER_RATIO = 0.5

# How far light may spread into black squares, see `_fit_plane`.
_INSET_LIMIT_MM = 0.5
_INWARD = np.array([(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)])  # into the square, from each corner

# Ratio of focal length to picture diagonal of a phone's main camera: 26 mm for the 43.3 mm diagonal of the 35 mm format
# (common practice, no source).
_FOCAL_PER_DIAGONAL = 26.0 / 43.3

# By Snell's law through a flat pane, to third order: with water of depth w and refractive index n = 1.33 behind a pane
# and a camera at distance a from it, the bend is (n^2 - 1) / (2 n^3) w / (a + w / n)^3, which for a = 50 mm is at most
# 1.3e-5 at any depth. Glass adds a little.
_MAX_BEND_PER_MM2 = 2e-5
_BEND_MARKERS = 3  # fewer cannot tell bend from tilt
_FIT_ROUNDS = 3

MARGIN_MM = 1.5
"""How far the view reaches beyond the edge of card or tag [mm]."""
VIEW_PX_PER_MM = 4.0
"""Scale of the view [px/mm]: coarser loses the rim of the glass; 5 px/mm read 958 rendered photos no better."""
ENOUGH_PX_PER_MM = 2.0
"""
Scale of a photo from which on its full size adds nothing [px/mm].

All of 38 rendered photos of the tag, reduced to 3, 2.2, 1.8 and 1.5 px/mm, were read, and 33 or 34 intervals held the
truth at each scale; at 1.2 px/mm 32 did.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneMap:
    """
    From a plane in millimeters to pixels of a photo and back.

    Water behind a pane moves points away from the foot of the camera, in proportion to the cube of their distance from
    it. A shift in proportion to the distance itself only looks like a nearer plane.

    Parameters
    ----------
    homography : numpy.ndarray of float64, shape (3, 3)
        From millimeters to pixels, without the bend.
    foot_mm : numpy.ndarray of float64, shape (2,)
        Where the perpendicular from the camera meets the plane [mm].
    bend_per_mm2 : float
        Shift away from the foot over the cube of the distance from it, at least 0 [1/mm2].
    """

    homography: Floats
    foot_mm: Floats = field(default_factory=lambda: np.zeros(2))
    bend_per_mm2: float = 0.0

    def px_from_mm(self, xy_mm: ArrayLike) -> Floats:
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

    def mm_from_px(self, xy_px: ArrayLike) -> Floats:
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

    def bent_mm(self, xy_mm: Floats) -> Floats:
        """Return where on the plane its points appear to lie, shape (..., 2) [mm]."""
        (x, y), (foot_x, foot_y) = np.moveaxis(xy_mm, -1, 0), self.foot_mm  # faster than arithmetic on pairs
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
        Root mean square distance of seen from fitted corners on the reference, per degree of freedom, so that fits to
        more and fewer markers compare [mm].
    is_flat : bool
        Whether the markers lie in one plane as well as those of a flat print do.
    """

    plane: PlaneMap
    sightings: tuple[Sighting, ...]
    spread_mm: float
    is_flat: bool


def camera_matrix(photo_shape: tuple[int, ...]) -> Floats:
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
    focal_px = _FOCAL_PER_DIAGONAL * np.hypot(width_px, height_px)
    return np.array([(focal_px, 0, (width_px - 1) / 2), (0, focal_px, (height_px - 1) / 2), (0, 0, 1)])


def best_fit(sightings: Sequence[Sighting], reference: Reference, camera: Floats) -> PlaneFit | None:
    """
    Return the fit to as many markers as are arranged like those of one reference.

    Parameters
    ----------
    sightings : sequence of Sighting
        Markers as seen; a fit uses only one of those with the same id.
    reference : Reference
        Card or tag that they belong to.
    camera : numpy.ndarray of float64, shape (3, 3)
        As from `camera_matrix`.

    Returns
    -------
    PlaneFit or None
        The fit, without a marker that contradicts three others; None if no two markers agree.
    """

    def fit_to(n_markers: int) -> PlaneFit | None:
        fits = (
            _fit_plane(chosen, reference, camera)
            for chosen in combinations(sightings, n_markers)
            if len({marker_id for marker_id, _ in chosen}) == n_markers
        )
        return min(filter(None, fits), key=lambda fit: fit.spread_mm, default=None)

    for n_markers in range(len(reference.markers), 1, -1):
        best = fit_to(n_markers)
        if best is None:
            continue
        if n_markers > 3 and not best.is_flat:
            without_one = fit_to(n_markers - 1)
            if without_one is not None and without_one.spread_mm < _OUTLIER_RATIO * best.spread_mm:
                return without_one
        return best
    return None


def _fit_plane(sightings: tuple[Sighting, ...], reference: Reference, camera: Floats) -> PlaneFit | None:
    """
    Fit the map, and how far light has spread into the black squares; return None if these are not from one print.

    Blur on a tone curve, and even more so overexposure, move every edge of a black square inward, by 0.05 to 0.25 mm
    on the card. Ignored, that would be the largest residual and would tilt fits to two or three markers.
    """
    seen_px = np.concatenate([corners_px for _, corners_px in sightings])
    printed_mm = np.concatenate([reference.markers[marker_id].corners_mm for marker_id, _ in sightings])
    inward = np.tile(_INWARD, (len(sightings), 1))
    bends = len(sightings) >= _BEND_MARKERS
    inset_mm, plane = 0.0, PlaneMap(homography=np.eye(3))
    for n_rounds in range(_FIT_ROUNDS + 1):
        squares_mm = printed_mm + inset_mm * inward
        found, _ = cv2.findHomography(plane.bent_mm(squares_mm), seen_px, 0)
        if found is None or abs(np.linalg.det(found)) < 1e-12:
            return None
        homography = np.asarray(found, dtype=np.float64)
        foot_mm = plane.foot_mm if n_rounds else _foot_mm(homography, camera)
        plane = replace(plane, homography=homography, foot_mm=foot_mm)
        residual_mm = plane.mm_from_px(seen_px) - squares_mm
        if n_rounds == _FIT_ROUNDS:
            break
        more_inset_mm, more_bend = _explained(residual_mm, printed_mm, inward, foot_mm, bends=bends)
        inset_mm += more_inset_mm
        plane = replace(plane, bend_per_mm2=min(max(plane.bend_per_mm2 + more_bend, 0.0), _MAX_BEND_PER_MM2))
    n_free = seen_px.size - 9 - bends  # eight of the homography, one of the inset
    spread_mm = float(np.sqrt(2 * (residual_mm**2).sum() / n_free))
    area_px, area_mm = (cv2.contourArea(corners[:4].astype(np.float32)) for corners in (seen_px, printed_mm))
    blur_mm = _BLUR_PX / np.sqrt(area_px / area_mm)
    most_mm = _PAIR_SPREAD_MM if len(sightings) == 2 else _FIT_SPREAD_MM
    if abs(inset_mm) > _INSET_LIMIT_MM + blur_mm or spread_mm > most_mm + blur_mm:
        return None
    is_flat = bool(spread_mm <= _FLAT_SPREAD_MM + blur_mm)
    return PlaneFit(plane=plane, sightings=sightings, spread_mm=spread_mm, is_flat=is_flat)


def _explained(
    residual_mm: Floats, printed_mm: Floats, inward: Floats, foot_mm: Floats, *, bends: bool
) -> tuple[float, float]:
    """Return the changes of inset [mm] and bend [1/mm2] that explain the residuals, along with a homography."""
    from_foot = printed_mm - foot_mm
    x, y = (printed_mm - printed_mm.mean(axis=0)).T / np.ptp(printed_mm)
    one, zero = np.ones_like(x), np.zeros_like(x)
    # How the plane can move: by a shift, by a linear map, and by a change of perspective.
    along_x = (one, x, y, zero, zero, zero, x * x, x * y)
    along_y = (zero, zero, zero, one, x, y, x * y, y * y)
    scale = 1e6
    radial = bends * from_foot * _squared(from_foot) / scale  # the least-norm solution is 0 for a field of zeros
    fields = np.stack([*np.stack([along_x, along_y], axis=-1), inward, radial], axis=-1)
    solution = np.linalg.lstsq(fields.reshape(residual_mm.size, -1), residual_mm.ravel(), rcond=None)[0]
    return float(solution[8]), float(solution[9]) / scale


def tilt_deg(homography: Floats, camera: Floats, at_mm: Floats) -> float:
    """Return the angle between the normal of a plane and the line of sight to one of its points."""
    pose, normal = _pose(homography, camera)
    ray = pose @ (*at_mm, 1.0)
    cosine = abs(normal @ ray) / (np.linalg.norm(normal) * np.linalg.norm(ray))
    return float(np.degrees(np.arccos(min(1.0, float(cosine)))))


@dataclass(frozen=True, slots=True, kw_only=True)
class CardView:
    """
    A rectified view of card or tag and its surroundings, at `VIEW_PX_PER_MM`.

    Parameters
    ----------
    card : Reference
        Card or tag; the chart has the geometry of the card.
    rgb_u8 : ndarray of uint8, shape (H, W, 3)
        Encoded like the photo.
    seen : ndarray of bool, shape (H, W)
        Where the view lies within the photo.
    plane : PlaneMap
        From the reference to the photo.
    """

    card: Reference
    rgb_u8: NDArray[np.uint8]
    seen: NDArray[np.bool_]
    plane: PlaneMap

    def area(self, rect: Rect) -> tuple[slice, slice]:
        """Return the rows and columns of a rectangle on the reference, clipped to the view."""
        height, width = self.seen.shape
        col0, row0, col1, row1 = (
            round((mm + MARGIN_MM) * VIEW_PX_PER_MM) for mm in (rect.x_mm, rect.y_mm, rect.right_mm, rect.bottom_mm)
        )
        return slice(max(row0, 0), min(row1, height)), slice(max(col0, 0), min(col1, width))

    def sees(self, *rects: Rect) -> bool:
        """Return whether all of these rectangles on the reference lie within the photo."""
        areas = [self.seen[self.area(rect)] for rect in rects]
        return all(area.size and area.all() for area in areas)

    def mask(self, *rects: Rect) -> NDArray[np.bool_]:
        """Return where the view shows any of these rectangles on the reference, shape (H, W)."""
        mask = np.zeros(self.seen.shape, bool)
        for rect in rects:
            mask[self.area(rect)] = True
        return mask

    def photo_xy(self, xy_px: Floats) -> Floats:
        """Return photo pixels of view pixels, shape (N, 2)."""
        return self.plane.px_from_mm((xy_px + 0.5) / VIEW_PX_PER_MM - MARGIN_MM)

    def view_xy(self, photo_xy_px: Floats) -> Floats:
        """Return view pixels of photo pixels, shape (N, 2)."""
        return (self.plane.mm_from_px(photo_xy_px) + MARGIN_MM) * VIEW_PX_PER_MM - 0.5


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


def view_card(photo: CloseUp, fit: ReferenceFit) -> CardView:
    """
    Rectify card or tag.

    Parameters
    ----------
    photo : CloseUp
        The upright photo, or the part of it around the reference.
    fit : ReferenceFit
        Where it lies in the photo.

    Returns
    -------
    CardView
        Of `fit.reference`.
    """
    around = fit.reference.outline.grown(MARGIN_MM)
    width, height = round(around.width_mm * VIEW_PX_PER_MM), round(around.height_mm * VIEW_PX_PER_MM)
    x_mm, y_mm = ((np.arange(n) + 0.5) / VIEW_PX_PER_MM - MARGIN_MM for n in (width, height))
    to_photo = replace(fit.plane, homography=photo.from_photo @ fit.plane.homography)
    x_px, y_px = np.moveaxis(to_photo.px_from_mm(np.stack(np.meshgrid(x_mm, y_mm), axis=-1)), -1, 0).astype(np.float32)
    height_px, width_px = photo.rgb_u8.shape[:2]
    seen = (x_px >= 0) & (x_px <= width_px - 1) & (y_px >= 0) & (y_px <= height_px - 1)
    # Detail finer than the view is smoothed away first, as the view is interpolated linearly.
    finer = fit.px_per_mm * photo.times / VIEW_PX_PER_MM
    blur = 0.35 * finer if finer > 1.3 else 0.0
    rows, columns = _around(y_px, blur), _around(x_px, blur)
    part = photo.rgb_u8[rows, columns]
    if blur:
        part = np.asarray(cv2.GaussianBlur(part, (0, 0), blur), dtype=np.uint8)
    rgb_u8 = np.asarray(cv2.remap(part, x_px - columns.start, y_px - rows.start, cv2.INTER_LINEAR), dtype=np.uint8)
    return CardView(card=fit.reference, rgb_u8=rgb_u8, seen=seen, plane=fit.plane)


def _around(along_px: NDArray[np.float32], blur_px: float) -> slice:
    """Return the rows or columns of a photo that smoothing and interpolation at these places need."""
    reach = int(np.ceil(4.0 * blur_px)) + 2
    return slice(max(int(along_px.min()) - reach, 0), max(int(along_px.max()) + reach, 0) + 1)


def _foot_mm(homography: Floats, camera: Floats) -> Floats:
    """Return where the perpendicular from the camera meets the plane."""
    pose, normal = _pose(homography, camera)
    return np.asarray(np.linalg.solve(np.column_stack((pose[:, :2], normal)), -pose[:, 2])[:2], dtype=np.float64)


def _pose(homography: Floats, camera: Floats) -> tuple[Floats, Floats]:
    """Return x axis, y axis and origin of the plane as the camera sees them, as columns, and its normal."""
    pose = np.linalg.solve(camera, homography)
    return np.asarray(pose, dtype=np.float64), np.asarray(np.cross(pose[:, 0], pose[:, 1]), dtype=np.float64)


def _squared(xy: Floats) -> Floats:
    """Return squared lengths, with a last axis of length 1."""
    return np.asarray(xy[..., :1] ** 2 + xy[..., 1:] ** 2)


def _projected(homography: NDArray[np.floating[Any]], xy: Floats) -> Floats:
    return np.asarray(cv2.perspectiveTransform(xy.reshape(-1, 1, 2), homography), dtype=np.float64).reshape(xy.shape)
