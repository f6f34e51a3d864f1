"""Readings that earlier versions of the page left waiting to be kept or discarded: now all are kept at once."""

from __future__ import annotations

from pathlib import Path

from colorread.log import Log, undecided_path


def take_in_undecided(log_path: Path) -> int:
    """
    Put readings that still wait into the log, and delete the small log in which they waited.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    int
        How many there were of tanks that are in the log.

    Raises
    ------
    LogError
        If either cannot be used; then what waits stays.
    OSError
        If the small log cannot be deleted.
    """
    path = undecided_path(log_path)
    if not path.exists():
        return 0
    count = 0
    with Log(path) as waiting, Log(log_path) as log, log.transaction():
        for entry in waiting.entries(with_pictures=True):
            if log.has_tank(entry.tank):
                log.add_later(entry)
                count += 1
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)
    return count
