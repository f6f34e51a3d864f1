"""The log: tanks with their readings and notes in one SQLite file, and the files beside it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, replace
from datetime import MAXYEAR, MINYEAR, UTC, datetime
from pathlib import Path
from typing import Any, Literal, Self

import platformdirs

from colorread.log.database import LogError, LogFailure, open_database, transaction, translating_errors
from colorread.records import json_line, read_json, read_record
from colorread.result import Reading
from colorread.tank import Event, Tank, wall_clock
from colorread.words import counts_words

_FIELDS = ("tank", "sha256", "scored_at", "software", "settings_id", "profile_id", "reading", "picture")
_COLUMNS = "tank, sha256, scored_at, software, settings_id, profile_id, result"  # these fields without the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """
    A reading as the log keeps it.

    Parameters
    ----------
    sha256 : str
        Of the photo file, hexadecimal.
    tank : str
        Name of its tank.
    reading : Reading
        Read or refused.
    scored_at : datetime
        When it was read, with an offset.
    software : str
        Version that read it.
    settings_id : str
        Identifies everything it was read with.
    profile_id : str or None
        SHA-256 of the calibration profile.
    picture : bytes or None
        Small evidence picture, JPEG.
    """

    tank: str
    sha256: str
    scored_at: datetime
    software: str
    settings_id: str
    profile_id: str | None
    reading: Reading
    picture: bytes | None

    def __post_init__(self) -> None:
        if self.scored_at.utcoffset() is None:
            raise ValueError("The time at which a photo was read must have an offset.")

    def require_sound(self, what: str) -> None:
        """Raise ValueError if it could not be stored."""
        if not re.fullmatch("[0-9a-f]{64}", self.sha256):
            raise ValueError(f"The sha256 of {what} must be 64 hexadecimal digits.")
        for moment in (self.scored_at, self.reading.taken_at):
            if moment is not None and not MINYEAR < moment.year < MAXYEAR:  # days are added to it
                raise ValueError(
                    f"Its times must be in the years {MINYEAR + 1} to {MAXYEAR - 1}, not the year {moment.year}."
                )
        for name in ("software", "settings_id", "profile_id"):
            if not (getattr(self, name) or "").isprintable():  # an unpaired surrogate cannot be stored
                raise ValueError(f"The {name} of {what} must be printable.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """
    A damaged reading, note or tank.

    Parameters
    ----------
    tank : str
        Name of the tank.
    sha256 : str or None
        Of the photo or the note; None if the settings of the tank are damaged.
    photo : str
        Name of the photo, for people; empty for a tank and for a note.
    trouble : str
        What is wrong; one sentence.
    """

    tank: str
    sha256: str | None
    photo: str
    trouble: str


OnDamage = Callable[[Damage], None]


class Log:
    """
    An open log. Several processes may use the same file at once; each opens it for itself.

    A method that adds something returns once it is on disk. All methods raise `LogError` or `LogFailure`
    with one sentence.

    Parameters
    ----------
    path : path
        The file; created with its folder if missing, migrated if it has an older version.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        with translating_errors(self.path):
            self._connection = open_database(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit the changes of a ``with`` block, or roll back if it raises; nobody else writes meanwhile."""
        outermost = nullcontext() if self._connection.in_transaction else transaction(self._connection)
        with translating_errors(self.path), outermost:
            yield

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Read the log as it is now throughout a ``with`` block, whatever others write meanwhile."""
        with translating_errors(self.path), transaction(self._connection, "DEFERRED"):
            yield

    def tanks(self, on_damage: OnDamage | None = None) -> tuple[Tank, ...]:
        """Return all tanks by name; report those whose settings are damaged to `on_damage`."""
        tanks = []
        for name, settings in self._rows("SELECT name, settings FROM tank ORDER BY name"):
            with _reporting_damage(on_damage, tank=name):
                tanks.append(_tank(name, settings))
        return tuple(tanks)

    def tank(self, name: str) -> Tank:
        """Return a tank; the error for an unknown name lists the known ones."""
        found = self._rows("SELECT settings FROM tank WHERE name = ?", name)
        if not found:
            raise self._unknown(name)
        try:
            return _tank(name, found[0][0])
        except ValueError as error:
            raise LogFailure(f"{self.path} holds a damaged tank, {name}: {error}") from error

    def has_tank(self, name: str) -> bool:
        """Return whether there is a tank of that name."""
        return bool(self._rows("SELECT 1 FROM tank WHERE name = ?", name))

    def require_tank(self, name: str) -> None:
        """Raise the error of `tank` if there is no tank of that name."""
        if not self.has_tank(name):
            raise self._unknown(name)

    def add_tank(self, tank: Tank) -> None:
        """Add a tank with a new name."""
        with self.transaction():
            if self.has_tank(tank.name):
                raise LogError(f"The log already has a tank named {tank.name}; edit it or choose another name.")
            self.put_tank(tank)

    def put_tank(self, tank: Tank) -> None:
        """Add a tank, or replace its settings."""
        query = "INSERT INTO tank VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET settings = excluded.settings"
        self._rows(query, tank.name, json_line(tank))

    def rename_tank(self, name: str, new_name: str) -> None:
        """Give a tank, its readings and its notes a new name."""
        with self.transaction():
            self.add_tank(replace(self.tank(name), name=new_name))
            for table in ("reading", "event"):
                self._connection.execute(f"UPDATE {table} SET tank = ? WHERE tank = ?", (new_name, name))
            self._connection.execute("DELETE FROM tank WHERE name = ?", (name,))

    def held_words(self, name: str) -> str:
        """Return what the log has of a tank, such as ``3 readings and 1 note``; empty if nothing."""
        return counts_words(reading=self.count(name), note=self.count(name, "event"))

    def remove_tank(self, name: str, *, with_readings: bool = False) -> tuple[str, ...]:
        """Remove a tank, with readings and notes only if allowed; return the hashes of their photos."""
        with self.transaction():
            self.require_tank(name)
            if (held := self.held_words(name)) and not with_readings:
                raise LogError(f"The tank {name} has {held} in the log; delete them first, or together with it.")
            gone = self._rows("DELETE FROM reading WHERE tank = ? RETURNING sha256", name)
            self._connection.execute("DELETE FROM event WHERE tank = ?", (name,))
            self._connection.execute("DELETE FROM tank WHERE name = ?", (name,))
        return tuple(_text(sha256) for (sha256,) in gone)

    def add(self, entry: LogEntry) -> None:
        """Add a reading, replacing any of the same photo and tank."""
        taken_at = entry.reading.taken_at
        row = (
            entry.tank,
            entry.sha256,
            entry.reading.photo.encode("utf-8", "replace").decode("utf-8"),  # a file name may hold unpaired surrogates
            None if taken_at is None else wall_clock(taken_at).isoformat(timespec="microseconds"),
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

    def add_if_newer(self, entry: LogEntry) -> bool:
        """Add a reading unless the log has one of the same photo that is as new or newer; return whether added."""
        with self.transaction():
            known = self.entry(entry.tank, entry.sha256)
            is_later = known is None or known.scored_at < entry.scored_at
            if is_later:
                self.add(entry)
        return is_later

    def count(self, tank: str, table: Literal["reading", "event"] = "reading") -> int:
        """Return how many readings a tank has, refused photos included, or how many notes."""
        return int(self._rows(f"SELECT count(*) FROM {table} WHERE tank = ?", tank)[0][0])

    def has_photo(self, sha256: str) -> bool:
        """Return whether any tank has a reading of that photo."""
        return bool(self._rows("SELECT 1 FROM reading WHERE sha256 = ?", sha256))

    def entry(self, tank: str, sha256: str) -> LogEntry | None:
        """Return the reading of one photo without its picture; None if there is none, or a damaged one."""
        for row in self._rows(f"SELECT {_COLUMNS}, NULL FROM reading WHERE tank = ? AND sha256 = ?", tank, sha256):
            with suppress(ValueError):
                return _entry(row)
        return None

    def profile_ids(self) -> frozenset[str]:
        """Return the hashes of the profiles that readings were made with."""
        rows = self._rows("SELECT DISTINCT profile_id FROM reading WHERE profile_id NOTNULL")
        return frozenset(_text(profile_id) for (profile_id,) in rows)

    def version(self, tank: str) -> tuple[object, ...]:
        """Return what differs once a reading or note of a tank is added, replaced or deleted."""
        readings = self._rows("SELECT sha256, scored_at FROM reading WHERE tank = ? ORDER BY sha256", tank)
        return *readings, *self._rows("SELECT id FROM event WHERE tank = ? ORDER BY id", tank)

    def entries(
        self,
        tank: str | None = None,
        *,
        sha256s: Container[str] | None = None,
        with_pictures: bool = False,
        newest_first: bool = False,
        skip: int = 0,
        on_damage: OnDamage | None = None,
    ) -> Iterator[LogEntry]:
        """
        Yield the readings of a tank, or of all, by the time at which the photos were taken, then by name.

        Readings of unknown time come last in either order. Damaged ones are reported to `on_damage` and left out.
        Parsing takes most of the time: if only a few are needed, stop early, or choose by hashes or `skip`.
        """
        query = (
            f"SELECT {_COLUMNS}, {'picture' if with_pictures else 'NULL'}, photo FROM reading "
            f"WHERE tank = coalesce(?, tank) "
            f"ORDER BY wall_clock IS NULL, wall_clock {'DESC' if newest_first else 'ASC'}, photo, tank, sha256 "
            "LIMIT -1 OFFSET ?"
        )
        with translating_errors(self.path):
            for *row, photo in self._connection.execute(query, (tank, skip)):
                owner, sha256 = row[:2]
                if sha256s is None or sha256 in sha256s:
                    with _reporting_damage(on_damage, tank=owner, sha256=sha256, photo=photo):
                        yield _entry(row)

    def picture(self, tank: str, sha256: str) -> bytes | None:
        """Return the evidence picture of one photo, or None."""
        rows = self._rows("SELECT picture FROM reading WHERE tank = ? AND sha256 = ?", tank, sha256)
        return next((picture for (picture,) in rows if isinstance(picture, bytes)), None)

    def forget(self, tank: str, sha256s: Iterable[str]) -> tuple[str, ...]:
        """Delete readings of a tank by the hashes of their photos; return the hashes of those that were there."""
        with self.transaction():
            # Compared as shown: a damaged value may be bytes, or text that cannot be used in a query.
            rows = self._rows("SELECT rowid, tank, sha256 FROM reading")
            rows_of = {_text(sha256): row_id for row_id, owner, sha256 in rows if _text(owner) == tank}
            gone = [sha256 for sha256 in sha256s if sha256 in rows_of]
            self._connection.executemany("DELETE FROM reading WHERE rowid = ?", ((rows_of[each],) for each in gone))
        return tuple(gone)

    def add_event(self, tank: str, event: Event) -> bool:
        """Add a note of a tank unless the log has it; return whether it was added."""
        row = (tank, event.id, event.at.isoformat(timespec="minutes"), json_line(event))
        with self.transaction():
            self.require_tank(tank)
            return self._connection.execute("INSERT OR IGNORE INTO event VALUES (?, ?, ?, ?)", row).rowcount > 0

    def events(self, tank: str, on_damage: OnDamage | None = None) -> dict[str, Event]:
        """Return the notes of a tank by id, in order of time; report damaged ones to `on_damage`."""
        events = {}
        for event_id, text in self._rows("SELECT id, event FROM event WHERE tank = ? ORDER BY wall_clock, id", tank):
            with _reporting_damage(on_damage, tank=tank, sha256=event_id):
                events[_text(event_id)] = read_record(Event, "the note", read_json(text))
        return events

    def forget_events(self, tank: str, ids: Iterable[str]) -> int:
        """Delete notes of a tank by id; return how many there were."""
        query = "DELETE FROM event WHERE tank = ? AND id IN (?, CAST(? AS BLOB))"
        with self.transaction():
            return sum(self._connection.execute(query, (tank, event_id, event_id)).rowcount for event_id in ids)

    def _rows(self, query: str, *values: str) -> list[tuple[Any, ...]]:
        storable = [value.encode("utf-8", "replace").decode("utf-8") for value in values]  # typed text may not be
        with translating_errors(self.path):
            return self._connection.execute(query, storable).fetchall()

    def _unknown(self, name: str) -> LogError:
        names = [known for (known,) in self._rows("SELECT name FROM tank ORDER BY name")]
        known = f"it has: {', '.join(names)}" if names else "it has none yet"
        return LogError(f"There is no tank named {name} in the log; {known}.")


def default_log_path() -> Path:
    """
    Return the path of the log if none is given.

    Returns
    -------
    Path
        From the environment variable COLORREAD_LOG, else a file in the user's data folder.
    """
    chosen = os.environ.get("COLORREAD_LOG")
    return Path(chosen) if chosen else platformdirs.user_data_path("colorread", appauthor=False) / "log.sqlite"


def photo_path(log_path: Path, sha256: str) -> Path:
    """
    Return where the photo of a reading is kept if the keeper saves it.

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
    Return the log in which earlier versions of the page kept readings until they were saved or discarded.

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
        Not in a transaction, because files are deleted only after the readings are.
    chosen : mapping of str to iterable of str
        Hashes of their photos, by tank.

    Returns
    -------
    int
        How many there were.

    Raises
    ------
    LogFailure
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
        Not in a transaction.
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
    LogError
        If there is no such tank, or it has readings that may not be deleted.
    LogFailure, Leftovers
        As `forget_readings`.
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
        raise Leftovers(f"The readings are deleted, but some of their files could not be: {', '.join(sorted(left))}.")


@contextmanager
def _reporting_damage(
    on_damage: OnDamage | None, *, tank: object, sha256: object = None, photo: object = ""
) -> Iterator[None]:
    """Report a ValueError within a ``with`` block as damage, and go on after the block."""
    try:
        yield
    except ValueError as error:
        if on_damage is not None:
            shown = None if sha256 is None else _text(sha256)
            on_damage(Damage(tank=_text(tank), sha256=shown, photo=_text(photo), trouble=str(error)))


def _tank(name: str, settings: str | bytes) -> Tank:
    tank = read_record(Tank, "the tank", read_json(settings))
    if tank.name != name:
        raise ValueError(f"Its settings are those of {tank.name}.")
    return tank


def _entry(row: Sequence[Any]) -> LogEntry:
    """Return an entry, checked like one from outside, since anyone may write to the file."""
    fields = dict(zip(_FIELDS, row, strict=True))
    return read_record(LogEntry, "the entry", fields | {"reading": read_json(fields["reading"])})


def _text(value: object) -> str:
    """Return a name or hash as text, even if damaged."""
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
