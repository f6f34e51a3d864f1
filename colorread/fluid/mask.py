"""What each pixel of the view shows, by a small learned network: dyed fluid, another liquid in glass, or neither."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.fluid.color import ColorMap
from colorread.reference import CLIPPED_U8, CardView

PX_PER_MM = 2.0
"""Scale that the network looks at [px/mm]."""
NEITHER, DYED, OTHER_LIQUID = range(3)
"""Classes that the network tells apart: anything else, fluid with the dye, clear water or another dye in glass."""
_MULTIPLE = 8  # of the sides, as the network halves them three times
_SPAN = (-0.5, 1.5)  # of the densities it is given
_GREEN_AND_CHROMA = np.array([(0.0, 1.0, 0.0), (1.0, -1.0, 0.0), (0.0, -1.0, 1.0)])  # of R, G, B
_MEAN = np.full((1, 3), 1.0 / 3.0)


def mask_input(view: CardView, colors: ColorMap) -> NDArray[np.float32]:
    """
    Return what the network is given.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.

    Returns
    -------
    ndarray of float32, shape (4, h, w)
        Green density, R minus G and B minus G density, and the share of clipped values, at 2 px/mm; zero outside the
        photo.
    """
    height, width = view.seen.shape
    size = round(width * PX_PER_MM / view.px_per_mm), round(height * PX_PER_MM / view.px_per_mm)
    layers = np.empty((height, width, 4), np.float32)
    layers[..., :3] = cv2.transform(np.clip(colors.density, *_SPAN), _GREEN_AND_CHROMA)
    layers[..., 3] = cv2.transform((view.rgb_u8 >= CLIPPED_U8).astype(np.float32), _MEAN)
    layers[~view.seen] = 0.0
    return np.ascontiguousarray(np.moveaxis(cv2.resize(layers, size, interpolation=cv2.INTER_AREA), -1, 0))


def pixel_classes(view: CardView, colors: ColorMap) -> NDArray[np.intp]:
    """
    Return what each pixel of the view shows.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.

    Returns
    -------
    ndarray of int, shape (H, W)
        The most probable of `NEITHER`, `DYED` and `OTHER_LIQUID`.
    """
    layers = mask_input(view, colors)
    _, height, width = layers.shape
    padded = np.pad(layers, ((0, 0), (0, -height % _MULTIPLE), (0, -width % _MULTIPLE)))
    net = _network()
    net.setInput(padded[None])
    score = np.moveaxis(np.asarray(net.forward())[0, :, :height, :width], 0, -1)
    score = cv2.resize(score, view.seen.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(score.argmax(axis=-1), dtype=np.intp)


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(np.frombuffer(files(__package__).joinpath("mask.onnx").read_bytes(), np.uint8))
