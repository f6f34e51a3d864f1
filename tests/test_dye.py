"""The spectra and the pKa' of bromothymol blue against digitised and published values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st
from phreeqpython import PhreeqPython
from scipy.optimize import brentq, curve_fit

from calibration.dye import BASE_MAXIMUM_L_MOL_CM, PKA_25C_FRESH, PKA_STD, absorptivity, base_fraction, pka_prime

ACID_MAXIMUM, BASE_MAXIMUM = 15750.0, 37000.0  # of the digitised pair below [L/mol/cm]

# Read off the digitised spectra of both forms in water (github timrobinson/Dye-Indicator-Model, BTB_Acid.csv and
# BTB_Base.csv), scaled to 3.70e4 L/mol/cm at the maximum of the blue form: wavelength, yellow, blue form.
DIGITISED = [(400, 12340, 7860), (420, 15120, 4980), (450, 14760, 1780), (500, 5650, 5500)]

# pH and absorbance at 620 nm of 27 umol/L: a published school series (vittorina.fr/devoir/5250559), buffers unknown.
PUBLISHED_PH = np.array([4.8, 5.8, 6.7, 7.0, 7.3, 7.8, 8.7, 11.0])
PUBLISHED_ABSORBANCE = np.array([0.0, 0.004, 0.260, 0.420, 0.630, 0.890, 1.090, 1.094])


@pytest.mark.parametrize(("wavelength_nm", "acid", "base"), DIGITISED)
def test_absorptivity_at_digitised_points(wavelength_nm: float, acid: float, base: float) -> None:
    # The Gaussians were fitted with residuals up to 0.5 % of each maximum.
    found_acid, found_base = absorptivity(wavelength_nm)
    assert float(found_acid) == pytest.approx(acid, abs=0.005 * ACID_MAXIMUM)
    assert float(found_base) == pytest.approx(base, abs=0.005 * BASE_MAXIMUM)


def test_maxima_of_the_digitised_spectra() -> None:
    wavelength = np.linspace(400.0, 700.0, 3001)
    acid, base = absorptivity(wavelength)
    assert wavelength[acid.argmax()] == pytest.approx(433.0, abs=3.0)
    assert wavelength[base.argmax()] == pytest.approx(616.0, abs=3.0)
    assert acid.max() / base.max() == pytest.approx(0.425, abs=0.005)
    assert base.max() == pytest.approx(BASE_MAXIMUM_L_MOL_CM, rel=1e-3)
    # Blue window of the blue form, where the yellow form takes all light: 0.077 and 0.047 of the maximum.
    assert float(absorptivity(433.0)[1]) / base.max() == pytest.approx(0.077, abs=0.005)
    window = (wavelength > 420.0) & (wavelength < 500.0)
    assert wavelength[window][base[window].argmin()] == pytest.approx(447.0, abs=5.0)
    assert base[window].min() / base.max() == pytest.approx(0.047, abs=0.005)


def test_half_heights_of_the_digitised_spectra() -> None:
    wavelength = np.linspace(400.0, 700.0, 3001)
    acid, base = absorptivity(wavelength)
    assert wavelength[acid > 0.5 * acid.max()][-1] == pytest.approx(488.0, abs=2.0)
    above = wavelength[base > 0.5 * base.max()]
    assert (above[0], above[-1]) == pytest.approx((558.0, 650.0), abs=2.0)


def test_forms_cross_once_at_the_isosbestic_wavelength() -> None:
    def difference(wavelength_nm: float) -> float:
        acid, base = absorptivity(wavelength_nm)
        return float(acid - base)

    isosbestic = brentq(difference, 470.0, 540.0)
    assert isosbestic == pytest.approx(500.0, abs=3.0)
    # 0.153 of the maximum of the blue form, from the same digitised pair.
    assert float(absorptivity(isosbestic)[0]) == pytest.approx(0.153 * BASE_MAXIMUM, rel=0.03)
    acid, base = absorptivity(np.linspace(400.0, 639.0, 500))
    assert np.count_nonzero(np.diff(np.sign(acid - base))) == 1


@pytest.mark.parametrize("measured", [3.57e4, 3.66e4])
def test_scale_agrees_with_measured_absorptivity(measured: float) -> None:
    # Blue form at 620 nm, literature value and flow cell at pH 11 (flowinjectiontutorial.com, Methods 1.5.3);
    # the adopted scale is uncertain by 0.3e4.
    assert float(absorptivity(620.0)[1]) == pytest.approx(measured, abs=0.3e4)


def test_yellow_form_is_clear_in_the_red() -> None:
    acid, base = absorptivity(np.linspace(600.0, 700.0, 101))
    # At most 0.003 of its maximum, which is the noise of the digitising.
    assert acid.max() <= 0.0035 * ACID_MAXIMUM
    assert np.all(acid >= 0.0)
    assert np.all(base > 0.0)


def test_pka_fitted_to_a_published_series() -> None:
    def absorbance(ph: np.ndarray, pka: float, maximum: float) -> np.ndarray:
        return maximum * base_fraction(ph - pka)

    (pka, maximum), covariance = curve_fit(absorbance, PUBLISHED_PH, PUBLISHED_ABSORBANCE, p0=(7.0, 1.0))
    assert pka == pytest.approx(7.20, abs=0.03)
    assert maximum == pytest.approx(1.111, rel=0.02)
    assert np.sqrt(covariance[0, 0]) < 0.03
    # The adopted value is not contradicted by this series: within two of its standard deviations.
    assert abs(pka - PKA_25C_FRESH) < 2.0 * PKA_STD


def test_base_fraction_at_ratios_done_by_hand() -> None:
    # Ratio 1:1, 10:1, 1:100.
    assert base_fraction([0.0, 1.0, -2.0]) == pytest.approx([0.5, 10.0 / 11.0, 1.0 / 101.0])


@given(st.floats(-8.0, 8.0))
def test_base_fraction_is_symmetric_and_rises(log_ratio: float) -> None:
    share = float(base_fraction(log_ratio))
    assert 0.0 < share < 1.0
    assert share + float(base_fraction(-log_ratio)) == pytest.approx(1.0)
    assert float(base_fraction(log_ratio + 0.01)) > share


@pytest.mark.parametrize(
    ("ionic_strength_mol_kg", "shift"),
    [(0.0004, -0.040), (0.0014, -0.073), (0.003, -0.104), (0.01, -0.179), (0.1, -0.428)],
)
def test_ionic_strength_lowers_pka(ionic_strength_mol_kg: float, shift: float) -> None:
    # Yao & Byrne 2001, Environ. Sci. Technol. 35, 1197-1201, for this class of dyes, by hand at 25 C: the shift for the
    # concentration of H+. Its activity, which pH is here and on buffers, is less by the coefficient of PHREEQC.
    solution = PhreeqPython().add_solution_simple({"NaCl": 1000.0 * ionic_strength_mol_kg}, temperature=25.0)
    log_gamma = np.log10(solution.activity("H+") / solution.molality("H+"))
    found = pka_prime(ionic_strength_mol_kg=ionic_strength_mol_kg) - pka_prime(ionic_strength_mol_kg=0.0)
    # PHREEQC gives H+ a size of its own, the Davies form here does not: 0.024 apart at 0.1 mol/kg.
    assert found == pytest.approx(shift - log_gamma, abs=4e-3 + 0.25 * ionic_strength_mol_kg)


def test_pka_without_ionic_strength_is_that_of_reference_water() -> None:
    # 4 dKH of sodium bicarbonate is 1.43 mmol/L of each ion, which is its ionic strength.
    assert pka_prime() == PKA_25C_FRESH
    assert pka_prime(ionic_strength_mol_kg=0.00143) == pytest.approx(PKA_25C_FRESH, abs=1e-3)


def test_pka_falls_with_temperature_like_kindred_dyes() -> None:
    # Yao & Byrne 2001: bromocresol purple 5.226 + 378.1 / T, phenol red 5.798 + 666.7 / T; this dye between them.
    purple, red = (378.1 * (1 / 303.15 - 1 / 293.15) / 10.0, 666.7 * (1 / 303.15 - 1 / 293.15) / 10.0)
    slope = (pka_prime(30.0) - pka_prime(20.0)) / 10.0
    assert red < slope < purple
    assert slope == pytest.approx(-0.006, abs=1e-9)
