"""The SQLite file of the log: opening it, migrating it, and its errors in words."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from mmap import PAGESIZE, mmap
from pathlib import Path, PurePath
from tempfile import TemporaryFile
from typing import Any, Literal

_APPLICATION_ID = 0x436F6C52  # "ColR", so that no other program's file is mistaken for a log
_IN_MEMORY = ":memory:"  # SQLite's name for a database without a file
_PAGE_BYTES_MIN = 512  # SQLite's file format, sqlite.org/fileformat2.html, from memory, not verified
_WAIT_S = 20.0  # a batch locks the file for milliseconds at a time, so a longer lock means that something hangs
# Script i, a list of statements, migrates a file from version i to version i + 1; a released script is never edited.
_MIGRATIONS = tuple(
    script.read_text(encoding="utf-8").split(";\n")[:-1]
    for script in sorted(Path(__file__).with_name("migrations").glob("*.sql"))
)
_NOT_WRITABLE = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
_NO_SHARED_MEMORY = (sqlite3.SQLITE_IOERR_SHMSIZE, sqlite3.SQLITE_IOERR_SHMMAP)  # no room, or not on this drive
_PROBLEMS = {
    sqlite3.SQLITE_BUSY: f"has been in use by another program for more than {_WAIT_S:g} s; try again when it is done.",
    sqlite3.SQLITE_FULL: "could not be written: the disk is full. Free some space and try again.",
    sqlite3.SQLITE_IOERR: "could not be read or written; check that its disk works and has free space.",
    sqlite3.SQLITE_READONLY: "cannot be written; check the permissions of the file and its folder, and free space.",
    sqlite3.SQLITE_CANTOPEN: "could not be opened; check that it is a file in a writable folder.",
    sqlite3.SQLITE_CORRUPT: "is damaged; replace it with a backup copy, or start a new one and import an export.",
    sqlite3.SQLITE_NOTADB: "is not a log of this program; choose another file.",
}


class LogError(ValueError):
    """A request that a log cannot fulfill; one sentence."""


class LogFailure(Exception):  # noqa: N818 - reads better where it is caught
    """A log whose file cannot be used, such as a locked or damaged one; one sentence."""


class DiskFull(LogFailure):
    """A log that cannot be written because the disk is full; one sentence."""


@contextmanager
def translating_errors(path: Path) -> Iterator[None]:
    """
    Raise errors of SQLite within a ``with`` block as `LogFailure` with one sentence for people.

    Parameters
    ----------
    path : Path
        The file, for the sentence.

    Raises
    ------
    LogFailure
        For any error of SQLite except `sqlite3.ProgrammingError`.
    """
    try:
        yield
    except sqlite3.ProgrammingError:  # a bug, such as the use of a closed log
        raise
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        kind = DiskFull if code == sqlite3.SQLITE_FULL else LogFailure
        raise kind(f"The log {path} {_PROBLEMS.get(code, f'could not be used: {error}.')}") from error


@contextmanager
def transaction(connection: sqlite3.Connection, kind: Literal["IMMEDIATE", "DEFERRED"] = "IMMEDIATE") -> Iterator[None]:
    """Commit the changes of a ``with`` block, or roll back if it raises; if immediate, nobody else writes meanwhile."""
    connection.execute(f"BEGIN {kind}")
    with connection:  # commits, or rolls back, also if the commit fails
        yield


def open_database(path: Path) -> sqlite3.Connection:
    """
    Open the file of a log.

    Parameters
    ----------
    path : Path
        Created with its folder if missing, migrated if it has an older version, opened read-only if it or its
        folder cannot be written.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode.

    Raises
    ------
    LogFailure
        If it is not a log, or has a later version.
    sqlite3.Error
        If it cannot be opened; see `translating_errors`.
    """
    if str(path) != _IN_MEMORY:
        with suppress(OSError):  # SQLite reports what is wrong
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            os.close(os.open(path, os.O_CREAT | os.O_EXCL, 0o600))  # files beside it get the same permissions
    with suppress(OSError):  # missing, or SQLite reports what is wrong
        # SQLite takes a file smaller than a page for an empty one and overwrites it. Only the size is checked, since
        # opening and closing the file would drop the locks that SQLite holds on it.
        if 0 < path.stat().st_size < _PAGE_BYTES_MIN:
            raise LogFailure(f"The log {path} {_PROBLEMS[sqlite3.SQLITE_NOTADB]}")
    as_it_is = f"{address_of(path.absolute())}?mode=ro&immutable=1"
    may_write = os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)
    if not may_write and _is_complete(path):
        # Otherwise SQLite creates files beside it with the same permissions, which would block later writing too.
        return _connect(path, as_it_is)
    try:
        return _connect(path, str(path))
    except sqlite3.OperationalError as error:
        code = error.sqlite_errorcode
        has_no_room_beside = code & 0xFF in _NOT_WRITABLE or code in _NO_SHARED_MEMORY
        if not has_no_room_beside or not _is_complete(path):
            raise
        return _connect(path, as_it_is)


def address_of(path: PurePath) -> str:
    """Return a file as SQLite is given it, which takes the name of a machine for part of a path only."""
    return re.sub("^file://(?=[^/])", "file:////", path.as_uri())


def _is_complete(path: Path) -> bool:
    """Return whether a file holds all changes; a program using it keeps some in a second file, which may vanish."""
    target = path.resolve()
    with suppress(OSError):
        if target.with_name(f"{target.name}-wal").stat().st_size > 0:
            return False
    return os.path.isfile(path)


def _connect(path: Path, address: str) -> sqlite3.Connection:
    connection = sqlite3.connect(address, timeout=_WAIT_S, isolation_level=None, uri=address != str(path))
    connection.text_factory = lambda text: text.decode("utf-8", "replace")  # a damaged text must not hide the rest
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")  # a commit survives a power cut
        connection.execute("PRAGMA secure_delete = ON")  # deleted data is erased from the file too
        _migrate(connection, path)
        _enable_write_ahead_log(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    if _stamp(connection) == (_APPLICATION_ID, len(_MIGRATIONS)):
        return
    with transaction(connection):  # other processes migrate before or after this
        application_id, version = _stamp(connection)
        is_empty = connection.execute("SELECT 1 FROM sqlite_master").fetchone() is None
        is_new = is_empty and (application_id, version) == (0, 0)
        if application_id != _APPLICATION_ID and not is_new:
            raise LogFailure(f"The log {path} {_PROBLEMS[sqlite3.SQLITE_NOTADB]}")
        if version > len(_MIGRATIONS):
            raise LogFailure(f"The log {path} was written by a later version of this program; install that version.")
        for script in _MIGRATIONS[version:]:
            for statement in script:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(_MIGRATIONS)}")


def _enable_write_ahead_log(connection: sqlite3.Connection, path: Path) -> None:
    """Switch to write-ahead logging, in which readers and writers do not block each other."""
    if _pragma(connection, "journal_mode") != "delete" or not _can_share_memory(path.resolve().parent):
        return
    # The switch fails at once if another process is using the new file. This is harmless: once any process succeeds
    # it is permanent, and the rollback journal protects data just as well.
    try:
        connection.execute("PRAGMA journal_mode = WAL").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_READONLY):
            raise


def _can_share_memory(folder: Path) -> bool:
    """Return whether processes can share memory by a file there, without which no log in that mode can be opened."""
    with suppress(OSError), TemporaryFile(dir=folder) as file:
        file.truncate(PAGESIZE)
        mmap(file.fileno(), PAGESIZE).close()
        return True
    return False


def _stamp(connection: sqlite3.Connection) -> tuple[int, int]:
    return _pragma(connection, "application_id"), _pragma(connection, "user_version")


def _pragma(connection: sqlite3.Connection, name: str) -> Any:
    return connection.execute(f"PRAGMA {name}").fetchone()[0]
