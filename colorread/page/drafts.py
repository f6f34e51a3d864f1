"""Readings that were neither kept nor discarded yet; they outlive a stop of the server."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from colorread.batch.photo_settings import are_current
from colorread.log.paths import photo_path, undecided_path
from colorread.log.store import Log, LogEntry
from colorread.page.kept_photo import keep_photo
from colorread.page.uploads import Upload
from colorread.tank.settings import Tank

_DRAFTS_MAX = 100  # of a tank; beyond that the oldest go
_ORIGINALS_MAX = 40  # photos that wait on the disk to be kept or not


class OutOfDate(ValueError):  # noqa: N818 - says what is wrong with a reading, not with the program
    """A reading that waits was made with other settings than there are now; one sentence."""


class Drafts:
    """
    Readings that wait for a decision, in a small log of their own beside the log.

    Parameters
    ----------
    log_path : Path
        The log.
    """

    def __init__(self, log_path: Path) -> None:
        self._log_path = log_path
        self.path = undecided_path(log_path)
        self._originals: dict[tuple[str, str], Upload] = {}
        self._lock = threading.Lock()

    def put(self, tank: Tank, entry: LogEntry, original: Upload) -> None:
        """Keep a reading until it is decided on; the photo itself as long as the server runs."""
        with Log(self.path) as log, log.transaction():
            log.put_tank(tank)
            log.add(entry)
            if log.count(tank.name) > _DRAFTS_MAX:
                entries = sorted(log.entries(tank.name), key=lambda draft: draft.scored_at)
                log.forget(tank.name, [draft.sha256 for draft in entries[:-_DRAFTS_MAX]])
        self._drop_original(tank.name, entry.sha256)
        with self._lock:
            self._originals[tank.name, entry.sha256] = original
            surplus = list(self._originals)[:-_ORIGINALS_MAX]
        for key in surplus:
            self._drop_original(*key)

    def entry(self, tank: str, sha256: str) -> LogEntry | None:
        """Return a reading that waits, or None."""
        with self._opened() as log:
            if log is None:
                return None
            found = log.entry(tank, sha256)
            return None if found is None else replace(found, picture=log.picture(tank, sha256))

    def entries(self, tank: str) -> list[LogEntry]:
        """Return all readings of a tank that wait, without their pictures."""
        with self._opened() as log:
            return [] if log is None else list(log.entries(tank))

    def has_original(self, tank: str, sha256: str) -> bool:
        """Return whether the photo itself is still here."""
        return (tank, sha256) in self._originals

    def keep(self, tank: str, sha256: str, *, with_photo: bool) -> LogEntry | None:
        """
        Put a reading into the log, unless one of the same photo that was made later is there.

        Parameters
        ----------
        tank, sha256 : str
            Which one.
        with_photo : bool
            Whether the photo itself is kept too, without place and serial numbers.

        Returns
        -------
        LogEntry or None
            None where it waits no more.

        Raises
        ------
        OutOfDate
            If it was read with other settings than those of the tank now.
        LogError
            If the tank is gone.
        """
        entry = self.entry(tank, sha256)
        if entry is None:
            return None
        original = self._originals.get((tank, sha256))
        # Both or none, and nobody removes the tank in between.
        with Log(self._log_path) as log, _no_photo_without_reading(self._log_path, sha256), log.transaction():
            if not are_current(entry.settings_id, log.tank(tank)):
                raise OutOfDate(
                    f"This reading is not kept, for the settings or the profile of {tank}, or this program, have "
                    "changed since the photo was read; discard it and send the photo again."
                )
            log.add_later(entry)
            if with_photo and original is not None:
                keep_photo(original.path, self._log_path, sha256)
        self.discard(tank, sha256)
        return entry

    def discard(self, tank: str, sha256: str) -> None:
        """Forget a reading that waits, and its photo."""
        with self._opened() as log:
            if log is not None:
                log.forget(tank, [sha256])
        self._drop_original(tank, sha256)

    @contextmanager
    def _opened(self) -> Iterator[Log | None]:
        if not self.path.exists():
            yield None
            return
        with Log(self.path) as log:
            yield log

    def _drop_original(self, tank: str, sha256: str) -> None:
        with self._lock:
            original = self._originals.pop((tank, sha256), None)
        if original is not None:
            original.remove()


@contextmanager
def _no_photo_without_reading(log_path: Path, sha256: str) -> Iterator[None]:
    """Delete a photo that was kept meanwhile where its reading is not, as on a full disk."""
    path = photo_path(log_path, sha256)
    was_there = path.exists()
    try:
        yield
    except BaseException:
        if not was_there:
            path.unlink(missing_ok=True)
        raise
