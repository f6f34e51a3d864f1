"""Photos that were read just now, as they came: their keepers may want to have them kept too."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import replace
from pathlib import Path

from colorread.page.uploads import Upload

_COUNT_MAX = 10  # the oldest go first
_KEPT_S = 600.0  # in which a keeper sees the reading and decides


class Originals:
    """Photos by their tanks and hashes, in the working folder of the server."""

    def __init__(self) -> None:
        self._uploads: dict[tuple[str, str], Upload] = {}
        self._lock = threading.Lock()

    def put(self, tank: str, upload: Upload, folder: Path) -> None:
        """Move a photo into a folder of its own, in place of what has been there longest."""
        kept = replace(upload, path=upload.path.rename(folder / "photo"))
        self.drop(tank, upload.sha256)
        with self._lock:
            self._uploads[tank, upload.sha256] = kept
            surplus = list(self._uploads)[:-_COUNT_MAX]
        for key in surplus:
            self.drop(*key)
        asyncio.get_running_loop().call_later(_KEPT_S, self.drop, tank, upload.sha256)

    def path(self, tank: str, sha256: str) -> Path | None:
        """Return where a photo is, or None where it is not here any more."""
        upload = self._uploads.get((tank, sha256))
        return None if upload is None or not upload.path.exists() else upload.path

    def drop(self, tank: str, sha256: str | None = None) -> None:
        """Delete a photo, or all of a tank."""
        with self._lock:
            chosen = [key for key in self._uploads if key[0] == tank and sha256 in (None, key[1])]
            uploads = [self._uploads.pop(key) for key in chosen]
        for upload in uploads:
            upload.remove()
