"""The files of evidence pictures: their names, and the mark by which they are known."""

from __future__ import annotations

import hashlib
import itertools
import os
from pathlib import Path

MARK = b"colorread evidence "
"""Stands in the head of every such picture."""
_HEAD_BYTES = 4096
_STEM_MAX_BYTES = 100  # with what is added well below 255, the longest name on most disks: common practice, no source


def place_for(photo: str, folder: Path) -> tuple[Path, bytes]:
    """
    Return where the picture of a photo goes, so that it replaces nothing but itself.

    Parameters
    ----------
    photo : str
        The photo as named by the user.
    folder : Path
        Where the picture shall be.

    Returns
    -------
    path : Path
        Named after the photo with ``-evidence``, and a number where another file has that name.
    mark : bytes
        For the head of the file: `MARK`, and a digest of the path of the photo, so that the picture can be given away
        without telling the folders of its owner.
    """
    mark = MARK + hashlib.sha256(os.fsencode(os.path.abspath(photo))).hexdigest().encode("ascii")
    stem = _short(Path(photo).stem)
    names = itertools.chain([f"{stem}-evidence.jpg"], (f"{stem}-evidence-{n}.jpg" for n in itertools.count(2)))
    path = next(path for path in map(folder.joinpath, names) if not path.exists() or _is_marked(path, mark))
    return path, mark


def is_evidence(path: Path) -> bool:
    """
    Return whether a file is an evidence picture, which must not be read as if it was a photo.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    bool
        By the mark in its head, not by its name.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    return _is_marked(path, MARK)


def _short(stem: str) -> str:
    while len(os.fsencode(stem)) > _STEM_MAX_BYTES:  # letters of three bytes are not cut within
        stem = stem[:-1]
    return stem


def _is_marked(path: Path, mark: bytes) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return mark in file.read(_HEAD_BYTES)
