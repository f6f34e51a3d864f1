"""The color of the view against paper, and where it changes."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# Assumptions: they rest on nothing but that the fluid in the rendered photos is found with them.
_SMOOTH_MM = 0.3
_MIN_CHROMA = 0.012  # below, no color is told from paper even where there is no noise
_RIM_MM = 1.2  # glass refracts: a dark line of about this width runs round the fluid
_RIM_DEPTH = 0.05  # by which that line is darker than what lies around it, log10 of light


def chroma_map(rgb_lin: NDArray[np.float32], paper_lin: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    """
    Return the color of every pixel against paper, free of light and shade.

    Parameters
    ----------
    rgb_lin, paper_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view and of bare paper there.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of float32, shape (H, W, 2)
        Density in R minus G, and in B minus G, smoothed over 0.3 mm [-].
    """
    red, green, blue = cv2.split(_log10(np.maximum(rgb_lin, 1e-3) / np.maximum(paper_lin, 1e-4)))
    chroma = cv2.merge([green - red, green - blue])
    return np.asarray(cv2.GaussianBlur(chroma, (0, 0), _SMOOTH_MM * px_per_mm), dtype=np.float32)


# OpenCV's logarithm and angle take a fifth of the time of NumPy's.
def _log10(light: NDArray[Any]) -> NDArray[np.float32]:
    return np.asarray(cv2.log(light) / np.float32(np.log(10.0)), dtype=np.float32)


def strength_and_angle(chroma: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """
    Return how strong the color is, and its direction.

    Parameters
    ----------
    chroma : ndarray of float32, shape (H, W, 2)
        From `chroma_map`.

    Returns
    -------
    strength : ndarray of float32, shape (H, W)
        Depth of color, density [-].
    angle_deg : ndarray of float32, shape (H, W)
        As `calibration.camera.direction_deg`, from -180 to 180 [deg].
    """
    red, blue = cv2.split(chroma)
    strength, angle_deg = cv2.cartToPolar(blue, red, angleInDegrees=True)
    return np.asarray(strength, np.float32), np.where(angle_deg > 180.0, angle_deg - 360.0, angle_deg)


def least_chroma(noise: float) -> float:
    """
    Return the depth of color below which it cannot be told from the noise of paper.

    Parameters
    ----------
    noise : float
        Spread of the chroma of bare paper [-].

    Returns
    -------
    float
        Density [-].
    """
    return max(_MIN_CHROMA, 2.5 * noise)


def color_step(chroma: NDArray[np.float32], px_per_mm: float) -> NDArray[np.float32]:
    """
    Return how fast the color changes.

    Parameters
    ----------
    chroma : ndarray of float32, shape (H, W, 2)
        From `chroma_map`.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of float32, shape (H, W)
        Change of density per millimeter [1/mm].
    """
    squares = np.zeros(chroma.shape[:2], np.float32)
    for channel in range(2):
        for dx, dy in ((1, 0), (0, 1)):
            squares += cv2.Scharr(np.ascontiguousarray(chroma[..., channel]), cv2.CV_32F, dx, dy) ** 2
    return np.asarray(np.sqrt(squares) * (px_per_mm / 32.0), dtype=np.float32)


def dark_rim(rgb_lin: NDArray[np.float32], px_per_mm: float) -> NDArray[np.bool_]:
    """
    Return where the dark line lies that glass makes around the fluid.

    Parameters
    ----------
    rgb_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of bool, shape (H, W)
        True on such a line.
    """
    smooth = cv2.GaussianBlur(rgb_lin, (0, 0), 0.15 * px_per_mm)
    red, green, blue = cv2.split(np.maximum(smooth, 1e-3))
    log_light = _log10(red * green * blue) / 3.0
    size = 2 * round(0.5 * _RIM_MM * px_per_mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    rim: NDArray[np.bool_] = cv2.morphologyEx(log_light, cv2.MORPH_BLACKHAT, kernel) > _RIM_DEPTH
    return rim
