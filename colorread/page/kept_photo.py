"""Photos that the keeper wants to have kept, without anything that tells where or with which device they were taken."""

from __future__ import annotations

import io
import os
from pathlib import Path

from PIL import ExifTags, Image

from calibration.whole_file import write_whole
from colorread.log.paths import photo_path
from colorread.photo.color_profile import icc_profile_of
from colorread.photo.exif import TURNED_BY_READER, read_exif
from colorread.photo.file import open_file, open_image, refusing_broken_files
from colorread.photo.load import decoded

_QUALITY = 92
_IN_MAIN_DIRECTORY = (ExifTags.Base.Orientation, ExifTags.Base.Model, ExifTags.Base.DateTime)


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
    was = original.stat()  # the time of the file stands in where the photo itself tells none
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
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
    with open_file(original) as file, refusing_broken_files():
        image = open_image(file)
        pixels = decoded(image)
        found = read_exif(image)  # all that reading the photo again needs
        if image.format in TURNED_BY_READER:
            found.pop(ExifTags.Base.Orientation, None)
        kept = Image.Exif()
        times = kept.get_ifd(ExifTags.IFD.Exif)
        for tag, value in found.items():
            (kept if tag in _IN_MAIN_DIRECTORY else times)[tag] = value
        target = io.BytesIO()
        icc = icc_profile_of(image.info)
        pixels.info = {}  # comments and descriptions
        pixels.save(target, "JPEG", quality=_QUALITY, exif=kept.tobytes(), icc_profile=icc)
    return target.getvalue()
