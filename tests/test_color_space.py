"""Color arithmetic against published numbers and an independent color library."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import ImageCms

from calibration.color_space import decode_srgb, encode_srgb, rgb_lin_from_xyz, xyz_from_rgb_lin
from colorread.photo import load

LIBRARY_NAMES = {"srgb": "sRGB", "display-p3": "Display P3"}


@pytest.fixture(scope="module")
def rgb() -> NDArray[np.float64]:
    return np.random.default_rng(1).uniform(size=(50, 20, 3))


def test_transfer_function_at_published_values() -> None:
    # Mid gray 18 %, and the end of the straight part, by the formula of IEC 61966-2-1:1999 done by hand.
    assert encode_srgb(0.18) == pytest.approx(0.4614, abs=5e-5)
    assert encode_srgb(np.array([0.0, 0.0031308, 1.0])) == pytest.approx([0.0, 12.92 * 0.0031308, 1.0])


def test_transfer_function_agrees_with_library(oracle: ModuleType, rgb: NDArray[np.float64]) -> None:
    np.testing.assert_allclose(encode_srgb(rgb), oracle.models.eotf_inverse_sRGB(rgb), atol=1e-12)
    np.testing.assert_allclose(decode_srgb(rgb), oracle.models.eotf_sRGB(rgb), atol=1e-12)


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


def test_the_profile_in_its_file_has_the_colorants_of_the_library(oracle: ModuleType) -> None:
    profile = ImageCms.ImageCmsProfile(str(Path(load.__file__).with_name("display_p3.icc"))).profile
    space = oracle.RGB_COLOURSPACES["Display P3"]
    white = oracle.xy_to_XYZ(space.whitepoint)
    d50_from_d65 = oracle.adaptation.matrix_chromatic_adaptation_VonKries(white, [0.9642, 1.0, 0.8249], "Bradford")
    expected = d50_from_d65 @ space.matrix_RGB_to_XYZ
    found = [profile.red_colorant, profile.green_colorant, profile.blue_colorant]
    np.testing.assert_allclose(np.array([xyz for xyz, _ in found]).T, expected, atol=2e-4)
