"""Loads a photo file as upright pixels in a known color space at working size, or refuses it."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, BinaryIO, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, ImageFile

from calibration import ColorSpace, Floats
from colorread.limits import TimeSource
from colorread.photo.file import (
    model_in,
    open_file,
    open_image,
    read_exif,
    refusing_broken_files,
    require_readable_size,
    time_taken,
)
from colorread.photo.sound import JPEG_FORMATS, decode_sound_jpeg, require_no_jump, require_sound

# A choice of this project: half the long side of a common 12 megapixel photo, which JPEG decodes to directly.
_WORKING_SIDE_PX: Final = 2016
_WORTH_SHRINKING: Final = 1.25  # below this ratio, shrinking takes more time than it saves

# EXIF orientations stored with rows and columns exchanged, and the flip that makes a picture upright after that: 0 top
# to bottom, 1 left to right, -1 both (as in Pillow's ImageOps.exif_transpose).
_TRANSPOSED: Final = (5, 6, 7, 8)
_FLIPS: Final = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}

Source = str | os.PathLike[str] | NDArray[Any]
"""A photo file, or an upright sRGB-encoded picture (uint8, or float 0..1)."""

# Two 8-bit codes cover the rounding of differently written sRGB curves; a plain gamma of 2.2 differs more in the dark,
# other primaries nearly everywhere.
_MAX_CODES_APART: Final = 2
_PROBE_CODES: Final = (12, 24, 64, 128, 192, 240)


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """
    Pixels of a photo and what the file says about them.

    Parameters
    ----------
    rgb_u8 : numpy.ndarray of uint8, shape (height, width, 3)
        Upright picture at working size, encoded with the sRGB transfer function; read-only.
    color_space : {"srgb", "display-p3"}
        The primaries that the values refer to.
    scale : float
        Working pixels per pixel of the full photo, at most 1 [-].
    taken_at : datetime.datetime or None
        Time of the photo; without a time zone if the camera did not store one.
    time_source : {"exif with offset", "exif without offset", "file time", "unknown"}
        Where `taken_at` comes from; the file time is that of the last copy or edit.
    camera_model : str or None
        Model name, never a serial number.
    """

    rgb_u8: NDArray[np.uint8]
    color_space: ColorSpace
    scale: float
    taken_at: datetime | None = None
    time_source: TimeSource = "unknown"
    camera_model: str | None = None

    def corners_px(self, xywh: Sequence[float]) -> Floats:
        """
        Return the corners of a rectangle of the full photo.

        Parameters
        ----------
        xywh : sequence of float
            Left, top, width and height; the center of the first pixel is (0, 0) [px of the full photo].

        Returns
        -------
        numpy.ndarray of float64, shape (4, 2)
            Top left, top right, bottom right, bottom left as x, y [working px].
        """
        x, y, width, height = xywh
        corners = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], dtype=np.float64)
        return (corners + 0.5) * self.scale - 0.5

    def full_size(self, xy_px: Floats) -> tuple[tuple[float, float], ...]:
        """
        Return pixels of the full photo for working pixels, the inverse of `corners_px`.

        Parameters
        ----------
        xy_px : numpy.ndarray of float64, shape (N, 2)
            Places [working px].

        Returns
        -------
        tuple of (float, float)
            The same places [px of the full photo].
        """
        full = (xy_px + 0.5) / self.scale - 0.5
        return tuple((float(x), float(y)) for x, y in full)


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseUp:
    """
    A part of a photo at its own scale, oriented as in the file.

    Parameters
    ----------
    rgb_u8 : numpy.ndarray of uint8, shape (height, width, 3)
        Its pixels, as in `Photo`.
    from_photo : numpy.ndarray of float64, shape (3, 3)
        Homography from pixels of the photo to those of the part, both with the middle of the first at (0, 0).
    times : float
        Pixels of the part per working pixel along a side [-].
    """

    rgb_u8: NDArray[np.uint8]
    from_photo: Floats = field(default_factory=lambda: np.eye(3))
    times: float = 1.0


def load_photo(source: Source) -> Photo:
    """
    Load a photo from a phone or camera: JPEG, PNG, HEIC, TIFF or WebP.

    Parameters
    ----------
    source : path, or numpy.ndarray of uint8 or float, shape (height, width, 3)
        The file, or an upright picture in sRGB codes 0..255 or sRGB-encoded values 0..1, which has no time.

    Returns
    -------
    Photo
        Upright pixels of the first frame. A long side much above 2016 px is reduced to that.

    Raises
    ------
    colorread.errors.Refusal
        ``"no-file"``, ``"not-a-photo"``, ``"broken-file"``, ``"too-large"`` or ``"too-small"``.
    OSError, MemoryError
        If the machine is at fault, not the photo.
    ValueError
        If an array has another shape, type or range.
    """
    if isinstance(source, np.ndarray):
        return _photo_from_array(source)
    with open_file(Path(source)) as file, refusing_broken_files():
        image = open_image(file)
        stored_size = image.size
        require_readable_size(stored_size)
        require_sound(image, file)
        pixels = _decode(image, file, _WORKING_SIDE_PX)
        if image.format in JPEG_FORMATS:
            require_no_jump(pixels, image, stored_size[0])
        tags = read_exif(image)
        rgb_u8, color_space = _rgb_in_working_space(pixels, image.info)
        rgb_u8 = _upright(_shrink(rgb_u8, stored_size), tags.get(ExifTags.Base.Orientation))
        file_time_s = os.fstat(file.fileno()).st_mtime
    taken_at, time_source = time_taken(tags, file_time_s)
    rgb_u8.setflags(write=False)
    return Photo(
        rgb_u8=rgb_u8,
        color_space=color_space,
        scale=max(rgb_u8.shape[:2]) / max(stored_size),
        taken_at=taken_at,
        time_source=time_source,
        camera_model=model_in(tags),
    )


def _photo_from_array(rgb: NDArray[Any]) -> Photo:
    is_encoded = rgb.dtype == np.uint8
    if np.issubdtype(rgb.dtype, np.floating):
        is_encoded = bool(((rgb >= 0.0) & (rgb <= 1.0)).all())  # NaN fails both
    if rgb.ndim != 3 or rgb.shape[2] != 3 or not is_encoded:
        wanted = "an array of shape (height, width, 3) of uint8, or of floating-point values within 0..1"
        raise ValueError(f"Expected {wanted}, got {rgb.dtype} of shape {rgb.shape}.")
    size = rgb.shape[1], rgb.shape[0]
    require_readable_size(size)
    rgb_u8 = np.array(_shrink(_as_u8(rgb), size), order="C")
    rgb_u8.setflags(write=False)
    return Photo(rgb_u8=rgb_u8, color_space="srgb", scale=max(rgb_u8.shape[:2]) / max(size))


def load_close_up(source: Source, photo: Photo, around_px: Floats, times: float) -> CloseUp:
    """
    Load a part of a photo with more detail, as far as the full photo has it.

    Parameters
    ----------
    source : path or ndarray
        What the photo was loaded from.
    photo : Photo
        As loaded.
    around_px : numpy.ndarray of float64, shape (N, 2)
        Points that the part must contain [working px].
    times : float
        How much more detail is wanted along a side [-].

    Returns
    -------
    CloseUp
        The whole photo at working size if no more detail is wanted or available.

    Raises
    ------
    colorread.errors.Refusal, OSError, MemoryError
        As in `load_photo`.
    """
    # The full size may be a little less than a multiple of the working size.
    times = min(int(np.ceil(times)), int(1.0 / photo.scale + 0.05))
    if times <= 1:
        return CloseUp(rgb_u8=photo.rgb_u8)
    if isinstance(source, np.ndarray):
        return _cut_out(_as_u8(source), None, photo, around_px)
    with open_file(Path(source)) as file, refusing_broken_files():
        image = open_image(file)
        orientation = read_exif(image).get(ExifTags.Base.Orientation)
        pixels = _decode(image, file, times * _WORKING_SIDE_PX)
        part = _cut_out(pixels, orientation, photo, around_px)
        return replace(part, rgb_u8=_rgb_in_working_space(part.rgb_u8, image.info)[0])


def _cut_out(stored: NDArray[np.uint8], orientation: Any, photo: Photo, around_px: Floats) -> CloseUp:
    """Cut out the part of a stored picture that shows given points of the photo."""
    # The corners of the stored picture are numbered clockwise from the top left; turned upright, they show where each
    # corner of the photo is stored.
    (top_left, top_right), (_, bottom_right) = _upright(np.array([(0, 1), (3, 2)], np.uint8), orientation)
    corners = _corners_px(stored)[[top_left, top_right, bottom_right]]
    to_stored = np.vstack([cv2.getAffineTransform(_corners_px(photo.rgb_u8)[:3], corners), (0.0, 0.0, 1.0)])
    box_px = cv2.perspectiveTransform(around_px[None], to_stored)[0]
    last_px = np.array(stored.shape[1::-1]) - 1
    left, top = np.clip(np.floor(box_px.min(axis=0)), 0, last_px).astype(int)
    right, bottom = np.clip(np.ceil(box_px.max(axis=0)), 0, last_px).astype(int)
    to_stored[:2, 2] -= left, top
    part = stored[top : bottom + 1, left : right + 1].copy()  # a view would keep the whole picture in memory
    return CloseUp(rgb_u8=part, from_photo=to_stored, times=max(stored.shape[:2]) / max(photo.rgb_u8.shape[:2]))


def _corners_px(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the outer corners: top left, top right, bottom right, bottom left."""
    height, width = picture.shape[:2]
    return np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32) - 0.5


