"""Photo files: formats, refusal of broken files, and metadata (time, phone and orientation)."""

from __future__ import annotations

import errno
import os
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import MAXYEAR, UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, Final

from PIL import ExifTags, Image, ImageFile

from colorread.errors import Refusal, refusal
from colorread.limits import EARLIEST_YEAR, TimeSource

# The decoders of these formats turn the picture upright themselves; doing so by EXIF would turn it twice.
_UPRIGHT_WHEN_DECODED: Final = frozenset(("HEIF", "TIFF"))

# Choices of this project: photos of common phones have up to 50 megapixels, those of some 108; on fewer than 300 pixels
# card and vial cannot be seen.
_MAX_PIXELS: Final = 120_000_000
_MIN_SIDE_PX: Final = 300

# How files in the formats of phones and cameras begin, as regular expressions.
_SIGNATURES: Final = {
    "JPEG": rb"\xff\xd8\xff",
    "PNG": rb"\x89PNG\r\n\x1a\n",
    "TIFF": rb"II\*\0|MM\0\*",
    "WEBP": rb"RIFF.{4}WEBP",
    "HEIF": rb".{4}ftyp(hei[cmsx]|hev[cmsx]|mif1|msf1)",
}
_PICTURE_MODES: Final = frozenset(("1", "L", "LA", "P", "PA", "RGB", "RGBA", "RGBX", "RGBa", "CMYK", "YCbCr"))

