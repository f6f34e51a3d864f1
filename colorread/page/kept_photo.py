"""Photos that the keeper wants to have kept, without anything that tells where or with which device they were taken."""

from __future__ import annotations

import io
import os
from pathlib import Path

from PIL import ExifTags, Image

from calibration import write_whole
from colorread.log import Log, photo_path
from colorread.photo import (
    TURNED_BY_READER,
    decoded,
    icc_profile_of,
    open_file,
    open_image,
    read_exif,
    refusing_broken_files,
)

_QUALITY = 92
_IN_MAIN_DIRECTORY = (ExifTags.Base.Orientation, ExifTags.Base.Model, ExifTags.Base.DateTime)


def keep_photo(original: Path, log_path: Path, tank: str, sha256: str) -> Path | None:
    """
    Keep a photo with its time, the model of the camera and its colors, and nothing else of what it says of itself.

    Parameters
    ----------
    original : Path
        Photo as it came, in a folder on the same disk as the log.
    log_path : Path
        The log.
    tank : str
        Whose it is.
    sha256 : str
        Of that photo.

    Returns
    -------
    Path or None
        The file; None where its reading is not in the log any more.

    Raises
    ------
    LogError, OSError
        If it cannot be kept.
    colorread.errors.Refusal
        If it is no photo.
    """
    path = photo_path(log_path, sha256)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    ready = original.with_name("kept.jpg")
    write_whole(ready, stripped(original), mode=0o600)
    was = original.stat()  # the time of the file stands in where the photo itself tells none
    os.utime(ready, ns=(was.st_atime_ns, was.st_mtime_ns))
    with Log(log_path) as log, log.transaction():  # nobody forgets the reading in between
        if log.entry(tank, sha256) is None:
            ready.unlink()
            return None
        ready.replace(path)
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
