"""The photos in a folder, told from the other files there by their content."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from colorread.errors import Refusal
from colorread.evidence import is_evidence
from colorread.photo import open_file, open_image, refusing_broken_files
from colorread.words import clean_name

_PHOTO_SUFFIXES = frozenset((".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"))


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFile:
    """
    A photo to be read.

    Parameters
    ----------
    path : Path
        Where it is.
    name : str
        What it is called in the log: its path within the folder, with slashes.
    """

    path: Path
    name: str


def find_photos(folder: Path, *, on_error: Callable[[OSError], None] | None = None) -> tuple[PhotoFile, ...]:
    """
    Find the photos in a folder and the folders in it.

    What holds no picture of a known format is passed over, unless its name says that it is a photo. Hidden files and
    folders are passed over, and so are the evidence pictures that this program draws.

    Parameters
    ----------
    folder : Path
        Where to look.
    on_error : callable, optional
        Is told of each folder that cannot be opened.

    Returns
    -------
    tuple of PhotoFile
        By name.
    """
    found = []
    for parent, folders, files in os.walk(folder, onerror=on_error):
        folders[:] = [name for name in folders if not name.startswith(".")]
        paths = (Path(parent, name) for name in files if not name.startswith("."))
        found += [PhotoFile(path=path, name=_name_in(path, folder)) for path in paths if _is_photo(path)]
    return tuple(sorted(found, key=lambda photo: photo.name))


def _is_photo(path: Path) -> bool:
    try:
        if not path.is_file() or is_evidence(path):  # neither pipes nor broken links
            return False
        if path.suffix.lower() in _PHOTO_SUFFIXES:
            return True
        with open_file(path) as file, refusing_broken_files():
            open_image(file)
    except (OSError, Refusal):
        return path.suffix.lower() in _PHOTO_SUFFIXES
    return True


def _name_in(path: Path, folder: Path) -> str:
    return clean_name(path.relative_to(folder).as_posix())
