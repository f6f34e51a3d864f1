"""Bromothymol blue: the spectra of its two forms and its pKa', which determine the color of the vial."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibration.color_space import Floats

# Sums of Gaussians over the wavenumber in kK (10 000 / wavelength in nm): height [L/mol/cm], center, width [kK].
# Fitted for this project, with an rms residual of 0.5 % of the maximum, to a digitized pair of spectra of both forms in
# water (github timrobinson/Dye-Indicator-Model, BTB_Acid.csv and BTB_Base.csv; their primary paper is not named there),
# scaled to 3.70e4 L/mol/cm at the maximum of the base form (3.57e4 and 3.66e4 at 620 nm in flowinjectiontutorial.com,
# Methods 1.5.3; 4.05e4 in a school exercise). The scale only affects the amount of dye, never the pH.
_ACID_BANDS = ((13848.0, 30.253, 3.625), (11287.0, 23.421, 1.678), (5995.0, 21.291, 1.430))
_BASE_BANDS = (
    (17979.0, 15.947, 0.558),
    (20125.0, 16.642, 0.879),
    (11428.0, 18.082, 1.163),
    (2697.0, 20.370, 1.158),
    (8008.0, 25.265, 1.466),
)
_ACID_ENDS_NM = 640.0  # the digitized acid spectrum is zero beyond; the Gaussian tail there means nothing
BASE_MAXIMUM_L_MOL_CM = 37060.0
"""Molar absorptivity of the blue form at its maximum near 616 nm, from these bands [L/mol/cm]."""

# pKa' at 25 C in water of 1 to 8 dKH: an assumption from the published spread 7.1 to 7.4 (Yuan & DeGrandpre 2008,
# Environ. Sci. Technol. 42, 6092-6099: about 7.4 in fresh water; 7.25 from digitized titration curves; 7.20 from a
# published absorbance series; 7.10 in handbooks at unstated ionic strength).
PKA_25C_FRESH = 7.30
PKA_STD = 0.10
# No value for this dye was found; this one, between bromocresol purple (-0.0043) and phenol red (-0.0075 per C) in
# Yao & Byrne 2001, Environ. Sci. Technol. 35, 1197-1201, is an assumption.
_PKA_PER_C = -0.006
_FRESH_IONIC_STRENGTH_MOL_KG = 0.0014  # of 4 dKH water, to which the value at 25 C refers


def absorptivity(wavelength_nm: ArrayLike) -> tuple[Floats, Floats]:
    """Return the molar absorptivities of the yellow and the blue form at 400 to 700 nm [L/mol/cm]."""
    wavelength = np.asarray(wavelength_nm, dtype=np.float64)
    acid = np.where(wavelength <= _ACID_ENDS_NM, _bands(wavelength, _ACID_BANDS), 0.0)
    return acid, _bands(wavelength, _BASE_BANDS)


def _bands(wavelength_nm: Floats, bands: tuple[tuple[float, float, float], ...]) -> Floats:
    wavenumber_kk = 10000.0 / wavelength_nm
    terms = [height * np.exp(-0.5 * ((wavenumber_kk - center) / width) ** 2) for height, center, width in bands]
    return np.asarray(np.sum(terms, axis=0))


def base_fraction(log_ratio: ArrayLike) -> Floats:
    """Return the share of the blue form at a given pH - pKa', the log10 of blue over yellow form [-]."""
    return 1.0 / (1.0 + 10.0 ** -np.asarray(log_ratio, dtype=np.float64))


def pka_prime(temperature_c: float = 25.0, *, ionic_strength_mol_kg: float | None = None) -> float:
    """
    Return pKa' of bromothymol blue.

    Parameters
    ----------
    temperature_c : float, default 25.0
        Temperature of the fluid [degC].
    ionic_strength_mol_kg : float, optional
        Ionic strength; that of 4 dKH water if not given [mol/kg].

    Returns
    -------
    float
        pKa' on the activity scale of the hydrogen ion; its standard uncertainty is `PKA_STD`.

    References
    ----------
    .. [1] Yao W., Byrne R. H. 2001, Environ. Sci. Technol. 35, 1197-1201: form and values of the shift with ionic
       strength for the same class of dyes, ``-4 A (sqrt(I) / (1 + sqrt(I)) - 0.3 I)`` on the concentration scale of
       H+. On the activity scale, which buffer labels and the carbonate equations here use, the charge of H+ drops out:
       the squared charges, 4 for the blue form minus 1 for the yellow form, leave ``-3 A``.
    """
    pka = PKA_25C_FRESH + _PKA_PER_C * (temperature_c - 25.0)
    if ionic_strength_mol_kg is None:
        return pka
    there, fresh = log_activity_davies((ionic_strength_mol_kg, _FRESH_IONIC_STRENGTH_MOL_KG), temperature_c)
    return pka + 3.0 * float(there - fresh)


def log_activity_davies(ionic_strength_mol_kg: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """
    Return log10 of the activity coefficient of an ion of charge one; for others it scales with the charge squared.

    Parameters
    ----------
    ionic_strength_mol_kg : array_like of float, shape (...)
        Ionic strength, up to 0.5 [mol/kg].
    temperature_c : array_like of float, shape (...)
        Temperature of the water, broadcast against `ionic_strength_mol_kg` [degC].

    Returns
    -------
    ndarray of float64, shape (...)
        By the Davies equation [-].

    References
    ----------
    .. [1] Yao W., Byrne R. H. 2001, Environ. Sci. Technol. 35, 1197-1201, for this form and for A.
    """
    debye_a = 0.5092 + 8.5e-4 * (np.asarray(temperature_c, dtype=np.float64) - 25.0)
    strength = np.asarray(ionic_strength_mol_kg, dtype=np.float64)
    root = np.sqrt(strength)
    return -debye_a * (root / (1.0 + root) - 0.3 * strength)
