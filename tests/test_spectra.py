"""The spectra of lamps, observer and cameras against an independent color library."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import camera
from calibration.camera import WAVELENGTH_NM, cie_illuminants, lights, observer, sensors
from colorread.limits import LightName

ILLUMINANTS = {
    "a": "A",
    "d50": "D50",
    "d65": "D65",
    "fl2": "FL2",
    "fl7": "FL7",
    "fl11": "FL11",
    "led-b1": "LED-B1",
    "led-b3": "LED-B3",
    "led-b5": "LED-B5",
    "led-v1": "LED-V1",
}
# CIE 015:2018: chromaticity of the 2 degree observer as printed for the illuminants that a user is most likely to meet.
PRINTED_XY = {"a": (0.44758, 0.40745), "d50": (0.3457, 0.3585), "d65": (0.3127, 0.3290)}


def test_all_tables_are_on_the_grid() -> None:
    for table in Path(camera.__file__).with_name("data").glob("*.csv"):
        np.testing.assert_array_equal(np.genfromtxt(table, delimiter=",", skip_header=3)[-61:, 0], WAVELENGTH_NM)


@pytest.mark.parametrize("name", ILLUMINANTS)
def test_illuminant_agrees_with_library(name: str, oracle: ModuleType) -> None:
    spectrum = oracle.SDS_ILLUMINANTS[ILLUMINANTS[name]]
    expected = np.interp(WAVELENGTH_NM, spectrum.wavelengths, spectrum.values)
    # Five decimals are kept.
    np.testing.assert_allclose(cie_illuminants()[name], expected / expected.max(), atol=5.1e-6)


def test_observer_agrees_with_library(oracle: ModuleType) -> None:
    functions = oracle.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    at_grid = np.isin(functions.wavelengths, WAVELENGTH_NM)
    np.testing.assert_allclose(observer(), functions.values[at_grid], atol=1e-6)


@pytest.mark.parametrize("name", PRINTED_XY)
def test_illuminant_has_its_printed_chromaticity(name: str) -> None:
    xyz = cie_illuminants()[name] @ observer()
    # The grid leaves out the ends below 400 and above 700 nm.
    np.testing.assert_allclose(xyz[:2] / xyz.sum(), PRINTED_XY[name], atol=1e-3)


def test_eight_measured_cameras_and_the_observer() -> None:
    family = sensors()
    assert family.shape == (9, 61, 3)
    np.testing.assert_array_equal(family[8], observer())
    assert np.all(family >= 0.0)
    measured = family[:8]
    np.testing.assert_allclose(measured.max(axis=(1, 2)), 1.0)
    peaks = WAVELENGTH_NM[measured.argmax(axis=1)]
    # Red, green and blue channel in this order, each where cameras have it.
    assert np.all((peaks > [570.0, 500.0, 430.0]) & (peaks < [640.0, 560.0, 490.0])), peaks
    # No camera stands in twice.
    apart = np.abs(measured[:, None] - measured[None, :]).max(axis=(2, 3))
    assert np.all(apart[~np.eye(8, dtype=bool)] > 0.02)


def test_every_lamp_that_a_user_can_name_stands_for_several() -> None:
    assert {*lights(), "unknown"} == set(get_args(LightName))
    for powers in lights().values():
        assert len(powers) >= 2
        for power in powers:
            assert power.shape == WAVELENGTH_NM.shape
            assert np.all(power >= 0.0)
            assert power.max() > 0.0


def test_lamp_classes_keep_what_their_names_say(oracle: ModuleType) -> None:
    """Correlated color temperatures by the library: warm below 4000 K, daylight and cool white above."""

    def kelvin(power: NDArray[np.float64]) -> float:
        xyz = power @ observer()
        uv = oracle.xy_to_UCS_uv(xyz[:2] / xyz.sum())
        return float(oracle.temperature.uv_to_CCT_Robertson1968(uv)[0])

    assert max(map(kelvin, lights()["warm-led"])) < 4000.0
    assert min(map(kelvin, lights()["cool-led"])) > 4000.0
    assert [kelvin(power) for power in lights()["daylight"]] == pytest.approx([5000.0, 6500.0], rel=0.02)
