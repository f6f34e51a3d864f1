"""Color arithmetic: sRGB transfer function, RGB and XYZ, CIELAB and color difference, on plain arrays."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

# CIELAB: where the cube root gives way to a straight line, as exact fractions (see `lab_from_xyz`).
_LAB_EPSILON: Final = 216 / 24389
_LAB_KAPPA: Final = 24389 / 27


def _xyz_from_xy(xy: tuple[float, float]) -> NDArray[np.float64]:
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _xyz_from_rgb_matrix(color_space: ColorSpace) -> NDArray[np.float64]:
    """Derive the matrix from the primaries, so that RGB white meets D65 exactly and not to four digits."""
    primaries_xyz = np.stack([_xyz_from_xy(xy) for xy in _PRIMARIES_XY[color_space]], axis=1)
    return primaries_xyz * np.linalg.solve(primaries_xyz, _xyz_from_xy(_D65_XY))


WHITE_XYZ_D65: Final = _xyz_from_xy(_D65_XY)
XYZ_FROM_RGB: Final[dict[ColorSpace, NDArray[np.float64]]] = {
    "srgb": _xyz_from_rgb_matrix("srgb"),
    "display-p3": _xyz_from_rgb_matrix("display-p3"),
}


def _floats(values: ArrayLike) -> NDArray[np.floating]:
    array = np.asarray(values)
    if not np.issubdtype(array.dtype, np.floating):
        raise ValueError(f"Expected floating-point values, got {array.dtype}; scale integer codes first.")
    return array


def _triples(values: ArrayLike) -> NDArray[np.floating]:
    array = _floats(values)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise ValueError(f"Expected three components along the last axis, got shape {array.shape}.")
    return array


def decode_srgb(rgb_srgb: ArrayLike) -> NDArray[np.floating]:
    """
    Return linear light for sRGB-encoded values.

    Display P3 uses the same transfer function.

    Parameters
    ----------
    rgb_srgb : array_like of float, shape (...)
        Encoded values within 0..1; NaN is passed on [-].

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Linear light within 0..1, in the float type of the input [-].

    Raises
    ------
    ValueError
        If the values are not floating point or lie outside 0..1.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, Multimedia systems and equipment - Colour measurement and management -
       Part 2-1: Default RGB colour space - sRGB.
    """
    encoded = _floats(rgb_srgb)
    if np.any((encoded < 0.0) | (encoded > 1.0)):
        raise ValueError("Encoded values must lie within 0..1.")
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encode_srgb(rgb_lin: ArrayLike) -> NDArray[np.floating]:
    """
    Return sRGB-encoded values for linear light.

    Light outside 0..1 (out of gamut, or brighter than white) is carried on along the same curve, so that the
    caller can see it and decide about clipping.

    Parameters
    ----------
    rgb_lin : array_like of float, shape (...)
        Linear light, 1 for white; NaN is passed on [-].

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Encoded values, in the float type of the input [-].

    Raises
    ------
    ValueError
        If the values are not floating point.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, see `decode_srgb`.
    """
    light = _floats(rgb_lin)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055)


def xyz_from_rgb_lin(rgb_lin: ArrayLike, color_space: ColorSpace = "srgb") -> NDArray[np.floating]:
    """
    Return CIE XYZ under D65 for linear RGB.

    Parameters
    ----------
    rgb_lin : array_like of float, shape (..., 3)
        Linear light, 1 for white [-].
    color_space : {"srgb", "display-p3"}, default "srgb"
        Whose primaries the values refer to.

    Returns
    -------
    numpy.ndarray of float, shape (..., 3)
        Tristimulus values, Y = 1 for white [-].

    Raises
    ------
    ValueError
        If the values are not floating point or not triples.
    """
    return _triples(rgb_lin) @ XYZ_FROM_RGB[color_space].T


def rgb_lin_from_xyz(xyz_d65: ArrayLike, color_space: ColorSpace = "srgb") -> NDArray[np.floating]:
    """
    Return linear RGB for CIE XYZ under D65.

    Parameters
    ----------
    xyz_d65 : array_like of float, shape (..., 3)
        Tristimulus values, Y = 1 for white [-].
    color_space : {"srgb", "display-p3"}, default "srgb"
        Whose primaries the result refers to.

    Returns
    -------
    numpy.ndarray of float, shape (..., 3)
        Linear light; outside 0..1 where the color is out of gamut [-].

    Raises
    ------
    ValueError
        If the values are not floating point or not triples.
    """
    return _triples(xyz_d65) @ np.linalg.inv(XYZ_FROM_RGB[color_space]).T


def lab_from_xyz(xyz_d65: ArrayLike) -> NDArray[np.floating]:
    """
    Return CIELAB with the white point D65.

    Parameters
    ----------
    xyz_d65 : array_like of float, shape (..., 3)
        Tristimulus values, Y = 1 for white [-].

    Returns
    -------
    numpy.ndarray of float, shape (..., 3)
        L* within 0..100, a*, b* [-].

    Raises
    ------
    ValueError
        If the values are not floating point or not triples.

    References
    ----------
    .. [1] CIE 15:2004, Colorimetry, 3rd edition (from memory, not verified; agrees with
       colour-science 0.4.7).
    """
    relative = _triples(xyz_d65) / WHITE_XYZ_D65
    f = np.where(relative > _LAB_EPSILON, np.cbrt(relative), (_LAB_KAPPA * relative + 16.0) / 116.0)
    fx, fy, fz = np.moveaxis(f, -1, 0)
    return np.stack([116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)], axis=-1)


def ciede2000(lab1: ArrayLike, lab2: ArrayLike) -> NDArray[np.floating]:
    """
    Return the color difference CIEDE2000 with all parametric factors 1.

    Parameters
    ----------
    lab1, lab2 : array_like of float, shape (..., 3)
        CIELAB colors under the same white, broadcast against each other [-].

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Color difference [-].

    Raises
    ------
    ValueError
        If the values are not floating point or not triples.

    Notes
    -----
    Names follow the paper: `c` chroma and `h` hue angle of the primed (adjusted) a*, `_mean` a bar, `s_` a
    weight, `r_t` the rotation term of the blue region.

    References
    ----------
    .. [1] Sharma, G., Wu, W., Dalal, E. N., 2005, The CIEDE2000 color-difference formula: implementation
       notes, supplementary test data, and mathematical observations, Color Res. Appl. 30, 21-30.
       doi:10.1002/col.20070
    """
    l1, a1, b1 = np.moveaxis(_triples(lab1), -1, 0)
    l2, a2, b2 = np.moveaxis(_triples(lab2), -1, 0)

    c7_mean = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.0 + 0.5 * (1.0 - np.sqrt(c7_mean / (c7_mean + 25.0**7)))
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360.0, np.degrees(np.arctan2(b2, a2)) % 360.0

    one_is_gray = c1 * c2 == 0.0
    h_step = h2 - h1
    h_step_short = np.where(np.abs(h_step) <= 180.0, h_step, h_step - np.sign(h_step) * 360.0)
    h_diff = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(np.where(one_is_gray, 0.0, h_step_short)) / 2)

    h_sum = h1 + h2
    h_mean_wrapped = np.where(h_sum < 360.0, h_sum + 360.0, h_sum - 360.0) / 2
    h_mean = np.where(np.abs(h_step) <= 180.0, h_sum / 2, h_mean_wrapped)
    h_mean = np.where(one_is_gray, h_sum, h_mean)
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2

    t = (
        1.0
        - 0.17 * np.cos(np.radians(h_mean - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * h_mean))
        + 0.32 * np.cos(np.radians(3.0 * h_mean + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * h_mean - 63.0))
    )
    l_from_50 = (l_mean - 50.0) ** 2
    s_l = 1.0 + 0.015 * l_from_50 / np.sqrt(20.0 + l_from_50)
    s_c = 1.0 + 0.045 * c_mean
    s_h = 1.0 + 0.015 * c_mean * t
    r_c = 2.0 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    r_t = -r_c * np.sin(np.radians(60.0 * np.exp(-(((h_mean - 275.0) / 25.0) ** 2))))

    l_part, c_part, h_part = (l2 - l1) / s_l, (c2 - c1) / s_c, h_diff / s_h
    return np.asarray(np.sqrt(l_part**2 + c_part**2 + h_part**2 + r_t * c_part * h_part))
