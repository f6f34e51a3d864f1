"""What a photo file says of itself: when it was taken, by which phone, and which way up it is."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from datetime import MAXYEAR, UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

from PIL import ExifTags, Image

from colorread.errors import Refusal
from colorread.limits import EARLIEST_YEAR
from colorread.photo.file import open_file, open_image, refusing_broken_files

TimeSource = Literal["exif with offset", "exif without offset", "file time", "unknown"]

# The readers of these formats turn the picture themselves; turning by EXIF would turn it twice.
TURNED_BY_READER: Final = frozenset(("HEIF", "TIFF"))
_UPRIGHT: Final = 1

_TIMES_WITH_OFFSETS: Final = (
    (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
    (ExifTags.Base.DateTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
    (ExifTags.Base.DateTime, ExifTags.Base.OffsetTime),
)
_TAGS: Final = (
    ExifTags.Base.Orientation,
    ExifTags.Base.Model,
    *(t for pair in _TIMES_WITH_OFFSETS for t in pair),
)


def read_exif(image: Image.Image) -> dict[int, Any]:
    """
    Collect the tags that reading a photo needs: orientation, model, and times with their offsets.

    Parameters
    ----------
    image : PIL.Image.Image
        Decoded, as some formats keep the tags behind the pixels.

    Returns
    -------
    dict of int to object
        Values by tag; damaged ones are left out.
    """
    tags: dict[int, Any] = {}
    with suppress(Exception):
        main = image.getexif()
        _collect_tags(tags, main)
        _collect_tags(tags, main.get_ifd(ExifTags.IFD.Exif))
    return tags


def orientation_of(tags: Mapping[int, Any], format_name: str | None) -> Any:
    """
    Return how the stored picture has to be turned.

    Parameters
    ----------
    tags : mapping of int to object
        From `read_exif`.
    format_name : str or None
        Format of the file, as Pillow names it.

    Returns
    -------
    object
        1 to 8 as EXIF counts, 1 being upright, or whatever else a damaged file says.
    """
    return _UPRIGHT if format_name in TURNED_BY_READER else tags.get(ExifTags.Base.Orientation, _UPRIGHT)


def time_taken(tags: Mapping[int, Any], file_time_s: float) -> tuple[datetime | None, TimeSource]:
    """
    Return when a photo was taken.

    Parameters
    ----------
    tags : mapping of int to object
        From `read_exif`.
    file_time_s : float
        When the file was changed last, seconds since 1970; stands in where the tags tell no time [s].

    Returns
    -------
    taken_at : datetime.datetime or None
        Without a time zone if the camera did not say which; never of a year before 1990, which no clock that was set
        says.
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
        None where the tags do not say.
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
        As EXIF says; None where it does not, or where the file is no photo.
    """
    file_path = Path(path)
    try:
        with open_file(file_path) as file, refusing_broken_files():
            image = open_image(file)
            if image.format == "PNG" and "exif" not in image.info:
                return None  # or behind the pixels, for which all of them would be decoded
            return model_in(read_exif(image))
    except (OSError, Refusal):  # reading the photo says what is wrong
        return None


def _collect_tags(tags: dict[int, Any], directory: Mapping[int, Any]) -> None:
    for tag in _TAGS:
        with suppress(Exception):
            tags[tag] = directory[tag]


def _clean_text(value: object) -> str:
    return "".join(c for c in value if c.isprintable()).strip() if isinstance(value, str) else ""
