"""Embedded color profiles: recognizes the two working spaces, and converts from any other."""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from calibration import ColorSpace

# Two 8-bit codes cover the rounding of differently written sRGB curves; a plain gamma of 2.2 differs more in the dark,
# other primaries nearly everywhere.
_MAX_CODES_APART: Final = 2
_PROBE_CODES: Final = (12, 24, 64, 128, 192, 240)


def rgb_in_working_space(rgb_u8: NDArray[np.uint8], info: Mapping[Any, Any]) -> tuple[NDArray[np.uint8], ColorSpace]:
    """
    Return a picture in sRGB or Display P3.

    Pixels already in one of the two stay untouched. Those with any other profile are converted into Display P3
    (relative colorimetric), which covers all that phones show. Without a usable RGB profile a picture counts as sRGB.

    Parameters
    ----------
    rgb_u8 : ndarray of uint8, shape (H, W, 3)
        The picture as stored.
    info : mapping
        What Pillow found in the file besides the pixels: ``"icc_profile"`` and ``"nclx_profile"`` are used.

    Returns
    -------
    rgb_u8 : ndarray of uint8, shape (H, W, 3)
        The picture.
    color_space : {"srgb", "display-p3"}
        Its color space.
    """
    icc = icc_profile_of(info)
    try:
        if icc is None or (profile := _profile_from_bytes(icc)).profile.xcolor_space.strip() != "RGB":
            return rgb_u8, "srgb"
        if (space := _working_space(icc)) is not None:
            return rgb_u8, space
        return _convert(rgb_u8, profile, _display_p3_profile()), "display-p3"
    except ImageCms.PyCMSError:  # readable, but too incomplete to convert with
        return rgb_u8, "srgb"


def icc_profile_of(info: Mapping[Any, Any]) -> bytes | None:
    """
    Return the profile that the pixels of a file need to keep their colors in another file.

    Parameters
    ----------
    info : mapping
        As in `rgb_in_working_space`.

    Returns
    -------
    bytes or None
        The file's own, or Display P3 if the file names it only by number; None for sRGB.
    """
    icc: bytes | None = info.get("icc_profile")
    try:
        _profile_from_bytes(icc or b"")
    except (OSError, ValueError):
        # HEIC files may hold a number: primaries 12 in ITU-T H.273 are those of Display P3 (from memory, not verified).
        is_p3 = (info.get("nclx_profile") or {}).get("color_primaries") == 12
        return _display_p3_profile().tobytes() if is_p3 else None
    return icc


@lru_cache(maxsize=8)  # photos of one phone have the same profile
def _working_space(icc: bytes) -> ColorSpace | None:
    """Return which of the two an RGB profile is, if any, judged by its effect on colors, as names may lie."""
    probe = np.stack(np.meshgrid(_PROBE_CODES, _PROBE_CODES, _PROBE_CODES), axis=-1).reshape(1, -1, 3).astype(np.uint8)
    spaces: dict[ColorSpace, Any] = {"srgb": ImageCms.createProfile("sRGB"), "display-p3": _display_p3_profile()}
    for space, reference in spaces.items():
        # Building tables to speed up the conversion takes longer than converting so few colors.
        converted = _convert(probe, _profile_from_bytes(icc), reference, ImageCms.Flags.NOOPTIMIZE)
        if np.abs(converted.astype(int) - probe).max() <= _MAX_CODES_APART:
            return space
    return None


def _profile_from_bytes(icc: bytes) -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(icc))


def _convert(
    rgb_u8: NDArray[np.uint8], source: Any, target: Any, flags: ImageCms.Flags = ImageCms.Flags.NONE
) -> NDArray[np.uint8]:
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    transform = ImageCms.buildTransform(source, target, "RGB", "RGB", intent, flags)
    return np.asarray(transform.apply(Image.fromarray(rgb_u8)))


@cache
def _display_p3_profile() -> ImageCms.ImageCmsProfile:
    # Made for this project: the D65 primaries adapted to D50 with the Bradford matrix, and the curve of IEC
    # 61966-2-1:1999 as a parametric curve of type 3 (ICC.1:2022); the colorants equal those of profiles in phone files.
    return _profile_from_bytes(files(__package__).joinpath("display_p3.icc").read_bytes())
