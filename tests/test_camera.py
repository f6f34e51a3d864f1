"""Expected signals of the dye against colors integrated by an independent color library."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import NDArray

from calibration.camera import (
    DENSITY_CEILING,
    LOAD,
    LOG_RATIO,
    WAVELENGTH_NM,
    SignalFamily,
    cie_illuminants,
    color_matrix,
    dye_transmittance,
    lights,
    observer,
    over_white,
    rgb_lin_under_d65,
    sensors,
    signal_family,
)
from calibration.color_space import XYZ_FROM_RGB, ColorSpace, xyz_from_rgb_lin
from calibration.dye import BASE_MAXIMUM_L_MOL_CM, absorptivity

SPACES: tuple[ColorSpace, ...] = ("srgb", "display-p3")
LIBRARY_NAMES = {"srgb": "sRGB", "display-p3": "Display P3"}
PKA = 7.30

# L*, a*, b* of the fluid under D65 for the 2 degree observer at pKa' 7.30, computed with the same bands apart from
# this package and printed to one decimal, for loads of 0.35, 0.7 and 1.4.
LOADS = (0.35, 0.7, 1.4)
COLORS = {
    5.0: [(98.6, -3.5, 15.5), (97.4, -5.6, 29.3), (95.1, -6.7, 52.5)],
    6.2: [(97.6, -4.3, 12.9), (95.4, -7.5, 24.2), (91.1, -11.3, 43.1)],
    6.6: [(96.3, -5.3, 9.4), (92.8, -9.7, 17.6), (86.1, -16.4, 31.1)],
    7.0: [(94.0, -6.8, 3.2), (88.5, -12.7, 6.1), (78.4, -22.5, 11.0)],
    7.4: [(91.2, -8.2, -4.8), (83.3, -14.9, -8.5), (70.1, -24.2, -13.2)],
    8.0: [(87.9, -9.2, -14.4), (77.9, -14.3, -25.4), (62.5, -16.0, -40.0)],
}


@pytest.fixture(params=SPACES)
def space(request: pytest.FixtureRequest) -> ColorSpace:
    return request.param


@pytest.fixture
def family(space: ColorSpace) -> SignalFamily:
    return signal_family(space)


def integrate(oracle: Any, transmittance: NDArray[np.float64], step_nm: float) -> NDArray[np.float64]:
    """Integrate a spectrum under D65 by the library; white is that of the clear fluid."""
    shape = oracle.SpectralShape(400, 700, step_nm)
    functions = oracle.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    d65 = oracle.SDS_ILLUMINANTS["D65"].copy().align(shape)
    xyz, white = (
        oracle.sd_to_XYZ(oracle.SpectralDistribution(values, shape.wavelengths), functions, d65, method="Integration")
        for values in (transmittance, np.ones(len(shape.wavelengths)))
    )
    return np.asarray(oracle.XYZ_to_Lab(xyz / white[1], oracle.XYZ_to_xy(white)))


@pytest.mark.parametrize("ph", COLORS)
def test_colors_of_the_dye_by_independent_integration(ph: float, oracle: ModuleType) -> None:
    acid, base = absorptivity(np.arange(400.0, 701.0))
    share = 10.0 ** (ph - PKA) / (1.0 + 10.0 ** (ph - PKA))
    for load, expected in zip(LOADS, COLORS[ph], strict=True):
        transmittance = dye_transmittance(ph - PKA, load)
        by_library = integrate(oracle, transmittance, 5.0)
        np.testing.assert_allclose(by_library, expected, atol=0.15)
        own = oracle.XYZ_to_Lab(xyz_from_rgb_lin(rgb_lin_under_d65(transmittance, "srgb")))
        # The printed sRGB matrix has four decimals.
        np.testing.assert_allclose(own, by_library, atol=0.05)
        # The grid of 5 nm is fine enough.
        absorbance = load * ((1.0 - share) * acid + share * base) / BASE_MAXIMUM_L_MOL_CM
        np.testing.assert_allclose(own, integrate(oracle, 10.0**-absorbance, 1.0), atol=0.15)


def test_load_is_the_peak_absorbance_of_the_blue_fluid() -> None:
    transmittance = dye_transmittance(6.0, [0.5, 2.0])
    assert -np.log10(transmittance.min(axis=-1)) == pytest.approx([0.5, 2.0], rel=2e-3)
    assert WAVELENGTH_NM[transmittance[0].argmin()] == pytest.approx(616.0, abs=3.0)


def test_white_stays_white(space: ColorSpace) -> None:
    clear = np.ones(61)
    np.testing.assert_allclose(rgb_lin_under_d65(clear, space), 1.0, atol=1e-12)
    np.testing.assert_allclose(rgb_lin_under_d65(0.2 * clear, space), 0.2, atol=1e-12)
    for sensor in sensors():
        np.testing.assert_allclose(color_matrix(sensor, space).sum(axis=1), 1.0, atol=1e-9)


def test_matrix_of_an_ideal_sensor_is_the_published_one(space: ColorSpace, oracle: ModuleType) -> None:
    """A camera that sees like the observer needs no fit: its matrix is that of the standard, white divided out."""
    published = oracle.RGB_COLOURSPACES[LIBRARY_NAMES[space]].matrix_XYZ_to_RGB
    d65 = cie_illuminants()["d65"]
    white = d65 @ observer()
    expected = published * white / (published @ white)[:, None]
    np.testing.assert_allclose(color_matrix(observer(), space), expected, atol=2e-3)


def test_matrix_brings_every_camera_near_the_observer(space: ColorSpace) -> None:
    """Reflectances that took no part in the fit and have another shape: soft edges by the hyperbolic tangent."""
    edges = np.linspace(430.0, 670.0, 13)[:, None]
    rising = 0.5 + 0.3 * np.tanh((WAVELENGTH_NM - edges) / 60.0)
    reflectance = np.concatenate([rising, 1.0 - rising])
    d65 = cie_illuminants()["d65"]
    truth = rgb_lin_under_d65(reflectance, space)
    for sensor in sensors():
        weights = sensor * d65[:, None]
        raw = reflectance @ (weights / weights.sum(axis=0))
        corrected = raw @ color_matrix(sensor, space).T
        assert np.sqrt(np.mean((corrected - truth) ** 2)) < 0.5 * np.sqrt(np.mean((raw - truth) ** 2)) + 0.005


def test_family_weighs_every_lamp_class_alike(family: SignalFamily) -> None:
    n_members = len(family.weight)
    assert family.density.shape == (n_members, len(LOG_RATIO), len(LOAD), 3)
    assert family.light_class.shape == (n_members,)
    assert family.weight.sum() == pytest.approx(1.0)
    assert set(family.light_class) == set(lights())
    for light_class in lights():
        assert family.weight[family.light_class == light_class].sum() == pytest.approx(1.0 / len(lights()))
    assert np.all(family.density <= DENSITY_CEILING + 1e-6)
    assert np.isfinite(family.density).all()


def test_one_member_is_the_ideal_camera_in_daylight(family: SignalFamily, space: ColorSpace) -> None:
    """Among the members is the observer under D65 with the gentlest saturation, here computed without the module."""
    d65 = cie_illuminants()["d65"]
    rgb_from_xyz = np.linalg.inv(XYZ_FROM_RGB[space])
    transmittance = dye_transmittance(LOG_RATIO[:, None], LOAD[None, :])
    rgb = (transmittance * d65) @ observer() @ rgb_from_xyz.T / (rgb_from_xyz @ (d65 @ observer()))
    luma = rgb @ [0.2126, 0.7152, 0.0722]
    rgb = luma[..., None] + 1.1 * (rgb - luma[..., None])
    light = 10.0 ** -family.density.astype(float)
    apart = np.abs(light - np.maximum(rgb, 10.0**-DENSITY_CEILING)).max(axis=(1, 2, 3))
    assert apart.min() < 1e-3
    assert family.light_class[apart.argmin()] == "daylight"


def angle(density: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Give the direction of the color, free of a loss common to all channels."""
    density = density.astype(np.float64)
    return np.unwrap(np.arctan2(density[..., 0] - density[..., 1], density[..., 2] - density[..., 1]), axis=1)


