"""Color arithmetic against published numbers and an independent color library."""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from colorread.color_space import (
    ciede2000,
    decode_srgb,
    encode_srgb,
    lab_from_xyz,
    rgb_lin_from_xyz,
    xyz_from_rgb_lin,
)

SHARMA = np.loadtxt(Path(__file__).parent / "data" / "ciede2000_sharma2005.csv", delimiter=",", skiprows=3)
LIBRARY_NAMES = {"srgb": "sRGB", "display-p3": "Display P3"}


@pytest.fixture(scope="module")
def oracle() -> Iterator[ModuleType]:
    """Give the color library; it warns when imported and alters how numpy prints."""
    options = np.get_printoptions()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield importlib.import_module("colour")
    np.set_printoptions(**options)


@pytest.fixture(scope="module")
def rgb() -> NDArray[np.float64]:
    return np.random.default_rng(1).uniform(size=(50, 20, 3))


def test_transfer_function_at_published_values() -> None:
    # Mid gray 18 % and code 0.5, by the formula of IEC 61966-2-1:1999 done by hand.
    assert encode_srgb(0.18) == pytest.approx(0.4614, abs=5e-5)
    assert decode_srgb(0.5) == pytest.approx(0.2140, abs=5e-5)
    assert decode_srgb(np.array([0.0, 0.04045, 1.0])) == pytest.approx([0.0, 0.04045 / 12.92, 1.0])


def test_transfer_function_agrees_with_library(oracle: ModuleType, rgb: NDArray[np.float64]) -> None:
    np.testing.assert_allclose(decode_srgb(rgb), oracle.models.eotf_sRGB(rgb), atol=1e-12)
    np.testing.assert_allclose(encode_srgb(rgb), oracle.models.eotf_inverse_sRGB(rgb), atol=1e-12)


@given(st.floats(-0.5, 2.0))
def test_encode_rises_and_is_undone_within_gamut(light: float) -> None:
    encoded = float(encode_srgb(light))
    assert float(encode_srgb(light + 0.01)) > encoded
    if 0.0 <= light <= 1.0:
        # The two printed thresholds do not meet exactly: the curve has a step of about 1e-8 there.
        assert float(decode_srgb(min(encoded, 1.0))) == pytest.approx(light, abs=1e-7)


def test_decoding_equals_the_formula_at_every_code() -> None:
    by_hand = [c / 255 / 12.92 if c <= 10 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in range(256)]
    np.testing.assert_allclose(decode_srgb(np.arange(256) / 255), by_hand, rtol=1e-9)


def test_types_that_hide_a_wrong_scale_are_rejected() -> None:
    codes = np.zeros((2, 3), dtype=np.uint8)
    for function in (decode_srgb, encode_srgb, xyz_from_rgb_lin, rgb_lin_from_xyz, lab_from_xyz):
        with pytest.raises(ValueError, match="floating-point"):
            function(codes)
    with pytest.raises(ValueError, match="floating-point"):
        ciede2000(codes, codes)
    with pytest.raises(ValueError, match=r"within 0\.\.1"):
        decode_srgb(np.array([0.2, 128.0]))
    with pytest.raises(ValueError, match="three components"):
        lab_from_xyz(np.zeros(4))


def test_nan_is_passed_on_and_float32_stays() -> None:
    assert np.isnan(decode_srgb(np.nan))
    assert np.isnan(encode_srgb(np.nan))
    assert np.isnan(lab_from_xyz(np.full(3, np.nan))).all()
    assert decode_srgb(np.zeros(3, np.float32)).dtype == np.float32
    assert encode_srgb(np.zeros(3, np.float32)).dtype == np.float32


def test_srgb_matrix_as_printed() -> None:
    # IEC 61966-2-1:1999, four decimals.
    printed = [[0.4124, 0.2126, 0.0193], [0.3576, 0.7152, 0.1192], [0.1805, 0.0722, 0.9505]]
    np.testing.assert_allclose(xyz_from_rgb_lin(np.eye(3)), printed, atol=6e-5)


@pytest.mark.parametrize("color_space", ["srgb", "display-p3"])
def test_xyz_agrees_with_library(color_space: str, oracle: ModuleType, rgb: NDArray[np.float64]) -> None:
    library_space = oracle.RGB_COLOURSPACES[LIBRARY_NAMES[color_space]]
    matrix = oracle.normalised_primary_matrix(library_space.primaries, library_space.whitepoint)
    xyz = xyz_from_rgb_lin(rgb, color_space)
    np.testing.assert_allclose(xyz, rgb @ matrix.T, atol=1e-9)
    np.testing.assert_allclose(rgb_lin_from_xyz(xyz, color_space), rgb, atol=1e-12)


@pytest.mark.parametrize("color_space", ["srgb", "display-p3"])
def test_white_is_neutral_in_lab(color_space: str) -> None:
    grays = np.linspace(0.0, 1.0, 5)[:, np.newaxis] * np.ones(3)
    lab = lab_from_xyz(xyz_from_rgb_lin(grays, color_space))
    np.testing.assert_allclose(lab[:, 1:], 0.0, atol=1e-10)
    assert lab[-1, 0] == pytest.approx(100.0)


def test_lab_agrees_with_library(oracle: ModuleType, rgb: NDArray[np.float64]) -> None:
    xyz = xyz_from_rgb_lin(rgb * np.linspace(0.0, 1.0, 20)[:, np.newaxis])
    np.testing.assert_allclose(lab_from_xyz(xyz), oracle.XYZ_to_Lab(xyz), atol=1e-9)


def test_color_difference_of_published_pairs() -> None:
    np.testing.assert_allclose(ciede2000(SHARMA[:, 0:3], SHARMA[:, 3:6]), SHARMA[:, 6], atol=1e-4)
    assert len(SHARMA) == 34


def test_color_difference_agrees_with_library(oracle: ModuleType) -> None:
    random = np.random.default_rng(2)
    lab = random.uniform([0, -100, -100], [100, 100, 100], size=(2, 2000, 3))
    np.testing.assert_allclose(ciede2000(*lab), oracle.delta_E(*lab, method="CIE 2000"), atol=1e-9)


lab_colors = st.tuples(st.floats(0, 100), st.floats(-100, 100), st.floats(-100, 100))


@given(lab_colors, lab_colors)
def test_color_difference_is_symmetric_and_positive(lab1: tuple[float, ...], lab2: tuple[float, ...]) -> None:
    there, back = ciede2000(lab1, lab2), ciede2000(lab2, lab1)
    assert there >= 0.0
    assert float(there) == pytest.approx(float(back), abs=1e-9)
    assert float(ciede2000(lab1, lab1)) == pytest.approx(0.0, abs=1e-9)


def test_color_difference_broadcasts_like_a_loop() -> None:
    palette, reference = SHARMA[:, 0:3].reshape(2, 17, 3), SHARMA[3, 3:6]
    together = ciede2000(palette, reference)
    assert together.shape == (2, 17)
    assert together[1, 4] == ciede2000(palette[1, 4], reference)
