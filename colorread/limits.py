"""What is taken of a keeper, numbers and names, and the checks of it; light, so that the command line may tell it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

LightName = Literal["daylight", "warm-led", "cool-led", "fluorescent", "tank-led", "unknown"]
"""Lamps that a photo may be taken under."""
FluidKind = Literal["reference", "tank-water"]
"""What a vial may hold."""
TimeSource = Literal["exif with offset", "exif without offset", "file time", "unknown"]
"""Where the time of a photo comes from."""

KH_RANGE_DKH = (0.25, 30.0)
"""Carbonate hardness that any fluid or tank may have [dKH]."""
AIR_KH_RANGE_DKH = (0.5, 10.0)
"""KH of fluid whose pH is told by the air above it; with less the dye itself decides: assumption [dKH]."""
TARGET_KH_RANGE_DKH = (0.25, 20.0)
"""KH of a fluid that is to be mixed: assumption [dKH]."""
FLUID_VOLUME_RANGE_ML = (100.0, 5000.0)
"""Fluid that is to be mixed: assumption [mL]."""
SCALE_ERROR_MAX_G = 5.0
"""Error of a scale with which fluid can be mixed: assumption [g]."""
VIAL_VOLUME_RANGE_ML = (0.5, 20.0)
"""Fluid that a vial takes: assumption [mL]."""
TEMPERATURE_RANGE_C = (5.0, 40.0)
"""Temperature that any fluid or tank may have [degC]."""
EARLIEST_YEAR = 1990
"""What claims to be earlier comes from a clock that was never set: digital photos began then (assumption)."""
FISH_LIMIT_RANGE_MG_L = (5.0, 40.0)
"""Fish limit that a keeper may set: assumption; at 56 mg/L more seabream died than usual (Aquacultural Engineering
2013, abstract), so none is set near that [mg/L]."""
PLANTS_LIMIT_RANGE_MG_L = (1.0, 200.0)
"""Ends of the plants' range that a keeper may set; far more harms the fish, which have their own limit: assumption
[mg/L]."""
USUAL_FISH_LIMIT_MG_L = 30.0
"""Fish limit where nobody set one: common practice, no source, the usual upper end for planted tanks [mg/L]."""
SENSITIVE_FISH_LIMIT_MG_L = 20.0
"""
The limit where sensitive animals live. A clinical guide to fish medicine names "less than 20 mg/L" as a common target;
Alabaster & Lloyd 1980, quoted in a Danish report (second-hand), give 20 mg/L at most for salmonids, and Wedemeyer 1996
there: warm-water species not for long above 20 to 30 mg/L. That it suits shrimp, snails and fry is an assumption
[mg/L].
"""
USUAL_PLANTS_RANGE_MG_L = (15.0, 30.0)
"""Range for the plants where nobody set one: common practice, no source [mg/L]."""
USUAL_KH_DKH = 4.0
"""KH of the fluid where nobody stated one: common practice, no source [dKH]."""
USUAL_TEMPERATURE_C = 25.0
"""Temperature of the water where nobody stated one: assumption [degC]."""
OUTDOOR_AIR_PPM = 420.0
"""CO2 of the air outdoors: assumption for the 2020s, rounded; 430 ppm would give 2 % more CO2 [ppm]."""
AIR_PPM_RANGE = (200.0, 3000.0)
"""CO2 of the air that a fluid may stand in, times its pressure in atm: outdoor air at half an atmosphere to that of a
full room; assumption [ppm]."""
KNOWN_PH_RANGE = (6.0, 8.0)
"""pH of a buffer for calibration; the dye tells of no other: assumption [-]."""
IONIC_STRENGTH_RANGE_MOL_KG = (0.0, 0.5)
"""Ionic strength of such a buffer; Davies activities hold as far: common practice, no source [mol/kg]."""
TANK_VOLUME_RANGE_L = (1.0, 100_000.0)
"""Water in a tank: assumption [L]."""
SOURCE_AMOUNT_RANGE_G = (1.0, 100_000.0)
"""What a gas source is charged with: assumption [g]."""


def checked_range(
    name: str, value: ArrayLike, low: float, high: float, *, open_low: bool = False
) -> NDArray[np.float64]:
    """
    Return the value as float64 if all of it lies within a range.

    NaN passes, so that a missing measurement stays missing instead of stopping the others.

    Parameters
    ----------
    name : str
        What the number is, with its unit, for the message.
    value : array_like of float, shape (...)
        Number or numbers to check.
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
    import numpy as np  # only for those who check

    array = np.asarray(value, dtype=np.float64)
    outside = (array < low) | (array > high) | ((array == low) & open_low)
    if np.any(outside):
        span = f"be above {low:g} and at most {high:g}" if open_low else f"lie between {low:g} and {high:g}"
        raise ValueError(f"{name} must {span}, but is {array[outside].flat[0]:g}.")
    return array


def checked_number(name: str, value: float, low: float, high: float, *, open_low: bool = False) -> float:
    """
    Return a single number that people or files stated, if it lies within a range; NaN does not.

    Parameters
    ----------
    name : str
        What the number is, with its unit, for the message.
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
        If it is none, or lies outside the range.
    """
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a number.")
    return float(checked_range(name, value, low, high, open_low=open_low))