@pytest.mark.parametrize(("load", "last_log_ratio"), [(0.35, 0.5), (0.7, 0.2)])
def test_direction_of_color_turns_with_ph_until_red_is_black(
    load: float, last_log_ratio: float, family: SignalFamily
) -> None:
    """
    The direction rises in every member up to pH 7.5 at usual dye amounts, up to 7.8 at half of them.

    Beyond, the color matrix takes red towards and below zero: blue fluid leaves the gamut, the density of red runs off
    to its ceiling while green and blue go on, and the direction turns back by a few degrees. More of it happens in
    sRGB and with strong saturation.
    """
    density = family.density[:, :, np.abs(LOAD - load).argmin()]
    direction = angle(density)
    within = np.less_equal(LOG_RATIO, last_log_ratio + 1e-9)
    turn = np.diff(direction[:, within], axis=1)
    assert np.all(turn > 0.0)
    # From yellow (blue channel dark) to the green side (red channel dark): well over a quarter turn in every member.
    assert np.all(direction[:, within][:, -1] - direction[:, 0] > np.radians(70.0))
    # The turning back stays small as long as no channel is black.
    lit = density.max(axis=-1) < DENSITY_CEILING - 1e-3
    back = np.diff(direction, axis=1)[lit[:, 1:] & lit[:, :-1]]
    assert back.min() > np.radians(-5.0)


@given(
    rgb=st.lists(st.floats(0.01, 2.0), min_size=3, max_size=3),
    gray=st.floats(0.05, 2.0),
    space=st.sampled_from(SPACES),
)
def test_over_a_neutral_white_a_color_stays_as_it_is(rgb: list[float], gray: float, space: ColorSpace) -> None:
    relative = over_white(np.array(rgb), np.full(3, gray), space)
    assert relative == pytest.approx(np.array(rgb) / gray, abs=1e-9)


@pytest.mark.parametrize("balance", [(1.6, 1.0, 0.8), (0.6, 1.0, 1.2), (1.2, 1.0, 0.4)])
@pytest.mark.parametrize(("log_ratio", "boost"), [(-0.6, 1.2), (0.0, 1.4), (0.6, 1.4)])
def test_a_wrong_balance_leaves_less_than_half_of_what_it_does_channel_by_channel(
    space: ColorSpace, balance: tuple[float, float, float], log_ratio: float, boost: float
) -> None:
    fluid, luma = dye_transmittance(log_ratio, 0.7), np.array((0.2126, 0.7152, 0.0722))
    left_over, left_over_by_channel = [], []
    for sensor in sensors():
        to_rgb = (boost * np.eye(3) + (1.0 - boost) * luma) @ color_matrix(sensor, space)
        light = cie_illuminants()["d65"][:, None] * sensor
        signal = (fluid @ light) / light.sum(axis=0)
        right, tinted, white = (to_rgb @ of for of in (signal, balance * signal, np.array(balance)))
        left_over.append(np.abs(over_white(tinted, white, space) - right).max())
        left_over_by_channel.append(np.abs(tinted / white - right).max())
    assert np.median(left_over) < 0.5 * np.median(left_over_by_channel)
