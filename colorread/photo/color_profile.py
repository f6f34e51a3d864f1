"""Embedded color profiles: in which of the two working spaces a picture is, or its conversion into one."""

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

# Two 8-bit codes cover the rounding of differently written sRGB curves; a mere gamma of 2.2 differs by more
# in the dark, other primaries by more nearly everywhere.
_SAME_CODES: Final = 2
_PROBE_CODES: Final = (12, 24, 64, 128, 192, 240)

# The profile's own word for the pixels it is made for, by Pillow mode.
_PROFILE_MODEL: Final = {"RGB": "RGB", "L": "GRAY", "CMYK": "CMYK"}


def image_of(pixels: NDArray[np.uint8]) -> Image.Image:
    """
    Copy pixels into a picture of Pillow's, which most of them need not be.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W) or (H, W, C)
        Gray, RGB or CMYK.

    Returns
    -------
    PIL.Image.Image
        Of mode ``"L"``, ``"RGB"`` or ``"CMYK"``.
    """
    mode = "L" if pixels.ndim == 2 else {3: "RGB", 4: "CMYK"}[pixels.shape[2]]
    return Image.frombytes(mode, pixels.shape[1::-1], pixels.tobytes())


def rgb_in_working_space(pixels: NDArray[np.uint8], info: Mapping[Any, Any]) -> tuple[NDArray[np.uint8], ColorSpace]:
    """
    Return a picture as RGB in sRGB or Display P3.

    Pixels that are in one of the two already stay untouched. Those of any other profile are converted into
    Display P3 (relative colorimetric), which holds all that phones show. Without a usable profile a picture
    is taken as sRGB.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W) or (H, W, C)
        Gray, RGB or CMYK.
    info : mapping
        What Pillow found in the file beside the pixels; of it ``"icc_profile"`` and ``"nclx_profile"``.

    Returns
    -------
    rgb_u8 : ndarray of uint8, shape (H, W, 3)
        The picture.
    color_space : {"srgb", "display-p3"}
        What its values mean.
    """
    rgb_u8 = pixels if pixels.shape[2:] == (3,) else np.asarray(image_of(pixels).convert("RGB"))
    icc: Any = info.get("icc_profile")
    profile = _profile_from_bytes(icc)
    if profile is None:
        return rgb_u8, "display-p3" if _is_p3_by_number(info) else "srgb"

    model = profile.profile.xcolor_space.strip()
    try:
        if model == "RGB":
            pixels = rgb_u8  # a gray picture may carry an RGB profile
            if (space := _working_space(icc)) is not None:
                return rgb_u8, space
        image = image_of(pixels)
        if _PROFILE_MODEL[image.mode] != model:
            return rgb_u8, "srgb"
        return np.asarray(_convert(image, profile, _display_p3_profile())), "display-p3"
    except ImageCms.PyCMSError:  # readable, but not complete enough to convert with
        return rgb_u8, "srgb"


@lru_cache(maxsize=8)  # photos of one phone carry the same one
def _working_space(icc: bytes) -> ColorSpace | None:
    """Tell which of the two a profile of RGB means, None for any other."""
    profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
    if _is_same(profile, ImageCms.createProfile("sRGB")):
        return "srgb"
    return "display-p3" if _is_same(profile, _display_p3_profile()) else None


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
    # Own work: the D65 primaries carried to D50 by the Bradford matrix, and the curve of IEC 61966-2-1:1999 as a
    # parametric one of type 3 (ICC.1:2022); the colorants equal those of profiles in phone files.
    return ImageCms.ImageCmsProfile(io.BytesIO(files(__package__).joinpath("display_p3.icc").read_bytes()))
