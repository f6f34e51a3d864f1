"""Where the log is and what lies beside it; readings that are forgotten take with them what belongs to them there."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

import platformdirs

from colorread.log.database import LogFailure
from colorread.log.store import Log


def default_log_path() -> Path:
    """
    Return where the log is kept if nobody says otherwise.

    Returns
    -------
    Path
        What the environment variable COLORREAD_LOG says, else a file in the user's data folder.
    """
    stated = os.environ.get("COLORREAD_LOG")
    return Path(stated) if stated else platformdirs.user_data_path("colorread", appauthor=False) / "log.sqlite"


def photo_path(log_path: Path, sha256: str) -> Path:
    """
    Return where the photo of a reading is kept, if its keeper wants it kept.

    Parameters
    ----------
    log_path : Path
        The log.
    sha256 : str
        Of the photo as it came.

    Returns
    -------
    Path
        In a folder beside the log, under a name of our own.
    """
    return log_path.with_name(f"{log_path.stem}-photos") / f"{sha256}.jpg"


def phones_folder(log_path: Path) -> Path:
    """
    Return where the default profiles of phones are.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    Path
        A folder beside it.
    """
    return log_path.with_name(f"{log_path.stem}-phones")


def undecided_path(log_path: Path) -> Path:
    """
    Return where readings wait that were neither kept nor discarded yet.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    Path
        A small log beside it.
    """
    return log_path.with_name(f"{log_path.stem}-undecided{log_path.suffix}")


class Leftovers(LogFailure):
    """What belongs to readings that are forgotten could not be deleted; one sentence."""


def forget_readings(log: Log, chosen: Mapping[str, Iterable[str]]) -> int:
    """
    Delete readings for good, with photos that were kept and readings of the same photos that wait.

    Parameters
    ----------
    log : Log
        Outside of a transaction: what belongs to the readings goes once it is sure that they are gone.
    chosen : mapping of str to iterable of str
        Hashes of their photos, by tank.

    Returns
    -------
    int
        How many there were.

    Raises
    ------
    LogError
        If they could not be deleted; then all are there.
    Leftovers
        If they are gone, but not all that belongs to them.
    """
    with log.transaction():
        gone = {tank: log.forget(tank, sha256s) for tank, sha256s in chosen.items()}
    _clear_up(log, gone)
    return sum(map(len, gone.values()))


def forget_tank(log: Log, name: str, *, with_readings: bool = False) -> int:
    """
    Remove a tank for good, with all that waits for it, and with its readings and their kept photos if wanted.

    Parameters
    ----------
    log : Log
        Outside of a transaction.
    name : str
        The tank.
    with_readings : bool, default False
        Whether its readings may go with it.

    Returns
    -------
    int
        How many readings it had.

    Raises
    ------
    LogError, Leftovers
        As `forget_readings`; also where there is no such tank, or its readings may not go.
    """
    gone = log.remove_tank(name, with_readings=with_readings)
    _clear_up(log, {name: gone}, removed=name)
    return len(gone)


def _clear_up(log: Log, gone: Mapping[str, Iterable[str]], *, removed: str | None = None) -> None:
    """Delete what belongs to readings that are gone, by tank, and all that waits for a tank that was removed."""
    left = []
    for sha256 in {sha256 for sha256s in gone.values() for sha256 in sha256s}:
        path = photo_path(log.path, sha256)
        try:
            if not log.has_photo(sha256):
                path.unlink(missing_ok=True)
        except OSError:
            left.append(str(path))
    undecided = undecided_path(log.path)
    try:
        if undecided.exists():
            with Log(undecided) as waiting, waiting.transaction():
                for tank, sha256s in gone.items():
                    waiting.forget(tank, sha256s)
                if removed is not None and waiting.has_tank(removed):
                    waiting.remove_tank(removed, with_readings=True)
    except LogFailure:
        left.append(str(undecided))
    if left:
        raise Leftovers(
            "The readings are forgotten, but these files that belong to them could not be deleted: "
            f"{', '.join(sorted(left))}."
        )
