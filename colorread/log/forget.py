"""Readings are forgotten with all that belongs to them: photos that were kept, and what waits to be kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from colorread.log.paths import photo_path, undecided_path
from colorread.log.store import Log, LogFailure


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
        if not log.has_photo(sha256):
            try:
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
            f"The readings are forgotten, but these files that belong to them could not be deleted: "
            f"{', '.join(sorted(left))}."
        )
