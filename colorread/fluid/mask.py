"""What each pixel of the view shows, by a small learned network: dyed fluid, another liquid in glass, or neither."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.reference import CLIPPED_U8, density_of

PX_PER_MM = 2.0
"""Scale that the network looks at [px/mm]."""
NEITHER, DYED, OTHER_LIQUID = range(3)
"""Classes that the network tells apart: anything else, fluid with the dye, clear water or another dye in glass."""
_MULTIPLE = 8  # of the sides, as the network halves them three times
_SPAN = (-0.5, 1.5)  # of the densities it is given
_GREEN_AND_CHROMA = np.array([(0.0, 1.0, 0.0), (1.0, -1.0, 0.0), (0.0, -1.0, 1.0)])  # of R, G, B
_MEAN = np.full((1, 3), 1.0 / 3.0)


def mask_input(
    rgb_u8: NDArray[np.uint8],
    seen: NDArray[np.bool_],
    rgb_lin: NDArray[np.float32],
    paper_lin: NDArray[np.float32],
    px_per_mm: float,
) -> NDArray[np.float32]:
    """
    Return what the network is given.

    Parameters
    ----------
    rgb_u8, seen, rgb_lin, paper_lin : ndarray, shape (H, W, 3) and (H, W)
        The view, where it lies in the photo, its linear light and that of bare paper.
    px_per_mm : float
        Scale of the view [px/mm].

    Returns
    -------
    ndarray of float32, shape (4, h, w)
        Green density, R minus G and B minus G density, and the share of clipped values, at 2 px/mm; zero outside the
        photo.
    """
    height, width = seen.shape
    size = round(width * PX_PER_MM / px_per_mm), round(height * PX_PER_MM / px_per_mm)
    colors = cv2.transform(np.clip(density_of(rgb_lin, paper_lin), *_SPAN), _GREEN_AND_CHROMA)
    clipped = cv2.transform((rgb_u8 >= CLIPPED_U8).astype(np.float32), _MEAN)
    layers = np.dstack([colors, clipped])
    layers[~seen] = 0.0
    return np.ascontiguousarray(np.moveaxis(cv2.resize(layers, size, interpolation=cv2.INTER_AREA), -1, 0))


def pixel_classes(layers: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.intp]:
    """
    Return what each pixel of the view shows.

    Parameters
    ----------
    layers : ndarray of float32, shape (4, h, w)
        From `mask_input`.
    shape : tuple of int
        Rows and columns of the view.

    Returns
    -------
    ndarray of int, shape (H, W)
        The most probable of `NEITHER`, `DYED` and `OTHER_LIQUID`.
    """
    _, height, width = layers.shape
    padded = np.pad(layers, ((0, 0), (0, -height % _MULTIPLE), (0, -width % _MULTIPLE)))
    net = _network()
    net.setInput(padded[None])
    score = np.moveaxis(np.asarray(net.forward())[0, :, :height, :width], 0, -1)
    score = cv2.resize(score, shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(score.argmax(axis=-1), dtype=np.intp)


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(np.frombuffer(files(__package__).joinpath("mask.onnx").read_bytes(), np.uint8))
