"""Photos of guided calibrations that were taken so far."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

from colorread.page.uploads import Upload
from colorread.profiles import Kind


class Calibrations:
    """Photos of calibrations that are not finished, by tank and kind; they go with the server."""

    def __init__(self) -> None:
        self._photos: dict[tuple[str, Kind], dict[str, Upload]] = {}
        self._lock = threading.Lock()

    def photos(self, tank: str, kind: Kind) -> dict[str, Upload]:
        """Return the photos so far by step."""
        with self._lock:
            photos = self._photos.get((tank, kind), {})
        return {step: upload for step, upload in photos.items() if upload.path.exists()}

    def put(self, tank: str, kind: Kind, step: str, upload: Upload, folder: Path) -> None:
        """Move the photo of a step into a folder of its own, in place of an earlier one."""
        path = upload.path.rename(folder / step)  # the profile tells of its photos by these names
        with self._lock:
            photos = self._photos.setdefault((tank, kind), {})
            earlier = photos.pop(step, None)
            photos[step] = replace(upload, path=path)
        if earlier is not None:
            earlier.remove()

    def clear(self, tank: str, kind: Kind | None = None) -> None:
        """Delete the photos of a calibration, or of all of a tank."""
        with self._lock:
            chosen = [key for key in self._photos if key[0] == tank and kind in (None, key[1])]
            uploads = [upload for key in chosen for upload in self._photos.pop(key).values()]
        for upload in uploads:
            upload.remove()
