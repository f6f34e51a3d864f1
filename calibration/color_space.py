"""From photo values to light: sRGB transfer function, RGB and XYZ, and the tone curve of a phone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
ColorSpace = Literal["srgb", "display-p3"]

# White point D65, chromaticity to four digits as in IEC 61966-2-1:1999.
_D65_XY: Final = (0.3127, 0.3290)

# Chromaticities (x, y) of the red, green and blue primaries.
# sRGB: IEC 61966-2-1:1999 (the primaries of ITU-R BT.709).
# Display P3: the primaries of SMPTE RP 431-2 with white D65, as tabulated in colour-science 0.4.7.
_PRIMARIES_XY: Final[dict[ColorSpace, tuple[tuple[float, float], ...]]] = {
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "display-p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
}

# Phones bend the sRGB curve into an S: e + strength * (3 e^2 - 2 e^3 - e). The one-parameter form is an assumption;
# measured curves of cameras are S-shaped, not power laws.
_STRENGTH_PRIOR = (0.3, 0.25)  # mean and standard deviation: assumption
_STRENGTH_RANGE = (-0.3, 0.8)  # two deviations or more to either side, where the curve still rises
# Physical and optical dot gain at half coverage of office printers 0.06 to 0.2: assumption around the published
# 14 to 20 % of offset print.
_DOT_GAIN_PRIOR = (0.13, 0.035)
_BLACK_PRIOR = (0.05, 0.4)  # reflectance of solid black over paper 3 to 8 %, and its standard deviation in ln
# Standard deviation of a patch in ln of its reflectance, from noise and uneven print; added to that, this share of the
# difference between the paper on its two sides, in case a shadow edge crosses it, and this much if that paper is
# clipped in all channels, so that the patch hardly counts: assumptions.
_PATCH_STD, _UNLIKE_SHARE, _CLIPPED_STD = 0.03, 0.5, 1.0
_CLIPPED = 0.985  # sRGB-encoded value of paper from which it may be clipped: assumption
_LEAST_STD = 0.05  # of the strength: the form of the curve itself is an assumption
_GRID = np.linspace(0.0, 1.0, 1025)


def _xyz_from_xy(xy: tuple[float, float]) -> Floats:
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _xyz_from_rgb_matrix(color_space: ColorSpace) -> Floats:
    """Derive the matrix from the primaries, so that RGB white equals D65 exactly, not just to four digits."""
    primaries_xyz = np.stack([_xyz_from_xy(xy) for xy in _PRIMARIES_XY[color_space]], axis=1)
    return primaries_xyz * np.linalg.solve(primaries_xyz, _xyz_from_xy(_D65_XY))


XYZ_FROM_RGB: Final = {space: _xyz_from_rgb_matrix(space) for space in _PRIMARIES_XY}


def encode_srgb(rgb_lin: ArrayLike) -> NDArray[np.floating]:
    """
    Return sRGB-encoded values for linear light.

    Light outside 0..1 (out of gamut, or brighter than white) continues along the same curve, so the caller can see it
    and decide about clipping.

    Parameters
    ----------
    rgb_lin : array_like of float, shape (...)
        Linear light, 1 for white; NaN stays NaN [-].

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Encoded values, in the float type of the input [-].

    References
    ----------
    .. [1] IEC 61966-2-1:1999, Multimedia systems and equipment - Colour measurement and management -
       Part 2-1: Default RGB colour space - sRGB.
    """
    light = np.asarray(rgb_lin)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055)


def decode_srgb(encoded: ArrayLike) -> NDArray[np.floating]:
    """
    Return linear light for sRGB-encoded values.

    Parameters
    ----------
    encoded : array_like of float, shape (...)
        Encoded values, 1 for white [-].

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Linear light, in the float type of the input [-].

    References
    ----------
    .. [1] IEC 61966-2-1:1999, as for `encode_srgb`.
    """
    code = np.asarray(encoded)
    return np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0.0) + 0.055) / 1.055) ** 2.4)


def xyz_from_rgb_lin(rgb_lin: ArrayLike, color_space: ColorSpace = "srgb") -> NDArray[np.floating]:
    """
    Return CIE XYZ under D65 for linear RGB.

    Parameters
    ----------
    rgb_lin : array_like of float, shape (..., 3)
        Linear light, 1 for white [-].
    color_space : {"srgb", "display-p3"}, default "srgb"
        Color space of the values.

    Returns
    -------
    numpy.ndarray of float, shape (..., 3)
        Tristimulus values, Y = 1 for white [-].
    """
    return np.asarray(rgb_lin) @ XYZ_FROM_RGB[color_space].T


def rgb_lin_from_xyz(xyz_d65: ArrayLike, color_space: ColorSpace = "srgb") -> NDArray[np.floating]:
    """
    Return linear RGB for CIE XYZ under D65.

    Parameters
    ----------
    xyz_d65 : array_like of float, shape (..., 3)
        Tristimulus values, Y = 1 for white [-].
    color_space : {"srgb", "display-p3"}, default "srgb"
        Color space of the result.

    Returns
    -------
    numpy.ndarray of float, shape (..., 3)
        Linear light; outside 0..1 if the color is out of gamut [-].
    """
    return np.asarray(np.asarray(xyz_d65) @ np.linalg.inv(XYZ_FROM_RGB[color_space]).T)


@dataclass(frozen=True, slots=True, kw_only=True)
class GraySamples:
    """
    The gray patches as photographed, sRGB-encoded values 0..1.

    Parameters
    ----------
    black_coverage : ndarray of float, shape (N,)
        Ink coverage sent to the printer.
    patch : ndarray of float, shape (N, 3)
        Median of each patch.
    paper : ndarray of float, shape (N, 2, 3)
        Bare paper on both sides of each patch.
    """

    black_coverage: Floats
    patch: Floats
    paper: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneFit:
    """
    Strength of the S-curve.

    Parameters
    ----------
    strength, strength_std : float
        Estimate and standard uncertainty; 0 is plain sRGB [-].
    """

    strength: float
    strength_std: float


def decode_tone(encoded: ArrayLike, strength: float) -> Floats:
    """
    Return linear light for encoded values.

    Parameters
    ----------
    encoded : array_like of float, shape (...)
        Photo values, 0..1.
    strength : float
        Strength of the S-curve [-].

    Returns
    -------
    ndarray of float64, shape (...)
        Linear light 0..1, by the inverse S-curve and the sRGB function.
    """
    srgb = np.interp(np.asarray(encoded, dtype=np.float64), s_curve(_GRID, strength), _GRID)
    return np.asarray(decode_srgb(srgb), dtype=np.float64)


def s_curve(encoded: ArrayLike, strength: float) -> Floats:
    """
    Return sRGB-encoded values after the S-curve of a phone.

    Parameters
    ----------
    encoded : array_like of float, shape (...)
        Plain sRGB values 0..1.
    strength : float
        0 leaves them as they are; monotone from -0.5 to 1 [-].

    Returns
    -------
    ndarray of float64, shape (...)
        Values 0..1.
    """
    e = np.asarray(encoded, dtype=np.float64)
    return e + strength * (3.0 * e**2 - 2.0 * e**3 - e)


def usual_reflectance(black_coverage: ArrayLike) -> Floats:
    """
    Return the reflectance of a usual print relative to its paper.

    Parameters
    ----------
    black_coverage : array_like of float, shape (...)
        Ink coverage sent to the printer.

    Returns
    -------
    ndarray of float64, shape (...)
        By Murray-Davies with the median dot gain and black of prints [-].
    """
    coverage = np.asarray(black_coverage, dtype=np.float64)
    return _reflectance(coverage, _DOT_GAIN_PRIOR[0], _BLACK_PRIOR[0])


def _reflectance(coverage: Floats, dot_gain: float | Floats, black: float | Floats) -> Floats:
    inked = coverage + 4.0 * dot_gain * coverage * (1.0 - coverage)
    return np.asarray(1.0 - inked + inked * black)


def fit_tone(samples: GraySamples) -> ToneFit:
    """
    Fit the S-curve to the gray patches, each against the paper beside it.

    Coverage gives reflectance by Murray-Davies with one dot gain, so three parameters are fitted (strength, dot gain,
    black), each with a prior. A patch on the edge of a shadow, with different paper on its two sides, counts less.

    Parameters
    ----------
    samples : GraySamples
        The patches; with fewer than three the prior is returned.

    Returns
    -------
    ToneFit
        Estimate on the grid of strengths from -0.3 to 0.8.

    References
    ----------
    .. [1] Murray A. 1936, J. Franklin Inst. 221, 721-744 (from memory, not verified): reflectance from coverage.
    """
    if len(samples.black_coverage) < 3:
        return ToneFit(strength=_STRENGTH_PRIOR[0], strength_std=_STRENGTH_PRIOR[1])
    strengths = np.linspace(*_STRENGTH_RANGE, 23)
    expected, prior_cost = _inks(samples.black_coverage)
    # The smallest cost over dot gain and black at each strength. The loss is Student-like, so that a finger on a patch
    # does not bend the curve.
    losses = (
        4.0 * np.log1p(((measured - expected) / sigma) ** 2 / 4.0)
        for measured, sigma in zip(*_log_reflectance(samples, strengths), strict=True)
    )
    costs = np.array([(prior_cost + loss.sum(axis=-1)).min() for loss in losses])
    costs += ((strengths - _STRENGTH_PRIOR[0]) / _STRENGTH_PRIOR[1]) ** 2
    density = np.exp(-0.5 * (costs - costs.min()))
    density /= density.sum()
    mean = float(density @ strengths)
    std = float(np.sqrt(density @ (strengths - mean) ** 2))
    return ToneFit(strength=mean, strength_std=max(std, _LEAST_STD))


def _inks(coverage: Floats) -> tuple[Floats, Floats]:
    """Return ln of the reflectance of P patches, shape (13 dot gains, 15 blacks, P), and each pair's prior cost."""
    gain = np.linspace(0.0, 0.24, 13)[:, None]
    black = np.geomspace(0.015, 0.2, 15)
    cost = ((gain - _DOT_GAIN_PRIOR[0]) / _DOT_GAIN_PRIOR[1]) ** 2
    cost = cost + (np.log(black / _BLACK_PRIOR[0]) / _BLACK_PRIOR[1]) ** 2
    return np.log(_reflectance(coverage, gain[..., None], black[:, None])), cost


def _log_reflectance(samples: GraySamples, strengths: Floats) -> tuple[Floats, Floats]:
    """Return ln of patch over paper at each of S strengths, and its standard deviation, both of shape (S, P)."""
    encoded = np.concatenate([samples.patch[:, None], samples.paper], axis=1)
    light = np.array([decode_tone(encoded, strength) for strength in strengths])  # (S, P, patch and two papers, 3)
    sides = np.log(np.maximum(light[:, :, 1:], 2e-3))
    measured = np.log(np.maximum(light[:, :, 0], 1e-3)) - sides.mean(axis=2)
    unlike = np.abs(sides[:, :, 0] - sides[:, :, 1])
    clipped = samples.paper.max(axis=1) > _CLIPPED
    all_clipped = clipped.all(axis=1)
    weight = np.where(all_clipped[:, None], 1.0, ~clipped)
    weight /= weight.sum(axis=1, keepdims=True)
    measured, unlike = ((values * weight).sum(axis=2) for values in (measured, unlike))
    return measured, _PATCH_STD + _UNLIKE_SHARE * unlike + _CLIPPED_STD * all_clipped