def _decode(image: ImageFile.ImageFile, file: BinaryIO, long_side_px: int) -> NDArray[np.uint8]:
    """Decode a picture, reduced so far that its long side is at most slightly below `long_side_px`."""
    if image.format not in JPEG_FORMATS:
        return np.asarray(decoded(image, least_side_px=long_side_px))
    # A photo 4000 px wide may be halved to 2000: that is four times as fast, and the card needs no more detail.
    long_px = min(round(0.95 * long_side_px), max(image.size))
    image.draft(None, (long_px, 1) if image.width >= image.height else (1, long_px))
    return decode_sound_jpeg(image, file)


def _upright(stored: NDArray[np.uint8], orientation: Any) -> NDArray[np.uint8]:
    """Turn a stored picture upright, given its EXIF orientation."""
    if orientation in _TRANSPOSED:
        stored = np.asarray(cv2.transpose(stored), dtype=np.uint8)
    flip = _FLIPS.get(orientation)
    return stored if flip is None else np.asarray(cv2.flip(stored, flip), dtype=np.uint8)


def _as_u8(rgb: NDArray[Any]) -> NDArray[np.uint8]:
    return np.asarray(rgb if rgb.dtype == np.uint8 else np.rint(rgb * 255.0), dtype=np.uint8)


def decoded(image: ImageFile.ImageFile, *, least_side_px: int | None = None) -> Image.Image:
    """
    Decode a picture to plain 8 bits.

    Parameters
    ----------
    image : PIL.ImageFile.ImageFile
        Opened, not decoded yet.
    least_side_px : int, optional
        Long side to average down to, by a whole factor; done before any copy is made, to save memory [px].

    Returns
    -------
    PIL.Image.Image
        In mode ``"RGB"`` and the color space of the file; transparent parts are white.
    """
    image.load()
    factor = 1 if least_side_px is None else max(image.size) // least_side_px
    pixels = image.reduce(factor) if factor > 1 and image.mode not in ("1", "P", "PA") else image
    if pixels.has_transparency_data:
        page = Image.new("RGBA", pixels.size, "white")
        page.alpha_composite(pixels.convert("RGBA"))
        pixels = page
    return pixels if pixels.mode == "RGB" else pixels.convert("RGB")


def icc_profile_of(info: Mapping[Any, Any]) -> bytes | None:
    """
    Return the profile that the pixels of a file need to keep their colors in another file.

    Parameters
    ----------
    info : mapping
        What Pillow found in the file besides the pixels: ``"icc_profile"`` and ``"nclx_profile"`` are used.

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


def _shrink(rgb_u8: NDArray[np.uint8], full_size: tuple[int, int]) -> NDArray[np.uint8]:
    """Average over areas down to the working size, unless the picture is hardly larger."""
    factor = _WORKING_SIDE_PX / max(full_size)
    size = max(1, round(full_size[0] * factor)), max(1, round(full_size[1] * factor))
    if factor * _WORTH_SHRINKING >= 1.0 or rgb_u8.shape[1::-1] == size:
        return rgb_u8
    return np.asarray(cv2.resize(rgb_u8, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _rgb_in_working_space(rgb_u8: NDArray[np.uint8], info: Mapping[Any, Any]) -> tuple[NDArray[np.uint8], ColorSpace]:
    """
    Return a picture in sRGB or Display P3.

    Pixels already in one of the two stay untouched. Those with any other profile are converted into Display P3
    (relative colorimetric), which covers all that phones show. Without a usable RGB profile a picture counts as sRGB.
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
