"""Card or tag seen from straight above: a rectified part of the photo, so that later steps work in millimeters."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats, Rect, Reference
from colorread.photo import CloseUp
from colorread.reference.find import ReferenceFit
from colorread.reference.plane import PlaneMap

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
