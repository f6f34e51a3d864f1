"""
Equilibrium constants of carbonic acid and water against temperature, and activity coefficients of ions.

All constants are molal, for zero ionic strength; activity coefficients carry them to real water.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from colorread.ranges import checked_range

Floats = NDArray[np.float64]

KELVIN_AT_0_C = 273.15
TEMPERATURE_RANGE_C = (0.0, 50.0)  # the constants hold from 0 to 90 C; aquaria need no more than this


def log_k1_plummer1982(temperature_c: ArrayLike) -> Floats:
    """
    Return log10 of the first dissociation constant of carbonic acid.

    Parameters
    ----------
    temperature_c : array_like of float, shape (...)
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        log10 K1 of CO2 + H2O = H+ + HCO3- at zero ionic strength, molal [-].

    Raises
    ------
    ValueError
        If the temperature lies outside 0 to 50 C.

    References
    ----------
    .. [1] Plummer, L. N. and Busenberg, E., 1982, Geochim. Cosmochim. Acta 46, 1011-1040,
       doi:10.1016/0016-7037(82)90056-4; coefficients as carried by several public programs.
    """
    t = _kelvin(temperature_c)
    return -356.3094 - 0.06091964 * t + 21834.37 / t + 126.8339 * np.log10(t) - 1684915.0 / t**2


def log_k2_plummer1982(temperature_c: ArrayLike) -> Floats:
    """
    Return log10 of the second dissociation constant of carbonic acid.

    Parameters
    ----------
    temperature_c : array_like of float, shape (...)
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        log10 K2 of HCO3- = H+ + CO3-- at zero ionic strength, molal [-].

    Raises
    ------
    ValueError
        If the temperature lies outside 0 to 50 C.

    References
    ----------
    .. [1] Plummer and Busenberg 1982, doi:10.1016/0016-7037(82)90056-4.
    """
    t = _kelvin(temperature_c)
    return -107.8871 - 0.03252849 * t + 5151.79 / t + 38.92561 * np.log10(t) - 563713.9 / t**2


def log_kh_plummer1982(temperature_c: ArrayLike) -> Floats:
    """
    Return log10 of Henry's constant of CO2.

    Parameters
    ----------
    temperature_c : array_like of float, shape (...)
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        log10 K_H, K_H in [mol/kg/atm].

    Raises
    ------
    ValueError
        If the temperature lies outside 0 to 50 C.

    References
    ----------
    .. [1] Plummer and Busenberg 1982, doi:10.1016/0016-7037(82)90056-4.
    """
    t = _kelvin(temperature_c)
    return 108.3865 + 0.01985076 * t - 6919.53 / t - 40.45154 * np.log10(t) + 669365.0 / t**2


def log_kw_phreeqc(temperature_c: ArrayLike) -> Floats:
    """
    Return log10 of the ion product of water, in the set used with the carbonate constants.

    Parameters
    ----------
    temperature_c : array_like of float, shape (...)
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        log10 Kw of H2O = H+ + OH- at zero ionic strength, molal [-].

    Raises
    ------
    ValueError
        If the temperature lies outside 0 to 50 C.

    References
    ----------
    .. [1] phreeqc.dat, the database of PHREEQC, in versions before the present one (Parkhurst, D. L. and Appelo,
       C. A. J., 1999, U.S. Geological Survey Water-Resources Investigations Report 99-4259). Within 0.005 of
       Marshall, W. L. and Franck, E. U., 1981, J. Phys. Chem. Ref. Data 10, 295-304, from 0 to 50 C.
    """
    t = _kelvin(temperature_c)
    return -283.971 - 0.05069842 * t + 13323.0 / t + 102.24447 * np.log10(t) - 1119669.0 / t**2


def log_activity_davies(ionic_strength_mol_kg: ArrayLike, charge: int, *, temperature_c: ArrayLike) -> Floats:
    """
    Return log10 of the activity coefficient of an ion by the Davies equation.

    Parameters
    ----------
    ionic_strength_mol_kg : array_like of float, shape (...)
        Ionic strength [mol/kg].
    charge : int
        Charge of the ion, of either sign [-].
    temperature_c : array_like of float, shape (...)
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        log10 of the activity coefficient [-].

    Raises
    ------
    ValueError
        If the temperature lies outside 0 to 50 C.

    References
    ----------
    .. [1] Yao, W. and Byrne, R. H., 2001, Environ. Sci. Technol. 35, 1197-1201, for this form and for A.
    """
    debye_a = 0.5092 + 8.5e-4 * (_kelvin(temperature_c) - 298.15)
    root = np.sqrt(np.asarray(ionic_strength_mol_kg, dtype=np.float64))
    return -debye_a * charge**2 * (root / (1.0 + root) - 0.3 * root**2)


def _kelvin(temperature_c: ArrayLike) -> Floats:
    return checked_range("Water temperature in C", temperature_c, *TEMPERATURE_RANGE_C) + KELVIN_AT_0_C
