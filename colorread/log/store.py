"""The log: tanks and their readings in one SQLite file."""

from __future__ import annotations

import json
import os
from collections.abc import Container, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from colorread.log.database import DiskFull, LogError, LogFailure, open_database, telling, transaction
from colorread.log.paths import default_log_path
from colorread.reading import Reading
from colorread.reading_json import reading_from_dict, reading_to_json
from colorread.tank.series import wall_clock
from colorread.tank.settings import Tank
from colorread.tank.settings_json import tank_from_dict, tank_to_dict

__all__ = ["DiskFull", "Log", "LogEntry", "LogError", "LogFailure", "default_log_path"]

_COLUMNS = "sha256, tank, result, scored_at, software, settings_id, profile_id"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """
    A reading as it is kept.

    Parameters
    ----------
    sha256 : str
        Of the photo file, hexadecimal.
    tank : str
        Name of its tank.
    reading : Reading
        Read or refused.
    scored_at : datetime
        When it was read, in UTC.
    software : str
        Version that read it.
    settings_id : str
        Identifies everything that it was read with.
    profile_id : str or None
        SHA-256 of the calibration profile.
    picture : bytes or None
        Small evidence picture, JPEG.
    """

    sha256: str
    tank: str
    reading: Reading
    scored_at: datetime
    software: str
    settings_id: str
    profile_id: str | None
    picture: bytes | None

    def __post_init__(self) -> None:
        if self.scored_at.utcoffset() is None:
            raise ValueError("The time at which a photo was read must have an offset.")


