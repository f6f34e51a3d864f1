"""The tone curve: its inverse, its fit to simulated gray rows, and measured curves of cameras."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.typing import NDArray

from calibration.color_space import GraySamples, decode_tone, fit_tone, s_curve

# Value of the JPEG against linear light; the first column is the light.
CAMERAS = np.loadtxt(Path(__file__).parent / "data" / "tone_curves_sampled.csv", delimiter=",", skiprows=4)
N_CAMERAS = CAMERAS.shape[1] - 1

# Two rows of eight patches in opposite order.
COVERAGE = np.array([0.0, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0, 1.0, 0.85, 0.7, 0.55, 0.4, 0.25, 0.1, 0.0])

strengths = st.floats(-0.3, 0.8)
fractions = st.floats(0.0, 1.0)


def encode_srgb(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1:1999, written out here."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1.0 / 2.4) - 0.055)


def bend(encoded: NDArray[np.float64], strength: float) -> NDArray[np.float64]:
    """Mix with the smooth step 3 e^2 - 2 e^3, written out here."""
    return (1.0 - strength) * encoded + strength * encoded * encoded * (3.0 - 2.0 * encoded)


def yule_nielsen(coverage: NDArray[np.float64], black: float, n: float) -> NDArray[np.float64]:
    """Reflectance over paper with light scattered below the dots; n = 1 is Murray-Davies."""
    return (1.0 - coverage + coverage * black ** (1.0 / n)) ** n


def photograph(
    rng: np.random.Generator, strength: float, *, n: float = 1.7, gain: float = 0.0, light: float = 0.75
) -> GraySamples:
    """
    Photograph both gray rows: uneven light, tinted balance, small shadows across the patches, noise of the photo.

    The print follows the form of Yule and Nielsen where `n` is above 1, whereas the code fits Murray-Davies with a
    dot gain, so the form of the print is not the one fitted.
    """
    black = float(np.exp(rng.normal(np.log(0.05), 0.25)))
    reflectance = yule_nielsen(COVERAGE + 4.0 * gain * COVERAGE * (1.0 - COVERAGE), black, n)
    across = np.tile(np.linspace(-1.0, 1.0, 8), 2)
    down = np.repeat([-1.0, 1.0], 8)
    slope = rng.normal(0.0, 0.08, 2)
    at_patch = np.minimum(light * np.exp(slope[0] * across + slope[1] * down), 0.93)
    shadow = rng.normal(0.0, 0.03, 16)
    beside = np.stack([at_patch * np.exp(shadow), at_patch * np.exp(-shadow)], axis=1)
    tint = np.exp(rng.normal(0.0, 0.05, 3))
    tint /= tint.max()

    def develop(linear: NDArray[np.float64]) -> NDArray[np.float64]:
        encoded = bend(encode_srgb(linear), strength)
        return np.clip(encoded + rng.normal(0.0, 0.004, encoded.shape), 0.0, 1.0)

    return GraySamples(
        black_coverage=COVERAGE,
        patch=develop((at_patch * reflectance)[:, None] * tint),
        paper=develop(beside[..., None] * tint),
    )


@given(fractions, strengths)
def test_curve_is_undone(light: float, strength: float) -> None:
    seen = bend(encode_srgb(np.array(light)), strength)
    assert float(decode_tone(seen, strength)) == pytest.approx(light, abs=2e-5)
    assert float(s_curve(encode_srgb(np.array(light)), strength)) == pytest.approx(float(seen), abs=1e-12)


@given(st.floats(-0.49, 0.99))
def test_curve_rises_and_keeps_black_middle_and_white(strength: float) -> None:
    assert np.all(np.diff(s_curve(np.linspace(0.0, 1.0, 500), strength)) > 0.0)
    assert np.all(np.diff(decode_tone(np.linspace(0.0, 1.0, 500), strength)) > 0.0)
    assert s_curve([0.0, 0.5, 1.0], strength) == pytest.approx([0.0, 0.5, 1.0])


def test_no_strength_is_plain_srgb() -> None:
    # Code 0.5 is 0.2140 linear light by IEC 61966-2-1:1999.
    assert decode_tone([0.0, 0.04045, 0.5, 1.0], 0.0) == pytest.approx([0.0, 0.04045 / 12.92, 0.2140, 1.0], abs=5e-5)
    codes = np.linspace(0.0, 1.0, 256)
    np.testing.assert_allclose(encode_srgb(decode_tone(codes, 0.0)), codes, atol=1e-6)


@pytest.mark.parametrize(
    ("n", "gain", "light"),
    [(1.7, 0.0, 0.75), (1.5, 0.0, 0.75), (2.0, 0.0, 0.75), (1.0, 0.13, 0.75), (1.0, 0.08, 0.75), (1.7, 0.0, 0.25)],
    ids=["n1.7", "n1.5", "n2", "gain13", "gain8", "dim"],
)
def test_strength_is_recovered_from_unlike_prints(n: float, gain: float, light: float) -> None:
    rng = np.random.default_rng(5)
    truth = np.clip(rng.normal(0.3, 0.2, 100), -0.2, 0.7)
    fits = [fit_tone(photograph(rng, strength, n=n, gain=gain, light=light)) for strength in truth]
    found = np.array([fit.strength for fit in fits])
    std = np.array([fit.strength_std for fit in fits])
    error = found - truth
    # The dot gain cannot imitate every print, which leaves a bias, but one that the uncertainty owns up to.
    assert abs(error.mean()) < std.mean()
    assert np.sqrt(np.mean(error**2)) < 1.2 * std.mean()
    assert np.mean(np.abs(error) < 1.645 * std) > 0.90
    # It learns from the rows and does not only repeat what it expects.
    assert std.mean() < 0.17
    assert np.corrcoef(found, truth)[0, 1] > 0.75


@pytest.mark.parametrize("covered", [0, 4, 8, 13])
def test_covered_patch_does_not_bend_the_curve(covered: int) -> None:
    samples = photograph(np.random.default_rng(7), 0.3)
    clear = fit_tone(samples)
    patch = samples.patch.copy()
    patch[covered] = (0.45, 0.33, 0.28)  # a finger
    touched = fit_tone(GraySamples(black_coverage=COVERAGE, patch=patch, paper=samples.paper))
    assert abs(touched.strength - clear.strength) < 0.75 * clear.strength_std


def test_patches_at_a_shadow_edge_count_less() -> None:
    samples = photograph(np.random.default_rng(8), 0.5)
    paper, patch = samples.paper.copy(), samples.patch.copy()
    edge = slice(4, 7)
    paper[edge, 0] *= 0.5  # the shadow lies over the paper on one side and over the patches
    patch[edge] *= 0.5
    shaded = GraySamples(black_coverage=COVERAGE, patch=patch, paper=paper)
    unaware = GraySamples(black_coverage=COVERAGE, patch=patch, paper=samples.paper)
    clear = fit_tone(samples).strength
    assert abs(fit_tone(shaded).strength - clear) < 0.5 * abs(fit_tone(unaware).strength - clear)


@pytest.mark.parametrize("n_patches", [0, 1, 2])
def test_fewer_than_three_patches_leave_the_prior(n_patches: int) -> None:
    samples = photograph(np.random.default_rng(9), 0.7)
    few = GraySamples(
        black_coverage=samples.black_coverage[:n_patches],
        patch=samples.patch[:n_patches],
        paper=samples.paper[:n_patches],
    )
    fit = fit_tone(few)
    # The assumed prior of the module: 0.3 +- 0.25.
    assert (fit.strength, fit.strength_std) == (0.3, 0.25)


def gray_row_error(camera: int, strength: float) -> float:
    """Error along a gray row after decoding, exposure apart: standard deviation in natural logarithm."""
    light = np.geomspace(0.03, 0.9, 12)
    seen = np.interp(light, CAMERAS[:, 0], CAMERAS[:, camera])
    return float(np.std(np.log(decode_tone(seen, strength) / light)))


def test_measured_curves_are_undone_by_the_fit() -> None:
    """The whole way: gray rows through a measured curve, fitted, decoded."""
    better = 0
    for camera in range(1, N_CAMERAS):
        light = 0.8 * yule_nielsen(COVERAGE, 0.05, 1.7)
        values, levels = CAMERAS[:, camera], CAMERAS[:, 0]
        patch = np.interp(light, levels, values)[:, None] * np.ones(3)
        paper = np.full((16, 2, 3), np.interp(0.8, levels, values))
        fit = fit_tone(GraySamples(black_coverage=COVERAGE, patch=patch, paper=paper))
        better += gray_row_error(camera, fit.strength) < 0.7 * gray_row_error(camera, 0.0)
    assert better >= 12
