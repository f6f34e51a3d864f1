"""The fluid as a region of the view, and the outlines of regions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Rectangle = tuple[float, float, float, float]
"""x, y, width and height [px]."""

_OPENING = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))


@dataclass(frozen=True, slots=True, kw_only=True)
class VialFit:
    """
    Where the fluid is.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)
        The fluid in the view, out to its edge.
    outline_px : ndarray of float64, shape (N, 2)
        Outline in view pixels, x and y.
    area_mm2 : float
        Area on the plane of the card [mm2].
    """

    mask: NDArray[np.bool_]
    outline_px: NDArray[np.float64]
    area_mm2: float


def outer_contours(region: NDArray[Any], least_px2: float = 0.0) -> list[NDArray[np.int32]]:
    """
    Return the outlines of all parts of a region; highlights leave holes, which do not count.

    Parameters
    ----------
    region : ndarray of bool or uint8, shape (H, W)
        Where it is.
    least_px2 : float, default 0
        Smaller parts are left out [px2].

    Returns
    -------
    list of ndarray of int32, shape (N, 1, 2)
        x and y; a part in a hole of another one counts too.
    """
    region_u8 = region.astype(np.uint8, copy=False)
    part = around(region_u8)
    offset = part[1].start, part[0].start
    contours, tree = cv2.findContours(region_u8[part], cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE, offset=offset)
    parents = () if tree is None else tree[0, :, 3]
    return [
        np.asarray(contour, np.int32)
        for contour, parent in zip(contours, parents, strict=True)
        if parent < 0 and cv2.contourArea(contour) >= least_px2
    ]


def opened(region: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """
    Return a region without specks and threads.

    Parameters
    ----------
    region : ndarray of uint8, shape (H, W)
        0 or 1.

    Returns
    -------
    ndarray of uint8, shape (H, W)
        0 or 1.
    """
    part = around(region)
    opened_region = np.zeros_like(region)
    opened_region[part] = cv2.morphologyEx(region[part], cv2.MORPH_OPEN, _OPENING)
    return opened_region


def around(region: NDArray[np.uint8], margin_px: int = 1) -> tuple[slice, slice]:
    """
    Return rows and columns with a region and what is next to it: most regions are small, and time goes by pixels.

    Parameters
    ----------
    region : ndarray of uint8, shape (H, W)
        Where it is.
    margin_px : int, default 1
        How much there is to be around it, within the view [px].

    Returns
    -------
    tuple of slice
        Rows and columns.
    """
    x, y, width, height = cv2.boundingRect(region)
    rows = slice(max(y - margin_px, 0), y + height + margin_px)
    return rows, slice(max(x - margin_px, 0), x + width + margin_px)


def fit_of(contour: NDArray[np.int32], shape: tuple[int, ...], px_per_mm: float) -> VialFit:
    """
    Return the fluid inside an outline.

    Parameters
    ----------
    contour : ndarray of int32, shape (N, 1, 2)
        From `outer_contours`.
    shape : tuple of int
        Of the view.
    px_per_mm : float
        Its scale [px/mm].

    Returns
    -------
    VialFit
        With holes filled.
    """
    filled = np.zeros(shape, np.uint8)
    cv2.drawContours(filled, [contour], -1, 1, cv2.FILLED)
    return VialFit(
        mask=filled.astype(bool),
        outline_px=contour[:, 0, :].astype(np.float64),
        area_mm2=float(cv2.contourArea(contour) / px_per_mm**2),
    )
