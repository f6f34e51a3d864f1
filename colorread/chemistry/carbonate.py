"""
Dissolved CO2, pH and carbonate hardness of fresh water whose alkalinity is carbonate alone.

One equilibrium serves every function: alkalinity = HCO3- + 2 CO3-- + OH- - H+, with constants of
Plummer & Busenberg (1982), Kw of PHREEQC and Davies activity coefficients. pH is -log10 of the activity of H+. CO2
means CO2(aq) + H2CO3. Concentrations per liter and per kilogram of water are taken as equal: CO2 per
liter follows from KH per liter, so the density of water (0.3 % at 25 C) cancels in all but the amount
from air.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibration import Floats, log_activity_davies
from colorread.chemistry.units import CO2_G_MOL, MMOL_L_PER_DKH
from colorread.limits import OUTDOOR_AIR_PPM, checked_range

PH_RANGE = (4.0, 10.0)
KH_MAX_DKH = 30.0  # beyond it ion pairs of sodium, which are not in the model, exceed 0.5 %
_CO2_MAX_MG_L = 4000.0  # more than dissolves from pure CO2 at 1 atm and 0 C
_AIR_MAX_PPM = 1e6
WATER_RANGE_C = (0.0, 50.0)  # the constants hold from 0 to 90 C; aquaria need no more than this

# log10 K = a + b T + c / T + d log10 T + e / T^2, T in kelvin, all molal and for zero ionic strength. K1 of CO2 + H2O =
# H+ + HCO3-, K2 of HCO3- = H+ + CO3-- and Henry's constant KH [mol/kg/atm]: Plummer, L. N. and Busenberg, E., 1982,
# Geochim. Cosmochim. Acta 46, 1011-1040, doi:10.1016/0016-7037(82)90056-4; coefficients as used by several public
# programs. Kw of H2O = H+ + OH-: phreeqc.dat, the database of PHREEQC, in versions before the current one (Parkhurst,
# D. L. and Appelo, C. A. J., 1999, U.S. Geological Survey Water-Resources Investigations Report 99-4259). Within 0.005
# of Marshall, W. L. and Franck, E. U., 1981, J. Phys. Chem. Ref. Data 10, 295-304, from 0 to 50 C.
_COEFFICIENTS = {
    "k1": (-356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0),
    "k2": (-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9),
    "kh": (108.3865, 0.01985076, -6919.53, -40.45154, 669365.0),
    "kw": (-283.971, -0.05069842, 13323.0, 102.24447, -1119669.0),
}

# Newton steps near the root double the digits; only water with almost no KH needs more than ten.
_NEWTON_STEPS_MAX = 100
_NEWTON_TOLERANCE = 1e-14


def ionic_strength(kh_dkh: ArrayLike) -> Floats:
    """
    Return the ionic strength of baking soda in pure water.

    Na+ and HCO3- are equal in number and carry one charge each, so it equals the alkalinity. Carbonate
    above pH 8.3 adds up to 3 % at 8 dKH, which changes CO2 by about 0.1 %.

    Parameters
    ----------
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness, above 0 and at most 30 [dKH].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Ionic strength [mol/kg].

    Raises
    ------
    ValueError
        If the KH lies outside its range.
    """
    return _checked_kh(kh_dkh) * MMOL_L_PER_DKH / 1000.0


def co2_from_ph(ph: ArrayLike, kh_dkh: ArrayLike, *, temperature_c: ArrayLike = 25.0) -> Floats:
    """
    Return dissolved CO2 from pH and carbonate hardness.

    Parameters
    ----------
    ph : array_like of float, shape (...)
        pH, activity scale, 4 to 10 [-].
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness, above 0 and at most 30 [dKH].
    temperature_c : array_like of float, default 25.0
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        Dissolved CO2, broadcast shape of the inputs; NaN where an input is NaN [mg/L].

    Raises
    ------
    ValueError
        If an input lies outside its range, or if no CO2 gives such a high pH at this KH.
    """
    alkalinity, k1, k2, kw, g1, g2 = _equilibrium(kh_dkh, temperature_c)
    h_activity = 10.0 ** -checked_range("pH", ph, *PH_RANGE)
    free_charge = (kw / h_activity - h_activity) / g1  # OH- minus H+ [mol/kg]
    carbonate_alkalinity = alkalinity - free_charge
    if np.any(carbonate_alkalinity <= 0.0):
        raise ValueError("No amount of CO2 gives so high a pH in water of so low a KH.")
    bicarbonate = carbonate_alkalinity / (1.0 + 2.0 * k2 * g1 / (h_activity * g2))
    return np.asarray(h_activity * g1 * bicarbonate / k1 * CO2_G_MOL * 1000.0)


def ph_from_co2(co2_mg_l: ArrayLike, kh_dkh: ArrayLike, *, temperature_c: ArrayLike = 25.0) -> Floats:
    """
    Return the pH from dissolved CO2 and carbonate hardness; inverse of `co2_from_ph`.

    Parameters
    ----------
    co2_mg_l : array_like of float, shape (...)
        Dissolved CO2, above 0 and at most 4000 [mg/L].
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness, above 0 and at most 30 [dKH].
    temperature_c : array_like of float, default 25.0
        Water temperature, 0 to 50 [degC].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        pH, activity scale, broadcast shape of the inputs; NaN where an input is NaN [-].

    Raises
    ------
    ValueError
        If an input lies outside its range.

    Notes
    -----
    With h the activity of H+, the alkalinity balance is the cubic
    h^3 / g1 + Alk h^2 - (K1 CO2 + Kw) / g1 h - 2 K1 K2 CO2 / g2 = 0. Its signs change once, so it has
    exactly one positive root, and it is convex for h > 0: Newton steps from above converge monotonically.
    Without the cubic term the root is slightly too large, which gives the start.
    """
    alkalinity, k1, k2, kw, g1, g2 = _equilibrium(kh_dkh, temperature_c)
    co2_mol_kg = checked_range("CO2 in mg/L", co2_mg_l, 0.0, _CO2_MAX_MG_L, open_low=True) / (CO2_G_MOL * 1e3)
    k1_co2 = k1 * co2_mol_kg
    linear = (k1_co2 + kw) / g1
    constant = 2.0 * k2 * k1_co2 / g2
    h = (linear + np.sqrt(linear**2 + 4.0 * alkalinity * constant)) / (2.0 * alkalinity)
    for _ in range(_NEWTON_STEPS_MAX):
        value = ((h / g1 + alkalinity) * h - linear) * h - constant
        slope = (3.0 * h / g1 + 2.0 * alkalinity) * h - linear
        step = value / slope
        h = h - step
        if not np.any(np.abs(step) > _NEWTON_TOLERANCE * h):
            break
    return np.asarray(-np.log10(h))


def ph_in_air_equilibrium(
    kh_dkh: ArrayLike, *, temperature_c: ArrayLike, air_ppm: ArrayLike = OUTDOOR_AIR_PPM
) -> Floats:
    """
    Return the pH of baking soda water in equilibrium with air at 1 atm.

    Parameters
    ----------
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness, above 0 and at most 30 [dKH].
    temperature_c : array_like of float, shape (...)
        Water temperature, 0 to 50 [degC].
    air_ppm : array_like of float, default 420.0
        CO2 of the moist air; from figures for dry air, subtract 2 % (20 C) to 4 % (30 C) [ppm by volume].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        pH, activity scale [-].

    Raises
    ------
    ValueError
        If an input lies outside its range.
    """
    pressure_atm = checked_range("CO2 of the air in ppm", air_ppm, 0.0, _AIR_MAX_PPM, open_low=True) * 1e-6
    co2_mg_l = 10.0 ** log_constant("kh", temperature_c) * pressure_atm * CO2_G_MOL * 1000.0
    return ph_from_co2(co2_mg_l, kh_dkh, temperature_c=temperature_c)


def co2_rule_of_thumb(ph: ArrayLike, kh_dkh: ArrayLike) -> Floats:
    """
    Return CO2 by the rule of thumb 3 x KH x 10^(7 - pH), for comparison only.

    Common practice, no source. It ignores temperature and reads low: by 16 to 19 % at 20 C, 9 to 13 % at
    25 C and 4 to 8 % at 30 C for 1 to 8 dKH (against PHREEQC with phreeqc.dat, own computation).

    Parameters
    ----------
    ph : array_like of float, shape (...)
        pH [-].
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness [dKH].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        CO2 by the rule [mg/L].
    """
    return np.asarray(3.0 * np.asarray(kh_dkh, np.float64) * 10.0 ** (7.0 - np.asarray(ph, np.float64)))


def ph_by_rule_of_thumb(co2_mg_l: ArrayLike, kh_dkh: ArrayLike) -> Floats:
    """
    Return the pH from CO2 by the rule of thumb; inverse of `co2_rule_of_thumb`.

    Parameters
    ----------
    co2_mg_l : array_like of float, shape (...)
        CO2 by the rule, above 0 and at most 4000 [mg/L].
    kh_dkh : array_like of float, shape (...)
        Carbonate hardness, above 0 and at most 30 [dKH].

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        pH [-].

    Raises
    ------
    ValueError
        If an input lies outside its range.
    """
    co2 = checked_range("CO2 in mg/L", co2_mg_l, 0.0, _CO2_MAX_MG_L, open_low=True)
    return np.asarray(7.0 + np.log10(3.0 * _checked_kh(kh_dkh) / co2))


def log_constant(name: str, temperature_c: ArrayLike) -> Floats:
    """Return log10 of one of the constants k1, k2, kh and kw at zero ionic strength."""
    t = checked_range("Water temperature in C", temperature_c, *WATER_RANGE_C) + 273.15
    a, b, c, d, e = _COEFFICIENTS[name]
    return a + b * t + c / t + d * np.log10(t) + e / t**2


def _equilibrium(kh_dkh: ArrayLike, temperature_c: ArrayLike) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Return the alkalinity [mol/kg], K1, K2, Kw, and the activity coefficients of ions with one and two charges."""
    alkalinity = ionic_strength(kh_dkh)
    k1, k2, kw = (10.0 ** log_constant(name, temperature_c) for name in ("k1", "k2", "kw"))
    log_g1 = log_activity_davies(alkalinity, temperature_c)
    return alkalinity, k1, k2, kw, 10.0**log_g1, 10.0 ** (4.0 * log_g1)


def _checked_kh(kh_dkh: ArrayLike) -> Floats:
    return checked_range("KH in dKH", kh_dkh, 0.0, KH_MAX_DKH, open_low=True)
