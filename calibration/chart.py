"""The printed chart: which pH its patches stand for, where they lie on the card, and what color they are sent as."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.camera import direction_deg, dye_transmittance, rgb_lin_under_d65
from calibration.dye import PKA_25C_FRESH
from calibration.reference import Rect, load_card

CHART_PH = (6.0, 6.2, 6.4, 6.6, 6.8, 7.0, 7.2, 7.4, 7.6)
"""pH of the patches, over the range in which the dye changes color [-]."""
CHART_LOAD = 0.7
"""Amount of dye for which the patches are computed: a usual vial, all patches within the colors of sRGB [-]."""
_GAP_MM = 2.4
# Within the window of the card; what is left above and below holds the labels. Patches more than four times as tall as
# wide are seldom taken for a vial where a photo of the chart is read by mistake.
_TOP_MM, _HEIGHT_MM = 8.0, 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPatch:
    """
    One patch of the chart.

    Parameters
    ----------
    ph : float
        pH that it stands for, at 25 degrees C [-].
    rect : Rect
        Where it lies on the card, whose window the patches fill.
    rgb_lin : ndarray of float64, shape (3,)
        Color, linear sRGB, paper being (1, 1, 1).
    """

    ph: float
    rect: Rect
    rgb_lin: NDArray[np.float64]


@cache
def chart_patches() -> tuple[ChartPatch, ...]:
    """
    Return the patches of the chart from yellow to blue.

    The colors are those of the dye before white paper under D65, for the standard observer and the pKa' expected at
    25 degrees C; 5 degrees more or less move them by 0.03 in pH, far less than printers differ.

    Returns
    -------
    tuple of ChartPatch
        One for each of `CHART_PH`; the same object at each call.
    """
    window = load_card().vial_window
    pitch_mm = (window.width_mm + _GAP_MM) / len(CHART_PH)
    colors = rgb_lin_under_d65(dye_transmittance(np.array(CHART_PH) - PKA_25C_FRESH, CHART_LOAD), "srgb")
    return tuple(
        ChartPatch(
            ph=ph,
            rect=Rect(
                x_mm=window.x_mm + place * pitch_mm,
                y_mm=window.y_mm + _TOP_MM,
                width_mm=pitch_mm - _GAP_MM,
                height_mm=_HEIGHT_MM,
            ),
            rgb_lin=color,
        )
        for place, (ph, color) in enumerate(zip(CHART_PH, colors, strict=True))
    )


def ph_by_chart(
    density: NDArray[np.float64], chart_density: NDArray[np.float64], chart_ph: ArrayLike
) -> NDArray[np.float64]:
    """
    Return the pH at which a chart has the direction of a color, as one compares by eye.

    Parameters
    ----------
    density : ndarray of float, shape (..., 3)
        Densities in R, G, B of the colors [-].
    chart_density : ndarray of float, shape (N, 3)
        Those of the patches in the same light and phone, from yellow to blue [-].
    chart_ph : array_like of float, shape (N,)
        What the patches stand for, rising [-].

    Returns
    -------
    ndarray of float64, shape (...)
        Between the first and the last patch [-].
    """
    # Print and noise may turn the order of neighbors that hardly differ.
    rising = np.maximum.accumulate(direction_deg(chart_density))
    return np.interp(direction_deg(density), rising, np.asarray(chart_ph, dtype=np.float64))
