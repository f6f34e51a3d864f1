"""
Conversions between the units keepers and chemists use for hardness, salts and temperature.

Carbonate hardness in degrees (dKH) is the unit of every interface of the project; the others are
reached from it. One dKH is by definition the alkalinity of 10 mg of CaO per liter. One mmol/L of
alkalinity is the same as one meq/L.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Abridged standard atomic weights [g/mol]: Prohaska et al. 2022, Standard atomic weights of the elements
# 2021 (IUPAC Technical Report), Pure Appl. Chem. 94, 573-600, doi:10.1515/pac-2019-0603.
_H = 1.0080
_C = 12.011
_O = 15.999
_NA = 22.990
_CA = 40.078

CO2_G_MOL = _C + 2 * _O
"""Molar mass of carbon dioxide [g/mol]."""
CAO_G_MOL = _CA + _O
"""Molar mass of calcium oxide, two equivalents [g/mol]."""
CACO3_G_MOL = _CA + _C + 3 * _O
"""Molar mass of calcium carbonate, two equivalents [g/mol]."""
HCO3_G_MOL = _H + _C + 3 * _O
"""Molar mass of the bicarbonate ion, one equivalent [g/mol]."""
NAHCO3_G_MOL = _NA + HCO3_G_MOL
"""Molar mass of sodium bicarbonate (baking soda), one equivalent [g/mol]."""
NA2CO3_G_MOL = 2 * _NA + _C + 3 * _O
"""Molar mass of sodium carbonate (washing soda), two equivalents [g/mol]."""

MMOL_L_PER_DKH = 2 * 10.0 / CAO_G_MOL
"""Alkalinity of one degree: 10 mg/L of CaO, two equivalents a mole [mmol/L]."""


def mmol_l_from_dkh(kh_dkh: ArrayLike) -> NDArray[np.float64]:
    """
    Return alkalinity in mmol/L (= meq/L) of a carbonate hardness in degrees.

    Parameters
    ----------
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness [dKH].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Alkalinity [mmol/L].
    """
    return np.asarray(kh_dkh, dtype=np.float64) * MMOL_L_PER_DKH


def dkh_from_mmol_l(alkalinity_mmol_l: ArrayLike) -> NDArray[np.float64]:
    """
    Return carbonate hardness in degrees of an alkalinity in mmol/L (= meq/L).

    Parameters
    ----------
    alkalinity_mmol_l : array_like of float, shape (...)
        Alkalinity [mmol/L].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Carbonate hardness [dKH].
    """
    return np.asarray(alkalinity_mmol_l, dtype=np.float64) / MMOL_L_PER_DKH


def caco3_mg_l_from_dkh(kh_dkh: ArrayLike) -> NDArray[np.float64]:
    """
    Return the same alkalinity expressed as calcium carbonate ("ppm KH").

    Parameters
    ----------
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness [dKH].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Alkalinity as CaCO3, two equivalents a mole [mg/L].
    """
    return mmol_l_from_dkh(kh_dkh) * (CACO3_G_MOL / 2)


def dkh_from_caco3_mg_l(caco3_mg_l: ArrayLike) -> NDArray[np.float64]:
    """
    Return carbonate hardness in degrees of an alkalinity expressed as calcium carbonate.

    Parameters
    ----------
    caco3_mg_l : array_like of float, shape (...)
        Alkalinity as CaCO3 [mg/L].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Carbonate hardness [dKH].
    """
    return dkh_from_mmol_l(np.asarray(caco3_mg_l, dtype=np.float64) / (CACO3_G_MOL / 2))


def dkh_from_nahco3_mg_l(nahco3_mg_l: ArrayLike) -> NDArray[np.float64]:
    """
    Return the carbonate hardness of baking soda in pure water.

    Parameters
    ----------
    nahco3_mg_l : array_like of float, shape (...)
        Sodium bicarbonate [mg/L].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Carbonate hardness [dKH].
    """
    return dkh_from_mmol_l(np.asarray(nahco3_mg_l, dtype=np.float64) / NAHCO3_G_MOL)


def celsius_from_fahrenheit(temperature_f: ArrayLike) -> NDArray[np.float64]:
    """
    Return a temperature in degrees Celsius.

    Parameters
    ----------
    temperature_f : array_like of float, shape (...)
        Temperature [degF].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Temperature [degC].
    """
    return (np.asarray(temperature_f, dtype=np.float64) - 32.0) / 1.8


def fahrenheit_from_celsius(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """
    Return a temperature in degrees Fahrenheit.

    Parameters
    ----------
    temperature_c : array_like of float, shape (...)
        Temperature [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Temperature [degF].
    """
    return np.asarray(temperature_c, dtype=np.float64) * 1.8 + 32.0
