"""Writes files whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
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
        if exists and stat.S_IMODE(part.stat().st_mode) != stat.S_IMODE(target.stat().st_mode):
            shutil.copymode(target, part)  # some drives give all files the same mode, and let nobody set it
        part.replace(target)
    except BaseException:
        with suppress(OSError):
            part.chmod(0o600)  # on Windows a file that cannot be written cannot be deleted either
        part.unlink(missing_ok=True)
        raise
