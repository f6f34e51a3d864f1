"""Colors against paper: densities of pixels and how sure their median is, and the color of the whole view."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.reference import median

BLACK_U8 = 3
"""Code up to which a channel may be cut off, as compression moves it a little: assumption."""
_LEAST_LIGHT = 1e-3  # about code 3 in plain sRGB: where black begins, and the logarithm stays finite
_PIXELS_OF_ONE_SAMPLE = 9.0  # that share noise, by demosaicing, compression and the view: assumption
_SMOOTH_MM = 0.3  # assumption: the fluid in the rendered photos is found with it


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


def color_map(rgb_lin: NDArray[np.float32], paper_lin: NDArray[np.float32], noise: float, px_per_mm: float) -> ColorMap:
    """
    Compare every pixel with paper.

    Parameters
    ----------
    rgb_lin, paper_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view and of bare paper there.
    noise : float
        Spread of the chroma of bare paper [-].
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ColorMap
        Of the view.
    """
    density = density_of(rgb_lin, paper_lin)
    red, green, blue = cv2.split(density)
    chroma = cv2.GaussianBlur(cv2.merge([red - green, blue - green]), (0, 0), _SMOOTH_MM * px_per_mm)
    strength = np.asarray(cv2.magnitude(*cv2.split(chroma)), np.float32)
    return ColorMap(density=density, chroma=np.asarray(chroma, np.float32), strength=strength, noise=noise)


def density_of(rgb_lin: NDArray[Any], paper_lin: NDArray[Any]) -> NDArray[Any]:
    """
    Return the density of light over that of paper.

    Parameters
    ----------
    rgb_lin, paper_lin : ndarray of float, shape (..., 3)
        Linear light.

    Returns
    -------
    ndarray of float, shape (..., 3)
        -log10 of their ratio [-].
    """
    ratio = np.maximum(rgb_lin, _LEAST_LIGHT) / paper_lin
    # OpenCV's logarithm takes a fifth of the time of NumPy's.
    return np.asarray(cv2.log(ratio).reshape(ratio.shape) * ratio.dtype.type(-1.0 / np.log(10.0)))


def median_density(
    density: NDArray[np.float64], steeper: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Return the median of pixels of one color, and its variance by noise and tone curve.

    Parameters
    ----------
    density, steeper : ndarray of float64, shape (N, 3)
        Densities of the pixels, and what they were if the tone curve was steeper by its standard uncertainty [-].

    Returns
    -------
    median, variance : ndarray of float64, shape (3,)
        In R, G, B.
    """
    of_pixels = median(density)
    shift = np.abs(median(steeper) - of_pixels)
    # What the tone curve does to all channels alike is not a change of color.
    tone_std = shift - shift.min()
    noise = density.std(axis=0) / np.sqrt(max(len(density) / _PIXELS_OF_ONE_SAMPLE, 1.0))
    return of_pixels, tone_std**2 + noise**2
