"""The file of the log: how it is opened, brought up to date, and what is said where that fails."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Literal

_APPLICATION_ID = 0x436F6C52  # "ColR", so that no other program's file is taken for a log
_IN_MEMORY = ":memory:"  # what SQLite calls a database without a file
_LEAST_PAGE_BYTES = 512  # of SQLite: its file format, sqlite.org/fileformat2.html, from memory, not verified
_WAIT_S = 20.0  # a batch writes for milliseconds at a time; who waits longer than this waits for something that hangs
# Script i takes a file of version i to version i + 1; what has been released is never edited.
_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        # settings: JSON, schema colorread.tank/1
        "CREATE TABLE tank (name TEXT NOT NULL PRIMARY KEY, settings TEXT NOT NULL)",
        # sha256: of the photo file. photo: name for people. wall_clock: when it was taken on the tank's own clock, for
        # the order. result: JSON, schema colorread.reading/1, holds the time with its offset. scored_at: UTC.
        """CREATE TABLE reading (
            tank TEXT NOT NULL REFERENCES tank (name),
            sha256 TEXT NOT NULL,
            photo TEXT NOT NULL,
            wall_clock TEXT,
            result TEXT NOT NULL,
            scored_at TEXT NOT NULL,
            software TEXT NOT NULL,
            settings_id TEXT NOT NULL,
            profile_id TEXT,
            picture BLOB,
            PRIMARY KEY (tank, sha256)
        )""",
    ),
    (
        # id: SHA-256 of event. wall_clock: when it was, on the tank's own clock. event: JSON, schema colorread.event/1
        """CREATE TABLE event (
            tank TEXT NOT NULL REFERENCES tank (name),
            id TEXT NOT NULL,
            wall_clock TEXT NOT NULL,
            event TEXT NOT NULL,
            PRIMARY KEY (tank, id)
        )""",
    ),
)
_NOT_WRITABLE = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
_TROUBLE = {
    sqlite3.SQLITE_BUSY: f"is kept busy by another program for more than {_WAIT_S:g} s; try again when that is done.",
    sqlite3.SQLITE_FULL: "could not be written: the disk is full. Free some space and try again.",
    sqlite3.SQLITE_READONLY: "may not be written; check the rights of the file and its folder.",
    sqlite3.SQLITE_CANTOPEN: "could not be opened; check that it is a file in a writable folder.",
    sqlite3.SQLITE_CORRUPT: "is damaged; put a copy of it in its place, or start a new one and import an export.",
    sqlite3.SQLITE_NOTADB: "is no log of this program; choose another file.",
}


class LogError(ValueError):
    """What was asked of a log cannot be done; one sentence."""


class LogFailure(LogError):  # noqa: N818 - an error by its base
    """The file of the log cannot be used, be it locked, damaged or on a full disk; one sentence."""


class DiskFull(LogFailure):
    """There is no room for what was to be written; one sentence."""


@contextmanager
def telling(path: Path) -> Iterator[None]:
    """
    Turn errors of SQLite within a ``with`` block into one sentence for people.

    Parameters
    ----------
    path : Path
        The file, for the sentence.

    Raises
    ------
    LogFailure
        For any error but wrong use.
    """
    try:
        yield
    except sqlite3.ProgrammingError:  # wrong use, such as a closed log
        raise
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        kind = DiskFull if code == sqlite3.SQLITE_FULL else LogFailure
        raise kind(f"The log {path} {_TROUBLE.get(code, f'could not be used: {error}.')}") from error


@contextmanager
def transaction(connection: sqlite3.Connection, kind: Literal["IMMEDIATE", "DEFERRED"] = "IMMEDIATE") -> Iterator[None]:
    """Keep all changes within a ``with`` block or, where it raises, none; nobody else writes from its begin on."""
    connection.execute(f"BEGIN {kind}")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # on a full disk SQLite has rolled back by itself
            connection.execute("ROLLBACK")
        raise


def open_database(path: Path) -> sqlite3.Connection:
    """
    Open the file of a log.

    Parameters
    ----------
    path : Path
        Made with its folder where there is none, brought up to date where it is of an older version; opened to be read
        alone where it lies in a folder that may not be written.

    Returns
    -------
    sqlite3.Connection
        Without transactions of its own making.

    Raises
    ------
    LogFailure
        If it is no log, or one of a later version.
    sqlite3.Error
        For `telling`.
    """
    if str(path) != _IN_MEMORY:
        with suppress(OSError):  # SQLite says what is wrong
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            os.close(os.open(path, os.O_CREAT | os.O_EXCL, 0o600))  # what SQLite writes beside it has the same rights
    if not _may_be_database(path):
        raise LogFailure(f"The log {path} {_TROUBLE[sqlite3.SQLITE_NOTADB]}")
    try:
        return _opened(path, str(path))
    except sqlite3.OperationalError as error:
        # In a folder that may not be written the file is read as it lies there, but for one beside which another
        # program has left changes that would be missing.
        if error.sqlite_errorcode & 0xFF not in _NOT_WRITABLE or not path.is_file() or _has_changes_beside(path):
            raise
        return _opened(path, f"{path.absolute().as_uri()}?mode=ro&immutable=1")


def _has_changes_beside(path: Path) -> bool:
    changes = path.with_name(f"{path.name}-wal")
    return changes.exists() and changes.stat().st_size > 0


def _opened(path: Path, address: str) -> sqlite3.Connection:
    # The parameter isolation_level leaves transactions to us.
    connection = sqlite3.connect(address, timeout=_WAIT_S, isolation_level=None, uri=address != str(path))
    connection.text_factory = lambda text: text.decode("utf-8", "replace")  # one damaged text must not hide the rest
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")  # a commit outlives a power cut
        connection.execute("PRAGMA secure_delete = ON")  # what is forgotten is gone from the file too
        _bring_up_to_date(connection, path)
        _let_readers_in(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _may_be_database(path: Path) -> bool:
    """
    Return whether SQLite may have the file; it takes one of less than a page for an empty one and writes over it.

    By its size alone: a process that closes a file of its own drops the locks that SQLite holds on it.
    """
    try:
        size = path.stat().st_size
    except OSError:  # there is none, or SQLite says what is wrong
        return True
    return size == 0 or size >= _LEAST_PAGE_BYTES


def _bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    if _stamp(connection) == (_APPLICATION_ID, len(_MIGRATIONS)):
        return
    with transaction(connection):  # whatever another process does, it does before or after this
        application_id, version = _stamp(connection)
        is_empty = connection.execute("SELECT 1 FROM sqlite_master").fetchone() is None
        is_new = is_empty and (application_id, version) == (0, 0)
        if application_id != _APPLICATION_ID and not is_new:
            raise LogFailure(f"The log {path} {_TROUBLE[sqlite3.SQLITE_NOTADB]}")
        if version > len(_MIGRATIONS):
            raise LogFailure(f"The log {path} was written by a later version of this program; install that version.")
        for script in _MIGRATIONS[version:]:
            for statement in script:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(_MIGRATIONS)}")


def _let_readers_in(connection: sqlite3.Connection) -> None:
    """Switch to write-ahead logging, in which who reads and who writes do not wait for each other."""
    if _pragma(connection, "journal_mode") == "wal":
        return
    # The switch fails at once where another process is busy with the new file. That is no harm: it lasts for good as
    # soon as one process succeeds, and the rollback journal is as safe.
    try:
        connection.execute("PRAGMA journal_mode = WAL").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_READONLY):
            raise


def _stamp(connection: sqlite3.Connection) -> tuple[int, int]:
    return _pragma(connection, "application_id"), _pragma(connection, "user_version")


def _pragma(connection: sqlite3.Connection, name: str) -> Any:
    return connection.execute(f"PRAGMA {name}").fetchone()[0]
