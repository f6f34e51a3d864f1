"""Embedded color profiles: in which of the two working spaces a picture is, or its conversion into one."""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from calibration.color_space import WHITE_XYZ_D65, XYZ_FROM_RGB, ColorSpace

# White of the profile connection space, and the Bradford cone matrix by which profiles carry D65 colors there
# (ICC.1:2022; from memory, not verified; the colorants that follow equal those of profiles in phone files).
_D50_XYZ: Final = np.array([0.9642, 1.0, 0.8249])
_BRADFORD: Final = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])

# Two 8-bit codes cover the rounding of differently written sRGB curves; a mere gamma of 2.2 differs by more
# in the dark, other primaries by more nearly everywhere.
_SAME_CODES: Final = 2
_PROBE_CODES: Final = (12, 24, 64, 128, 192, 240)

# The profile's own word for the pixels it is made for, by Pillow mode.
_PROFILE_MODEL: Final = {"RGB": "RGB", "L": "GRAY", "CMYK": "CMYK"}


def rgb_in_working_space(image: Image.Image, info: Mapping[Any, Any]) -> tuple[Image.Image, ColorSpace]:
    """
    Return a picture as RGB in sRGB or Display P3.

    Pixels that are in one of the two already stay untouched. Those of any other profile are converted into
    Display P3 (relative colorimetric), which holds all that phones show. Without a usable profile a picture
    is taken as sRGB.

    Parameters
    ----------
    image : PIL.Image.Image
        Picture of mode ``"L"``, ``"RGB"`` or ``"CMYK"``.
    info : mapping
        What Pillow found in the file beside the pixels; of it ``"icc_profile"`` and ``"nclx_profile"``.

    Returns
    -------
    image : PIL.Image.Image
        Picture of mode ``"RGB"``.
    color_space : {"srgb", "display-p3"}
        What its values mean.
    """
    rgb = image if image.mode == "RGB" else image.convert("RGB")  # which would copy
    profile = _profile_from_bytes(info.get("icc_profile"))
    if profile is None:
        return rgb, "display-p3" if _is_p3_by_number(info) else "srgb"

    model = profile.profile.xcolor_space.strip()
    if model == "RGB":
        image = rgb  # a gray picture may carry an RGB profile
    if _PROFILE_MODEL[image.mode] != model:
        return rgb, "srgb"
    try:
        if model == "RGB":
            if _is_same(profile, ImageCms.createProfile("sRGB")):
                return image, "srgb"
            if _is_same(profile, _display_p3_profile()):
                return image, "display-p3"
        return _convert(image, profile, _display_p3_profile()), "display-p3"
    except ImageCms.PyCMSError:  # readable, but not complete enough to convert with
        return rgb, "srgb"


def icc_profile_of(info: Mapping[Any, Any]) -> bytes | None:
    """
    Return the profile by which `rgb_in_working_space` takes the pixels of a file for the same colors in any other file.

    Parameters
    ----------
    info : mapping
        As there.

    Returns
    -------
    bytes or None
        That of the file, or of Display P3 where the file says so by a mere number; None for sRGB.
    """
    icc: bytes | None = info.get("icc_profile")
    if _profile_from_bytes(icc) is None:
        return _display_p3_profile().tobytes() if _is_p3_by_number(info) else None
    return icc


def _is_p3_by_number(info: Mapping[Any, Any]) -> bool:
    """HEIC files may carry a number: primaries 12 of ITU-T H.273 are Display P3's (from memory, not verified)."""
    return (info.get("nclx_profile") or {}).get("color_primaries") == 12


def _profile_from_bytes(icc: object) -> ImageCms.ImageCmsProfile | None:
    if not isinstance(icc, bytes) or not icc:
        return None
    try:
        return ImageCms.ImageCmsProfile(io.BytesIO(icc))
    except (OSError, ValueError):
        return None


def _convert(
    image: Image.Image, source: object, target: object, flags: ImageCms.Flags = ImageCms.Flags.NONE
) -> Image.Image:
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    transform = ImageCms.buildTransform(source, target, image.mode, "RGB", intent, flags)  # type: ignore[arg-type]
    return transform.apply(image)


def _is_same(profile: object, reference: object) -> bool:
    """Compare by what the profiles do to colors: names lie, and curves may be written in many ways."""
    # Tables that make converting faster take longer to build than so few colors to convert.
    probe = np.stack(np.meshgrid(_PROBE_CODES, _PROBE_CODES, _PROBE_CODES), axis=-1).reshape(1, -1, 3)
    image = Image.fromarray(probe.astype(np.uint8))
    converted = np.asarray(_convert(image, profile, reference, ImageCms.Flags.NOOPTIMIZE), dtype=int)
    return bool(np.max(np.abs(converted - probe)) <= _SAME_CODES)


@cache
def _display_p3_profile() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(_matrix_profile(XYZ_FROM_RGB["display-p3"])))


def _matrix_profile(xyz_from_rgb: NDArray[np.float64]) -> bytes:
    """Write a minimal RGB profile (ICC.1:2022) with the sRGB transfer function and given D65 primaries."""
    gains = (_BRADFORD @ _D50_XYZ) / (_BRADFORD @ WHITE_XYZ_D65)
    d50_from_d65 = np.linalg.solve(_BRADFORD, gains[:, np.newaxis] * _BRADFORD)
    colorants = (d50_from_d65 @ xyz_from_rgb).T
    # Parametric curve of type 3 with the constants of IEC 61966-2-1:1999.
    curve = b"para" + struct.pack(">IHH", 0, 3, 0)
    curve += _s15_fixed16([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045])
    tags = {b"wtpt": b"XYZ " + bytes(4) + _s15_fixed16(_D50_XYZ)}
    for channel, colorant in zip((b"r", b"g", b"b"), colorants, strict=True):
        tags[channel + b"XYZ"] = b"XYZ " + bytes(4) + _s15_fixed16(colorant)
        tags[channel + b"TRC"] = curve

    offset = 128 + 4 + 12 * len(tags)
    directory, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        directory += name + struct.pack(">II", offset + len(body), len(data))
        body += data
    header = struct.pack(">I4xI12s12x4s28x", offset + len(body), 0x04300000, b"mntrRGB XYZ ", b"acsp")
    header += _s15_fixed16(_D50_XYZ) + bytes(48)
    return header + directory + body


def _s15_fixed16(values: NDArray[np.float64] | list[float]) -> bytes:
    return bytes(np.rint(np.asarray(values) * 65536).astype(">i4").tobytes())
