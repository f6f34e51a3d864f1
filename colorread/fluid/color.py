"""The color of the view against paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from colorread.reference import LEAST_LIGHT

# Assumptions: they rest on nothing but that the fluid in the rendered photos is found with them.
_SMOOTH_MM = 0.3
_MIN_CHROMA = 0.012  # below, no color is told from paper even where there is no noise


@dataclass(frozen=True, slots=True, kw_only=True)
class ColorMap:
    """
    The color of every pixel of the view against paper, free of light and shade.

    Parameters
    ----------
    chroma : ndarray of float32, shape (H, W, 2)
        Density in R minus G, and in B minus G, smoothed over 0.3 mm [-].
    strength : ndarray of float32, shape (H, W)
        Depth of color, density [-].
    noise : float
        Spread of the chroma of bare paper [-].
    px_per_mm : float
        Scale [px/mm].
    """

    chroma: NDArray[np.float32]
    strength: NDArray[np.float32]
    noise: float
    px_per_mm: float

    @property
    def least_strength(self) -> float:
        """Depth of color below which it cannot be told from the noise of paper, density [-]."""
        return max(_MIN_CHROMA, 2.5 * self.noise)


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
    red, green, blue = cv2.split(_log10(np.maximum(rgb_lin, LEAST_LIGHT) / np.maximum(paper_lin, 1e-4)))
    chroma = cv2.GaussianBlur(cv2.merge([green - red, green - blue]), (0, 0), _SMOOTH_MM * px_per_mm)
    strength = cv2.magnitude(*cv2.split(chroma))
    return ColorMap(
        chroma=np.asarray(chroma, np.float32),
        strength=np.asarray(strength, np.float32),
        noise=noise,
        px_per_mm=px_per_mm,
    )


# OpenCV's logarithm and angle take a fifth of the time of NumPy's.
def _log10(light: NDArray[Any]) -> NDArray[np.float32]:
    return np.asarray(cv2.log(light) / np.float32(np.log(10.0)), dtype=np.float32)