class Log:
    """
    An open log. Several processes may use the same file at once; each opens it for itself.

    Whatever has been added is on the disk when the method returns. All methods raise `LogError` with one sentence.

    Parameters
    ----------
    path : path
        The file; made with its folder where there is none, brought up to date where it is of an older version.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        with telling(self.path):
            self._connection = open_database(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Keep all changes within a ``with`` block or, where it raises, none; nobody else writes meanwhile."""
        with telling(self.path):
            if self._connection.in_transaction:
                yield
                return
            with transaction(self._connection):
                yield

    def tanks(self) -> tuple[Tank, ...]:
        """Return all tanks by name."""
        with telling(self.path):
            rows = self._connection.execute("SELECT name, settings FROM tank ORDER BY name").fetchall()
        return tuple(self._tank(*row) for row in rows)

    def tank(self, name: str) -> Tank:
        """Return a tank; a name that is not known is answered with those that are."""
        with telling(self.path):
            row = self._connection.execute("SELECT name, settings FROM tank WHERE name = ?", (name,)).fetchone()
            if row is None:
                raise self._unknown(name)
        return self._tank(*row)

    def has_tank(self, name: str) -> bool:
        """Return whether there is a tank of that name."""
        with telling(self.path):
            return self._connection.execute("SELECT 1 FROM tank WHERE name = ?", (name,)).fetchone() is not None

    def add_tank(self, tank: Tank) -> None:
        """Add a tank whose name is new."""
        with self.transaction():
            if self.has_tank(tank.name):
                raise LogError(f"There is a tank named {tank.name} in the log already; edit it or choose another name.")
            self._connection.execute("INSERT INTO tank VALUES (?, ?)", (tank.name, _settings(tank)))

    def put_tank(self, tank: Tank) -> None:
        """Replace the settings of a tank, or add it."""
        with self.transaction():
            self._connection.execute(
                "INSERT INTO tank VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET settings = excluded.settings",
                (tank.name, _settings(tank)),
            )

    def rename_tank(self, name: str, new_name: str) -> None:
        """Give a tank and its readings another name, which must be new."""
        with self.transaction():
            self.add_tank(replace(self.tank(name), name=new_name))
            self._connection.execute("UPDATE reading SET tank = ? WHERE tank = ?", (new_name, name))
            self._connection.execute("DELETE FROM tank WHERE name = ?", (name,))

    def remove_tank(self, name: str, *, with_readings: bool = False) -> tuple[str, ...]:
        """Remove a tank, one that has readings only where they may go with it; return the hashes of their photos."""
        with self.transaction():
            if not self.has_tank(name):
                raise self._unknown(name)
            count = self.count(name)
            if count and not with_readings:
                raise LogError(f"The tank {name} has {count} readings in the log; say that they are to go with it.")
            gone = self._connection.execute("DELETE FROM reading WHERE tank = ? RETURNING sha256", (name,)).fetchall()
            self._connection.execute("DELETE FROM tank WHERE name = ?", (name,))
        return tuple(sha256 for (sha256,) in gone)

    def add(self, entry: LogEntry) -> None:
        """Keep a reading; another one of the same photo and tank is replaced."""
        taken_at = entry.reading.taken_at
        time = None if taken_at is None else wall_clock(taken_at).isoformat(timespec="microseconds")
        row = (
            entry.tank,
            entry.sha256,
            entry.reading.photo.encode("utf-8", "replace").decode("utf-8"),  # file names may hold what no text may
            time,
            reading_to_json(entry.reading),
            entry.scored_at.astimezone(UTC).isoformat(),
            entry.software,
            entry.settings_id,
            entry.profile_id,
            entry.picture,
        )
        with self.transaction():
            if not self.has_tank(entry.tank):
                raise self._unknown(entry.tank)
            self._connection.execute("INSERT OR REPLACE INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)

    def add_later(self, entry: LogEntry) -> bool:
        """Keep a reading unless there is one of the same photo and tank that was not made before it; say which."""
        with self.transaction():
            there = self.entry(entry.tank, entry.sha256)
            is_later = there is None or there.scored_at < entry.scored_at
            if is_later:
                self.add(entry)
        return is_later

    def count(self, tank: str) -> int:
        """Return how many readings a tank has, refused photos included."""
        with telling(self.path):
            row = self._connection.execute("SELECT count(*) FROM reading WHERE tank = ?", (tank,)).fetchone()
        return int(row[0])

    def has_photo(self, sha256: str) -> bool:
        """Return whether any tank has a reading of that photo."""
        with telling(self.path):
            row = self._connection.execute("SELECT 1 FROM reading WHERE sha256 = ?", (sha256,)).fetchone()
        return row is not None

    def entry(self, tank: str, sha256: str) -> LogEntry | None:
        """Return the reading of one photo without its picture, or None."""
        query = f"SELECT {_COLUMNS}, NULL FROM reading WHERE tank = ? AND sha256 = ?"
        with telling(self.path):
            row = self._connection.execute(query, (tank, sha256)).fetchone()
        return None if row is None else self._entry(row)

    def scored_at(self, tank: str) -> dict[str, datetime]:
        """Return when the photos of a tank were read, by their hashes."""
        query = "SELECT sha256, scored_at FROM reading WHERE tank = ? ORDER BY sha256"
        with telling(self.path):
            rows = self._connection.execute(query, (tank,)).fetchall()
        return {sha256: datetime.fromisoformat(text) for sha256, text in rows}

    def entries(
        self,
        tank: str | None = None,
        *,
        sha256s: Container[str] | None = None,
        with_pictures: bool = False,
        newest_first: bool = False,
        skip: int = 0,
    ) -> Iterator[LogEntry]:
        """
        Yield the readings of a tank, or of all, by the time at which the photos were taken, then by name.

        Each is made when it is asked for, which takes most of the time; who needs few stops early, names their hashes,
        or skips some. Those of unknown time are last either way.
        """
        query = (
            f"SELECT {_COLUMNS}, {'picture' if with_pictures else 'NULL'} FROM reading WHERE tank = coalesce(?, tank) "
            f"ORDER BY wall_clock IS NULL, wall_clock {'DESC' if newest_first else 'ASC'}, photo, tank, sha256 "
            "LIMIT -1 OFFSET ?"
        )
        with telling(self.path):
            for row in self._connection.execute(query, (tank, skip)):
                if sha256s is None or row[0] in sha256s:
                    yield self._entry(row)

    def picture(self, tank: str, sha256: str) -> bytes | None:
        """Return the evidence picture of one photo, or None."""
        query = "SELECT picture FROM reading WHERE tank = ? AND sha256 = ?"
        with telling(self.path):
            row = self._connection.execute(query, (tank, sha256)).fetchone()
        return None if row is None else row[0]

    def forget(self, tank: str, sha256s: Iterable[str]) -> tuple[str, ...]:
        """Delete readings of a tank by the hashes of their photos; return the hashes of those that were there."""
        query = "DELETE FROM reading WHERE tank = ? AND sha256 = ? RETURNING sha256"
        with self.transaction():
            gone = [row for sha256 in sha256s for row in self._connection.execute(query, (tank, sha256)).fetchall()]
        return tuple(sha256 for (sha256,) in gone)

    def _unknown(self, name: str) -> LogError:
        names = [row[0] for row in self._connection.execute("SELECT name FROM tank ORDER BY name")]
        known = f"it knows {', '.join(names)}" if names else "it has none yet"
        return LogError(f"There is no tank named {name} in the log; {known}.")

    def _tank(self, name: str, settings: str) -> Tank:
        try:
            return tank_from_dict(json.loads(settings))
        except ValueError as error:
            raise LogFailure(f"{self.path} holds a damaged tank, {name}: {error}") from error

    def _entry(self, row: tuple[str, str, str, str, str, str, str | None, bytes | None]) -> LogEntry:
        sha256, tank, result, scored_at, software, settings_id, profile_id, picture = row
        try:
            return LogEntry(
                sha256=sha256,
                tank=tank,
                reading=reading_from_dict(json.loads(result)),
                scored_at=datetime.fromisoformat(scored_at),
                software=software,
                settings_id=settings_id,
                profile_id=profile_id,
                picture=picture,
            )
        except ValueError as error:
            raise LogFailure(f"{self.path} holds a damaged reading of {tank}, {sha256[:12]}: {error}") from error


def _settings(tank: Tank) -> str:
    return json.dumps(tank_to_dict(tank), allow_nan=False)