_TIMES_WITH_OFFSETS: Final = (
    (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
    (ExifTags.Base.DateTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
    (ExifTags.Base.DateTime, ExifTags.Base.OffsetTime),
)
_TAGS: Final = (ExifTags.Base.Orientation, ExifTags.Base.Model, *chain(*_TIMES_WITH_OFFSETS))


def open_file(path: Path) -> BinaryIO:
    """
    Open a file for reading.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    file object
        Open for reading bytes, to be closed by the caller.

    Raises
    ------
    colorread.errors.Refusal
        ``"no-file"``, or ``"not-a-photo"`` for a folder.
    """
    try:
        if path.exists() and not path.is_file():
            raise refusal("not-a-photo/no-file")
        return path.open("rb")
    except FileNotFoundError as error:
        raise refusal("no-file") from error
    except (OSError, ValueError) as error:
        raise refusal("no-file/closed") from error


@contextmanager
def refusing_broken_files() -> Iterator[None]:
    """
    Turn whatever decoders raise on arbitrary bytes into a refusal, and silence their warnings.

    Yields
    ------
    None
        Decode the file in the block.

    Raises
    ------
    colorread.errors.Refusal
        ``"broken-file"`` or ``"too-large"``, or what the block itself refused.
    OSError, MemoryError
        If the machine is at fault, not the file: a disk that fails, memory that runs out.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except (Refusal, MemoryError):
        raise
    except Image.DecompressionBombError as error:
        raise refusal("too-large/pixels", megapixels=_MAX_PIXELS // 1_000_000) from error
    except Exception as error:
        # System errors have a number, those of decoders do not; EINVAL comes from a seek to an impossible place.
        if isinstance(error, OSError) and error.errno not in (None, errno.EINVAL):
            raise
        raise refusal("broken-file") from error


def open_image(file: BinaryIO) -> ImageFile.ImageFile:
    """
    Read the header of a picture, not its pixels.

    Only the formats of phones and cameras are tried, so odd files do not reach rarely used decoders.

    Parameters
    ----------
    file : file object
        Open for reading bytes, at its start.

    Returns
    -------
    PIL.ImageFile.ImageFile
        Not decoded until it is loaded.

    Raises
    ------
    colorread.errors.Refusal
        ``"not-a-photo"``, or ``"broken-file"`` for an empty file.
    """
    head = file.read(16)
    file.seek(0)
    if not head:
        raise refusal("broken-file/empty")
    kind = next((kind for kind, signature in _SIGNATURES.items() if re.match(signature, head, re.DOTALL)), None)
    image: ImageFile.ImageFile
    if kind == "HEIF":
        from pillow_heif import HeifImageFile  # slow to import, and most photos are JPEG

        image = HeifImageFile(file)  # type: ignore[no-untyped-call]
    elif kind is not None:
        with warnings.catch_warnings():
            if kind == "TIFF":
                # Profile and orientation may come after the pixels; if the file was cut off before them, Pillow only
                # warns.
                warnings.filterwarnings("error", module=r"PIL\.TiffImagePlugin")
                warnings.filterwarnings("ignore", "Metadata Warning")
            image = Image.open(file, formats=[kind])
    if kind is None or image.mode not in _PICTURE_MODES:
        raise refusal("not-a-photo")
    return image


def require_readable_size(size: tuple[int, int]) -> None:
    """
    Refuse pictures too large to be decoded, or too small to show card and vial.

    Parameters
    ----------
    size : tuple of int
        Width and height by the header [px].

    Raises
    ------
    colorread.errors.Refusal
        ``"too-large"`` or ``"too-small"``.
    """
    if size[0] * size[1] > _MAX_PIXELS:
        raise refusal("too-large/pixels", megapixels=_MAX_PIXELS // 1_000_000)
    if min(size) < _MIN_SIDE_PX:
        raise refusal("too-small", width=size[0], height=size[1], least=_MIN_SIDE_PX)


def read_exif(image: Image.Image) -> dict[int, Any]:
    """
    Return the tags needed to read a photo: orientation, model, and times with their offsets.

    Parameters
    ----------
    image : PIL.Image.Image
        Decoded, as some formats store the tags after the pixels.

    Returns
    -------
    dict of int to object
        Values by tag, without damaged ones; the orientation only if the decoder leaves it to others.
    """
    tags: dict[int, Any] = {}
    with suppress(Exception):
        main = image.getexif()
        for directory in (main, main.get_ifd(ExifTags.IFD.Exif)):
            for tag in _TAGS:
                with suppress(Exception):
                    tags[tag] = directory[tag]
    if image.format in _UPRIGHT_WHEN_DECODED:
        tags.pop(ExifTags.Base.Orientation, None)
    return tags


def time_taken(tags: Mapping[int, Any], file_time_s: float) -> tuple[datetime | None, TimeSource]:
    """
    Return when a photo was taken.

    Parameters
    ----------
    tags : mapping of int to object
        From `read_exif`.
    file_time_s : float
        When the file was last modified, used if the tags have no time [s since 1970].

    Returns
    -------
    taken_at : datetime.datetime or None
        Without a time zone if the camera did not store one; times before 1990, of clocks never set, are ignored.
    time_source : {"exif with offset", "exif without offset", "file time", "unknown"}
        Where it comes from.
    """
    for time_tag, offset_tag in _TIMES_WITH_OFFSETS:
        with suppress(ValueError):
            taken_at = datetime.strptime(_clean_text(tags.get(time_tag)), "%Y:%m:%d %H:%M:%S")
            if not EARLIEST_YEAR <= taken_at.year < MAXYEAR:
                continue
            with suppress(ValueError):
                zone = datetime.strptime(_clean_text(tags.get(offset_tag)), "%z").tzinfo
                return taken_at.replace(tzinfo=zone), "exif with offset"
            return taken_at, "exif without offset"
    with suppress(ValueError, OverflowError, OSError):
        changed_at = datetime.fromtimestamp(file_time_s, tz=UTC)
        if EARLIEST_YEAR <= changed_at.year < MAXYEAR:
            return changed_at.astimezone(), "file time"
    return None, "unknown"


def model_in(tags: Mapping[int, Any]) -> str | None:
    """
    Return the model of the phone or camera, never a serial number.

    Parameters
    ----------
    tags : mapping of int to object
        From `read_exif`.

    Returns
    -------
    str or None
        None if not stored.
    """
    return _clean_text(tags.get(ExifTags.Base.Model)) or None


def camera_model_of(path: str | os.PathLike[str]) -> str | None:
    """
    Return the phone or camera that took a photo, without decoding it.

    Parameters
    ----------
    path : str or os.PathLike
        The file.

    Returns
    -------
    str or None
        From EXIF; None if not stored, or if the file is not a photo.
    """
    try:
        with open_file(Path(path)) as file, refusing_broken_files():
            image = open_image(file)
            if image.format == "PNG" and "exif" not in image.info:
                return None  # reading tags that come after the pixels would mean decoding all of them
            return model_in(read_exif(image))
    except (OSError, Refusal):  # reported when the photo is read
        return None


def _clean_text(value: object) -> str:
    return "".join(c for c in value if c.isprintable()).strip() if isinstance(value, str) else ""
