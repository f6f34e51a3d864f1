"""
Every pixel of the view: its color against paper, and its class.

A small neural network distinguishes dyed fluid, another liquid in glass, and neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats
from colorread.reference import CLIPPED_U8, VIEW_PX_PER_MM, CardView, median

BLACK_U8 = 3
"""Code up to which a channel may be cut off; above 0, as compression shifts codes a little: assumption."""
_LEAST_LIGHT = 1e-3  # over that of paper: about code 3 in plain sRGB, where black begins; its logarithm is finite
_PIXELS_OF_ONE_SAMPLE = 9.0  # that share noise, through demosaicing, compression and the view: assumption
_SMOOTH_MM = 0.3  # assumption: the fluid in the rendered photos is found with it
PX_PER_MM = 2.0
"""Scale at which the network works [px/mm]."""
NEITHER, DYED, OTHER_LIQUID = range(3)
"""Classes that the network distinguishes: anything else, fluid with the dye, clear water or another dye in glass."""
_MULTIPLE = 8  # divides the sides of its input, as the network halves them three times
_SPAN = (-0.5, 1.5)  # of the densities in its input
_GREEN_AND_CHROMA = np.array([(0.0, 1.0, 0.0), (1.0, -1.0, 0.0), (0.0, -1.0, 1.0)])  # of R, G, B
_MEAN = np.full((1, 3), 1.0 / 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColorMap:
    """
    The color of every pixel of the view against paper.

    Parameters
    ----------
    density : ndarray of float32, shape (H, W, 3)
        In R, G, B [-].
    chroma : ndarray of float32, shape (H, W, 2)
        Density in R minus G, and in B minus G, smoothed over 0.3 mm: free of light and shade [-].
    strength : ndarray of float32, shape (H, W)
        Depth of color, density [-].
    noise : float
        Spread of the chroma of bare paper [-].
    """

    density: NDArray[np.float32]
    chroma: NDArray[np.float32]
    strength: NDArray[np.float32]
    noise: float


def color_map(rgb_lin: NDArray[np.float32], paper_lin: NDArray[np.float32], noise: float) -> ColorMap:
    """
    Compare every pixel with paper.

    Parameters
    ----------
    rgb_lin, paper_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view and of bare paper there.
    noise : float
        Spread of the chroma of bare paper [-].

    Returns
    -------
    ColorMap
        Colors of the view.
    """
    density = density_of(rgb_lin / paper_lin)
    red, green, blue = cv2.split(density)
    chroma = cv2.GaussianBlur(cv2.merge([red - green, blue - green]), (0, 0), _SMOOTH_MM * VIEW_PX_PER_MM)
    strength = np.asarray(cv2.magnitude(*cv2.split(chroma)), np.float32)
    return ColorMap(density=density, chroma=np.asarray(chroma, np.float32), strength=strength, noise=noise)


def density_of(ratio: NDArray[Any]) -> NDArray[Any]:
    """
    Return the density of light over that of paper.

    Parameters
    ----------
    ratio : ndarray of float, shape (..., 3)
        Linear light over that of paper.

    Returns
    -------
    ndarray of float, shape (..., 3)
        -log10 of it, at most 3 [-].
    """
    # OpenCV's logarithm takes a fifth of the time of NumPy's.
    logarithm = cv2.log(np.maximum(ratio, _LEAST_LIGHT)).reshape(ratio.shape)
    return np.asarray(logarithm * ratio.dtype.type(-1.0 / np.log(10.0)))


def median_density(density: Floats, steeper: Floats) -> tuple[Floats, Floats]:
    """
    Return the median of pixels of one color, and its variance from noise and tone curve.

    Parameters
    ----------
    density, steeper : ndarray of float64, shape (N, 3)
        Densities of the pixels, and the same if the tone curve were steeper by its standard uncertainty [-].

    Returns
    -------
    median, variance : ndarray of float64, shape (3,)
        In R, G, B.
    """
    of_pixels = median(density)
    shift = np.abs(median(steeper) - of_pixels)
    # A change that the tone curve makes to all channels alike does not change the color.
    tone_std = shift - shift.min()
    noise = density.std(axis=0) / np.sqrt(max(len(density) / _PIXELS_OF_ONE_SAMPLE, 1.0))
    return of_pixels, tone_std**2 + noise**2


def mask_input(view: CardView, colors: ColorMap) -> NDArray[np.float32]:
    """
    Return the input of the network.

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
    size = round(width * PX_PER_MM / VIEW_PX_PER_MM), round(height * PX_PER_MM / VIEW_PX_PER_MM)
    layers = np.empty((height, width, 4), np.float32)
    layers[..., :3] = cv2.transform(np.clip(colors.density, *_SPAN), _GREEN_AND_CHROMA)
    layers[..., 3] = cv2.transform((view.rgb_u8 >= CLIPPED_U8).astype(np.float32), _MEAN)
    layers[~view.seen] = 0.0
    return np.ascontiguousarray(np.moveaxis(cv2.resize(layers, size, interpolation=cv2.INTER_AREA), -1, 0))


def pixel_classes(view: CardView, colors: ColorMap) -> NDArray[np.uint8]:
    """
    Return the class of each pixel of the view.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.

    Returns
    -------
    ndarray of uint8, shape (H, W)
        The most probable of `NEITHER`, `DYED` and `OTHER_LIQUID`.
    """
    layers = mask_input(view, colors)
    _, height, width = layers.shape
    padded = np.pad(layers, ((0, 0), (0, -height % _MULTIPLE), (0, -width % _MULTIPLE)))
    net = _network()
    net.setInput(padded[None])
    scores = np.asarray(net.forward())[0, :, :height, :width]
    neither, dyed, other = (
        cv2.resize(score, view.seen.shape[::-1], interpolation=cv2.INTER_LINEAR) for score in scores
    )
    classes = np.where(dyed > neither, np.uint8(DYED), np.uint8(NEITHER))
    classes[other > np.maximum(neither, dyed)] = OTHER_LIQUID
    return classes


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(np.frombuffer(files(__package__).joinpath("mask.onnx").read_bytes(), np.uint8))
