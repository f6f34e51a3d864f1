"""Files that appear whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


def write_whole(path: str | os.PathLike[str], data: bytes, *, mode: int = 0o666) -> None:
    """
    Write a file whole or not at all.

    Parameters
    ----------
    path : path
        The file; replaced where it exists, with its permissions kept. Of a link the file that it leads to.
    data : bytes
        What it holds.
    mode : int, default 0o666
        Permissions of a new file, of which the system takes away what it gives to no new file.

    Raises
    ------
    OSError
        If it cannot be written, or is no file, such as a device.
    """
    with writing_whole(path, mode=mode) as file:
        file.write(data)


@contextmanager
def writing_whole(path: str | os.PathLike[str], *, mode: int = 0o666) -> Iterator[BinaryIO]:
    """
    Write a file part by part in a ``with`` block; it appears at the end of the block, or not at all where that raises.

    Parameters
    ----------
    path, mode
        As for `write_whole`, as are the errors.

    Yields
    ------
    file object
        To write bytes to.
    """
    target = Path(os.path.realpath(path))
    exists = os.path.lexists(target)  # a link that goes round in a circle is there too
    if exists and not target.is_file():
        raise OSError(errno.EINVAL, "it is no regular file", str(target))
    part = target.with_name(f".{secrets.token_hex(8)}.part")  # of its own: the longest name leaves no room for more
    try:
        with open(part, "xb", opener=lambda name, flags: os.open(name, flags, mode)) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())  # else a power cut may leave the new name with nothing in it
        if exists:
            shutil.copymode(target, part)
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
