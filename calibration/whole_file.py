"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

_NAME_MAX = 100


def write_whole(path: str | os.PathLike[str], data: bytes) -> None:
    """
    Write a file whole or not at all.

    Parameters
    ----------
    path : path
        The file; replaced where it exists.
    data : bytes
        What it holds.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    target = Path(path)
    descriptor, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:_NAME_MAX]}.", suffix=".part")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
        Path(name).chmod(0o644)  # mkstemp makes files private
        Path(name).replace(target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
