"""The log: tanks with their readings and notes in one SQLite file."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from colorread.log.database import DiskFull, LogError, LogFailure, open_database, telling, transaction
from colorread.log.entry import LogEntry
from colorread.records import json_line, record_of
from colorread.tank import Event, Tank, wall_clock

__all__ = ["Damage", "DiskFull", "Log", "LogEntry", "LogError", "LogFailure"]

_COLUMNS = "tank, sha256, photo, result, scored_at, software, settings_id, profile_id"


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """
    A reading, a note or a tank that cannot be read back.

    Parameters
    ----------
    tank : str
        Name of the tank.
    sha256 : str or None
        Of the photo, or of the note; None where the settings of the tank are damaged.
    photo : str
        Name of the photo, for people; empty for a tank and for a note.
    trouble : str
        What is wrong, a sentence.
    """

    tank: str
    sha256: str | None
    photo: str
    trouble: str


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

    @contextmanager
    def standing_still(self) -> Iterator[None]:
        """See the log as it is now throughout a ``with`` block, whatever others write to it meanwhile."""
        with telling(self.path):
            if self._connection.in_transaction:
                yield
                return
            self._connection.execute("BEGIN")
            try:
                yield
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    def tanks(self, on_damage: Callable[[Damage], None] | None = None) -> tuple[Tank, ...]:
        """Return all tanks by name, but for those whose settings are damaged, of which `on_damage` is told."""
        with telling(self.path):
            rows = self._connection.execute("SELECT name, settings FROM tank ORDER BY name").fetchall()
        tanks = []
        for name, settings in rows:
            try:
                tanks.append(_tank(name, settings))
            except ValueError as error:
                if on_damage is not None:
                    on_damage(Damage(tank=_text(name), sha256=None, photo="", trouble=str(error)))
        return tuple(tanks)

    def tank(self, name: str) -> Tank:
        """Return a tank; a name that is not known is answered with those that are."""
        with telling(self.path):
            row = self._connection.execute("SELECT name, settings FROM tank WHERE name = ?", (name,)).fetchone()
            if row is None:
                raise self._unknown(name)
        try:
            return _tank(*row)
        except ValueError as error:
            raise LogFailure(f"{self.path} holds a damaged tank, {name}: {error}") from error

    def has_tank(self, name: str) -> bool:
        """Return whether there is a tank of that name."""
        with telling(self.path):
            return self._connection.execute("SELECT 1 FROM tank WHERE name = ?", (name,)).fetchone() is not None

    def require_tank(self, name: str) -> None:
        """Raise what `tank` raises for a name that is not known."""
        with telling(self.path):
            if not self.has_tank(name):
                raise self._unknown(name)

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
            for table in ("reading", "event"):
                self._connection.execute(f"UPDATE {table} SET tank = ? WHERE tank = ?", (new_name, name))
            self._connection.execute("DELETE FROM tank WHERE name = ?", (name,))

    def remove_tank(self, name: str, *, with_readings: bool = False) -> tuple[str, ...]:
        """Remove a tank, with readings and notes only where they may go with it; return the hashes of their photos."""
        with self.transaction():
            self.require_tank(name)
            query = "SELECT count(*) FROM event WHERE tank = ?"
            count, n_notes = self.count(name), self._connection.execute(query, (name,)).fetchone()[0]
            if (count or n_notes) and not with_readings:
                what = f"{count} readings" + (f" and {n_notes} notes" if n_notes else "")
                raise LogError(f"The tank {name} has {what} in the log; say that they are to go with it.")
            gone = self._connection.execute("DELETE FROM reading WHERE tank = ? RETURNING sha256", (name,)).fetchall()
            self._connection.execute("DELETE FROM event WHERE tank = ?", (name,))
            self._connection.execute("DELETE FROM tank WHERE name = ?", (name,))
        return tuple(_text(sha256) for (sha256,) in gone)

    def add(self, entry: LogEntry) -> None:
        """Keep a reading; another one of the same photo and tank is replaced."""
        taken_at = entry.reading.taken_at
        time = None if taken_at is None else wall_clock(taken_at).isoformat(timespec="microseconds")
        row = (
            entry.tank,
            entry.sha256,
            entry.reading.photo.encode("utf-8", "replace").decode("utf-8"),  # file names may hold what no text may
            time,
            json_line(entry.reading),
            entry.scored_at.astimezone(UTC).isoformat(),
            entry.software,
            entry.settings_id,
            entry.profile_id,
            entry.picture,
        )
        with self.transaction():
            self.require_tank(entry.tank)
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
        """Return the reading of one photo without its picture; None where there is none that can be read back."""
        query = f"SELECT {_COLUMNS}, NULL FROM reading WHERE tank = ? AND sha256 = ?"
        with telling(self.path):
            row = self._connection.execute(query, (tank, sha256)).fetchone()
        with suppress(ValueError):
            return None if row is None else _entry(row)
        return None

    def profile_ids(self) -> frozenset[str]:
        """Return the hashes of the profiles that readings were made with."""
        with telling(self.path):
            rows = self._connection.execute("SELECT DISTINCT profile_id FROM reading").fetchall()
        return frozenset(_text(profile_id) for (profile_id,) in rows if profile_id is not None)

    def scored_at(self, tank: str) -> dict[str, datetime]:
        """Return when the photos of a tank were read, by their hashes."""
        query = "SELECT sha256, scored_at FROM reading WHERE tank = ? ORDER BY sha256"
        with telling(self.path):
            rows = self._connection.execute(query, (tank,)).fetchall()
        times = {}
        for sha256, time in rows:
            with suppress(ValueError, TypeError):  # damage
                times[sha256] = datetime.fromisoformat(time)
        return times

    def entries(
        self,
        tank: str | None = None,
        *,
        sha256s: Container[str] | None = None,
        with_pictures: bool = False,
        newest_first: bool = False,
        skip: int = 0,
        on_damage: Callable[[Damage], None] | None = None,
    ) -> Iterator[LogEntry]:
        """
        Yield the readings of a tank, or of all, by the time at which the photos were taken, then by name.

        Each is made when it is asked for, which takes most of the time; who needs few stops early, names their hashes,
        or skips some. Those of unknown time are last either way. Those that are damaged are passed over, and
        `on_damage` is told of each.
        """
        query = (
            f"SELECT {_COLUMNS}, {'picture' if with_pictures else 'NULL'} FROM reading WHERE tank = coalesce(?, tank) "
            f"ORDER BY wall_clock IS NULL, wall_clock {'DESC' if newest_first else 'ASC'}, photo, tank, sha256 "
            "LIMIT -1 OFFSET ?"
        )
        with telling(self.path):
            for row in self._connection.execute(query, (tank, skip)):
                if sha256s is not None and row[1] not in sha256s:
                    continue
                try:
                    entry = _entry(row)
                except ValueError as error:
                    if on_damage is not None:
                        tank_name, sha256, photo = map(_text, row[:3])
                        on_damage(Damage(tank=tank_name, sha256=sha256, photo=photo, trouble=str(error)))
                    continue
                yield entry

    def picture(self, tank: str, sha256: str) -> bytes | None:
        """Return the evidence picture of one photo, or None."""
        query = "SELECT picture FROM reading WHERE tank = ? AND sha256 = ?"
        with telling(self.path):
            row = self._connection.execute(query, (tank, sha256)).fetchone()
        return row[0] if row is not None and isinstance(row[0], bytes) else None

    def forget(self, tank: str, sha256s: Iterable[str]) -> tuple[str, ...]:
        """Delete readings of a tank by the hashes of their photos; return the hashes of those that were there."""
        with self.transaction():
            # By the texts that were shown: what is damaged may be bytes, or text that cannot be written again.
            rows = self._connection.execute("SELECT rowid, tank, sha256 FROM reading").fetchall()
            rows_of = {_text(sha256): row_id for row_id, owner, sha256 in rows if _text(owner) == tank}
            gone = [sha256 for sha256 in sha256s if sha256 in rows_of]
            self._connection.executemany("DELETE FROM reading WHERE rowid = ?", ((rows_of[each],) for each in gone))
        return tuple(gone)

    def add_event(self, tank: str, event: Event) -> bool:
        """Keep what was noted of a tank, unless the same is there; return whether it is new."""
        row = (tank, event.id, event.at.isoformat(timespec="minutes"), json_line(event))
        with self.transaction():
            self.require_tank(tank)
            return self._connection.execute("INSERT OR IGNORE INTO event VALUES (?, ?, ?, ?)", row).rowcount > 0

    def events(self, tank: str, on_damage: Callable[[Damage], None] | None = None) -> dict[str, Event]:
        """Return what was noted of a tank by its id, in the order of time, but for what is damaged."""
        query = "SELECT id, event FROM event WHERE tank = ? ORDER BY wall_clock, id"
        with telling(self.path):
            rows = self._connection.execute(query, (tank,)).fetchall()
        events = {}
        for event_id, text in rows:
            try:
                events[_text(event_id)] = record_of(Event, "the note", _parsed(text))
            except ValueError as error:
                if on_damage is not None:
                    on_damage(Damage(tank=tank, sha256=_text(event_id), photo="", trouble=str(error)))
        return events

    def forget_events(self, tank: str, ids: Iterable[str]) -> int:
        """Delete what was noted of a tank by its ids; return how many were there."""
        query = "DELETE FROM event WHERE tank = ?1 AND id IN (?2, CAST(?2 AS BLOB))"
        with self.transaction():
            return sum(self._connection.execute(query, (tank, event_id)).rowcount for event_id in ids)

    def _unknown(self, name: str) -> LogError:
        names = [row[0] for row in self._connection.execute("SELECT name FROM tank ORDER BY name")]
        known = f"it has: {', '.join(names)}" if names else "it has none yet"
        return LogError(f"There is no tank named {name} in the log; {known}.")


def _tank(name: object, settings: str | bytes) -> Tank:
    tank = record_of(Tank, "the tank", _parsed(settings))
    if tank.name != name:
        raise ValueError(f"Its settings are those of {tank.name}.")
    return tank


def _entry(row: Sequence[Any]) -> LogEntry:
    """Return an entry, checked like one from outside: whoever opens the file may write anything into it."""
    tank, sha256, _, result, scored_at, software, settings_id, profile_id, picture = row
    return record_of(
        LogEntry,
        "the entry",
        {
            "tank": tank,
            "sha256": sha256,
            "scored_at": scored_at,
            "software": software,
            "settings_id": settings_id,
            "profile_id": profile_id,
            "reading": _parsed(result),
            "picture": picture,
        },
    )


def _parsed(text: str | bytes) -> object:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):  # nesting without end is damage too
        raise ValueError("It is no JSON.") from None


def _text(value: object) -> str:
    """Return a name or hash for people, whatever stands in its place."""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _settings(tank: Tank) -> str:
    return json_line(tank)
