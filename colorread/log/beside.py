"""Where the log and the files beside it are, and deleting readings with all that belongs to them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

import platformdirs

from colorread.log.database import LogFailure
from colorread.log.store import Log


def default_log_path() -> Path:
    """
    Return the path of the log if none is given.

    Returns
    -------
    Path
        From the environment variable COLORREAD_LOG, else a file in the user's data folder.
    """
    stated = os.environ.get("COLORREAD_LOG")
    return Path(stated) if stated else platformdirs.user_data_path("colorread", appauthor=False) / "log.sqlite"


def photo_path(log_path: Path, sha256: str) -> Path:
    """
    Return where the photo of a reading is kept, if wanted.

    Parameters
    ----------
    log_path : Path
        The log.
    sha256 : str
        Hash of the original photo.

    Returns
    -------
    Path
        In a folder beside the log.
    """
    return log_path.with_name(f"{log_path.stem}-photos") / f"{sha256}.jpg"


def phones_folder(log_path: Path) -> Path:
    """
    Return the folder of the default profiles of phones.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    Path
        Beside the log.
    """
    return log_path.with_name(f"{log_path.stem}-phones")


def undecided_path(log_path: Path) -> Path:
    """
    Return the log of readings that were neither kept nor discarded yet.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    Path
        Beside the log.
    """
    return log_path.with_name(f"{log_path.stem}-undecided{log_path.suffix}")


class Leftovers(LogFailure):
    """Files of deleted readings that could not be deleted; one sentence."""


def forget_readings(log: Log, chosen: Mapping[str, Iterable[str]]) -> int:
    """
    Delete readings for good, with their kept photos and undecided readings of the same photos.

    Parameters
    ----------
    log : Log
        Outside a transaction, as files are deleted only after the readings are.
    chosen : mapping of str to iterable of str
        Hashes of their photos, by tank.

    Returns
    -------
    int
        How many there were.

    Raises
    ------
    LogError
        If they could not be deleted; all are still there.
    Leftovers
        If they are deleted, but not all their files.
    """
    with log.transaction():
        gone = {tank: log.forget(tank, sha256s) for tank, sha256s in chosen.items()}
    _clear_up(log, gone)
    return sum(map(len, gone.values()))


def forget_tank(log: Log, name: str, *, with_readings: bool = False) -> int:
    """
    Remove a tank for good, with its undecided readings, and with its readings and their kept photos if allowed.

    Parameters
    ----------
    log : Log
        Outside a transaction.
    name : str
        The tank.
    with_readings : bool, default False
        Whether its readings may be deleted.

    Returns
    -------
    int
        How many readings it had.

    Raises
    ------
    LogError, Leftovers
        As `forget_readings`; also if there is no such tank, or it has readings that may not be deleted.
    """
    gone = log.remove_tank(name, with_readings=with_readings)
    _clear_up(log, {name: gone}, removed=name)
    return len(gone)


def _clear_up(log: Log, gone: Mapping[str, Iterable[str]], *, removed: str | None = None) -> None:
    """Delete the files of deleted readings, by tank, and all undecided readings of a removed tank."""
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
            with Log(undecided) as undecided_log, undecided_log.transaction():
                for tank, sha256s in gone.items():
                    undecided_log.forget(tank, sha256s)
                if removed is not None and undecided_log.has_tank(removed):
                    undecided_log.remove_tank(removed, with_readings=True)
    except LogFailure:
        left.append(str(undecided))
    if left:
        raise Leftovers(
            "The readings are forgotten, but these files that belong to them could not be deleted: "
            f"{', '.join(sorted(left))}."
        )
