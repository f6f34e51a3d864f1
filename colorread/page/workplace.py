"""The folder in which photos are while they are received and read, and how much of the disk they may take."""

from __future__ import annotations

import asyncio
import errno
import secrets
import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from colorread.page.network import listen

_BYTES_MAX = 1 << 30  # 25 of the largest photos, some hundred of common ones


class Workplace:
    """
    A folder beside the log that belongs to one server: no other listens at its address.

    What a server that was killed left behind, photos with their place among it, is cleared by the next one.

    Parameters
    ----------
    log_path : Path
        The log.
    host : str
        Address that the server listens on.
    port : int
        Port that it listens on.
    tell : callable
        Is called with a sentence for whoever runs the server.
    """

    def __init__(self, log_path: Path, host: str, port: int, tell: Callable[[str], None]) -> None:
        self._all = log_path.with_name(f"{log_path.stem}-uploads")
        self.path = self._all / f"{host}-{port}"
        self._tell = tell
        self._free = _BYTES_MAX
        self._changed = asyncio.Condition()
        left = [folder for folder in self._all.glob("*-*") if folder == self.path or not _is_served(folder.name)]
        count = sum(len(list(folder.iterdir())) for folder in left)
        for folder in left:
            shutil.rmtree(folder)
        if count:
            tell(f"Photos that a server before had left behind were deleted: {count}.")
        self._make()

    def new_folder(self) -> Path:
        """Return a new folder, in a working folder that is made anew where somebody cleared it away."""
        folder = self.path / secrets.token_hex(16)
        try:
            folder.mkdir(mode=0o700)
        except FileNotFoundError:
            self._make()
            self._tell(f"The folder {self.path} was missing and has been recreated.")
            folder.mkdir(mode=0o700)
        return folder

    @asynccontextmanager
    async def room(self, n_bytes: int) -> AsyncIterator[None]:
        """Take room on the disk for what is received; wait while others have it."""
        async with self._changed:
            await self._changed.wait_for(lambda: n_bytes <= self._free)
            self._free -= n_bytes
        try:
            yield
        finally:
            async with self._changed:
                self._free += n_bytes
                self._changed.notify_all()

    def close(self) -> None:
        """Delete the folder with all that is in it."""
        shutil.rmtree(self.path, ignore_errors=True)

    def _make(self) -> None:
        for folder in (self._all, self.path):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def _is_served(name: str) -> bool:
    """Return whether a server listens at the address that a folder is named by."""
    host, _, port = name.rpartition("-")
    try:
        listen(host, int(port)).close()
    except (OSError, ValueError, OverflowError) as error:
        return isinstance(error, OSError) and error.errno == errno.EADDRINUSE
    return False
