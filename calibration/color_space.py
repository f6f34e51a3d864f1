"""Color arithmetic: sRGB transfer function, RGB and XYZ, on plain arrays."""

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


def _xyz_from_xy(xy: tuple[float, float]) -> NDArray[np.float64]:
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _xyz_from_rgb_matrix(color_space: ColorSpace) -> NDArray[np.float64]:
    """Derive the matrix from the primaries, so that RGB white meets D65 exactly and not to four digits."""
    primaries_xyz = np.stack([_xyz_from_xy(xy) for xy in _PRIMARIES_XY[color_space]], axis=1)
    return primaries_xyz * np.linalg.solve(primaries_xyz, _xyz_from_xy(_D65_XY))


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
    .. [1] IEC 61966-2-1:1999, Multimedia systems and equipment - Colour measurement and management -
       Part 2-1: Default RGB colour space - sRGB.
    """
    light = _floats(rgb_lin)
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

    Raises
    ------
    ValueError
        If the values are not floating point.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, as for `encode_srgb`.
    """
    code = _floats(encoded)
    return np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0.0) + 0.055) / 1.055) ** 2.4)


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
