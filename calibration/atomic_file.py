"""Writes files whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


def write_atomic(path: str | os.PathLike[str], data: bytes, *, mode: int = 0o666) -> None:
    """
    Write a file whole or not at all.

    Parameters
    ----------
    path : path
        The file; an existing one is replaced and keeps its permissions. A link is followed.
    data : bytes
        The content.
    mode : int, default 0o666
        Permissions of a new file, before the umask.

    Raises
    ------
    OSError
        If it cannot be written, or is not a regular file (a device, say).
    """
    with atomic_writer(path, mode=mode) as file:
        file.write(data)


@contextmanager
def atomic_writer(path: str | os.PathLike[str], *, mode: int = 0o666) -> Iterator[BinaryIO]:
    """
    Write a file piece by piece in a ``with`` block; it appears at the end of the block, or not at all if that raises.

    Parameters
    ----------
    path, mode
        As in `write_atomic`, which raises the same errors.

    Yields
    ------
    file object
        To write bytes to.
    """
    target = Path(os.path.realpath(path))
    exists = os.path.lexists(target)  # true for a circular link too
    if exists and not target.is_file():
        raise OSError(errno.EINVAL, "it is not a regular file", str(target))
    part = target.with_name(f".{secrets.token_hex(8)}.part")  # the longest names leave no room for a suffix
    try:
        with open(part, "xb", opener=lambda name, flags: os.open(name, flags, mode)) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())  # or a power cut may leave an empty file under the new name
        if exists:
            shutil.copymode(target, part)
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
