"""The density of pixels against paper, and how sure the median of many is."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

CLIPPED_U8, BLACK_U8 = 252, 3
"""Codes from and up to which a channel may be cut off, as compression moves it a little: assumption."""
LEAST_LIGHT = 1e-3  # about code 3 in plain sRGB: where black begins, and the logarithm stays finite
_PIXELS_OF_ONE_SAMPLE = 9.0  # that share noise, by demosaicing, compression and the view: assumption


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
    return np.asarray(-np.log10(np.maximum(rgb_lin, LEAST_LIGHT) / paper_lin))


def median(values: NDArray[Any]) -> NDArray[Any]:
    """
    Return what `numpy.median` does, without its checks, which take most of the time for a few hundred values.

    Parameters
    ----------
    values : ndarray, shape (N, ...)
        Finite, at least one.

    Returns
    -------
    ndarray, shape (...)
        Over the first axis.
    """
    middle = [(len(values) - 1) // 2, len(values) // 2]
    return np.asarray(np.partition(values, middle, axis=0)[middle].mean(axis=0))


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
