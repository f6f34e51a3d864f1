"""Names and ranges of what may be entered, usual values, and checks; nothing slow to import, for the command line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

LightName = Literal["daylight", "warm-led", "cool-led", "fluorescent", "tank-led", "unknown"]
"""Lamp that lights a photo."""
FluidKind = Literal["reference", "tank-water"]
"""Contents of a vial."""
TimeSource = Literal["exif with offset", "exif without offset", "file time", "unknown"]
"""Where the time of a photo comes from."""

KH_RANGE_DKH = (0.25, 30.0)
"""Carbonate hardness of any fluid or tank [dKH]."""
AIR_KH_RANGE_DKH = (0.5, 10.0)
"""KH of fluid whose pH is set by the air above it; at lower KH the dye itself dominates: assumption [dKH]."""
TARGET_KH_RANGE_DKH = (0.25, 20.0)
"""KH of a fluid to mix: assumption [dKH]."""
FLUID_VOLUME_RANGE_ML = (100.0, 5000.0)
"""Volume of a fluid to mix: assumption [mL]."""
SCALE_ERROR_MAX_G = 5.0
"""Largest error of a scale for mixing fluid: assumption [g]."""
VIAL_VOLUME_RANGE_ML = (0.5, 20.0)
"""Volume of fluid in a vial: assumption [mL]."""
TEMPERATURE_RANGE_C = (5.0, 40.0)
"""Temperature of any fluid or tank [degC]."""
EARLIEST_YEAR = 1990
"""A photo dated earlier has a clock that was never set: digital photos began then (assumption)."""
FISH_LIMIT_RANGE_MG_L = (5.0, 40.0)
"""Fish limit that a keeper may set: assumption, well below 56 mg/L, at which more seabream died than usual
(Aquacultural Engineering 2013, abstract) [mg/L]."""
TARGET_RANGE_MG_L = (1.0, FISH_LIMIT_RANGE_MG_L[1])
"""Daily peak that a gas plan may aim at: choice of this project [mg/L]."""
PLANTS_LIMIT_RANGE_MG_L = (1.0, 200.0)
"""Ends of the plants' range that a keeper may set; the fish have a limit of their own: assumption [mg/L]."""
USUAL_FISH_LIMIT_MG_L = 30.0
"""Fish limit if none is set: common practice, no source, the usual upper end for planted tanks [mg/L]."""
SENSITIVE_FISH_LIMIT_MG_L = 20.0
"""
Fish limit for tanks with sensitive animals [mg/L].

A clinical guide to fish medicine names "less than 20 mg/L" as a common target. Quoted in a Danish report (second-hand):
Alabaster & Lloyd 1980 give 20 mg/L at most for salmonids; Wedemeyer 1996, warm-water species not for long above 20 to
30 mg/L. Assumption: it suits shrimp, snails and fry.
"""
USUAL_PLANTS_RANGE_MG_L = (15.0, 30.0)
"""Range for the plants if none is set: common practice, no source [mg/L]."""
USUAL_KH_DKH = 4.0
"""KH of the fluid if none is entered: common practice, no source [dKH]."""
USUAL_TEMPERATURE_C = 25.0
"""Temperature of the water if none is entered: assumption [degC]."""
OUTDOOR_AIR_PPM = 420.0
"""CO2 in outdoor air: assumption for the 2020s, rounded; 430 ppm would give 2 % more CO2 [ppm]."""
AIR_PPM_RANGE = (200.0, 3000.0)
"""CO2 in the air above a fluid, times the pressure in atm: from outdoor air at half an atmosphere to a crowded room;
assumption [ppm]."""
KNOWN_PH_RANGE = (6.0, 8.0)
"""pH of a buffer for calibration, within the range of the dye: assumption [-]."""
IONIC_STRENGTH_RANGE_MOL_KG = (0.0, 0.5)
"""Ionic strength of such a buffer, within which Davies activities hold: common practice, no source [mol/kg]."""
TANK_VOLUME_RANGE_L = (1.0, 100_000.0)
"""Volume of a tank: assumption [L]."""
SOURCE_AMOUNT_RANGE_G = (1.0, 100_000.0)
"""Charge of a gas source: assumption [g]."""


def checked_range(
    name: str, value: ArrayLike, low: float, high: float, *, open_low: bool = False
) -> NDArray[np.float64]:
    """
    Return numbers as float64 if they lie within a range.

    NaN passes, so that one missing measurement does not stop the others.

    Parameters
    ----------
    name : str
        Name of the quantity, with its unit, for the message.
    value : array_like of float, shape (...)
        Numbers to check.
    low, high : float
        Ends of the range, both included.
    open_low : bool, default False
        Whether the lower end itself is excluded.

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        The same numbers.

    Raises
    ------
    ValueError
        If a number lies outside the range.
    """
    import numpy as np  # slow to import

    array = np.asarray(value, dtype=np.float64)
    outside = (array < low) | (array > high) | ((array == low) & open_low)
    if np.any(outside):
        span = f"above {low:g} and at most {high:g}" if open_low else f"between {low:g} and {high:g}"
        raise ValueError(f"{name} must be {span}, not {array[outside].flat[0]:g}.")
    return array


def checked_number(name: str, value: float, low: float, high: float, *, open_low: bool = False) -> float:
    """
    Return a single number if it is finite and lies within a range.

    Parameters
    ----------
    name : str
        Name of the quantity, with its unit, for the message.
    value : float
        Number to check.
    low, high : float
        Ends of the range, both included.
    open_low : bool, default False
        Whether the lower end itself is excluded.

    Returns
    -------
    float
        The same number.

    Raises
    ------
    ValueError
        If it is not finite, or lies outside the range.
    """
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a number.")
    return float(checked_range(name, value, low, high, open_low=open_low))
