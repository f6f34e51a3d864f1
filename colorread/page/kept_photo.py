"""Photos that the keeper wants to have kept, without anything that tells where or with which device they were taken."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import ExifTags, Image

from calibration.whole_file import write_whole
from colorread.log.paths import photo_path
from colorread.photo.file import open_file, open_image, refusing_broken_files

_QUALITY = 92
_TURNED_BY_READER = frozenset(("HEIF", "TIFF"))
# All that reading the photo again needs.
_TAGS = (ExifTags.Base.Model, ExifTags.Base.DateTime)
_TIME_TAGS = (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal)


def keep_photo(original: Path, log_path: Path, sha256: str) -> Path:
    """
    Keep a photo with its time, the model of the camera and its colors, and nothing else of what it says of itself.

    Parameters
    ----------
    original : Path
        Photo as it came.
    log_path : Path
        The log.
    sha256 : str
        Of that photo.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written.
    colorread.errors.Refusal
        If it is no photo.
    """
    path = photo_path(log_path, sha256)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_whole(path, stripped(original))
    return path


def stripped(original: Path) -> bytes:
    """
    Return a photo as JPEG without place, serial numbers, comments, previews and whatever lies behind its pixels.

    Parameters
    ----------
    original : Path
        Photo in any format that is read.

    Returns
    -------
    bytes
        The file.

    Raises
    ------
    colorread.errors.Refusal
        If it is no photo.
    """
    with open_file(original) as file, refusing_broken_files("The photo"):
        image = open_image(file, "The photo")
        image.load()
        found = image.getexif()
        times = found.get_ifd(ExifTags.IFD.Exif)
        kept = Image.Exif()
        if image.format not in _TURNED_BY_READER and ExifTags.Base.Orientation in found:
            kept[ExifTags.Base.Orientation] = found[ExifTags.Base.Orientation]
        for tag in _TAGS:
            if tag in found:
                kept[tag] = found[tag]
        kept.get_ifd(ExifTags.IFD.Exif).update({tag: times[tag] for tag in _TIME_TAGS if tag in times})
        target = io.BytesIO()
        icc = image.info.get("icc_profile")
        pixels = image if image.mode in ("RGB", "L") else image.convert("RGB")
        pixels.info = {}  # comments and descriptions
        pixels.save(target, "JPEG", quality=_QUALITY, exif=kept.tobytes(), icc_profile=icc)
    return target.getvalue()
