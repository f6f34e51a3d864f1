"""A log as lines of JSON, schema colorread.log/1, to keep, to move and to read back."""

from __future__ import annotations

import json
import reprlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, BinaryIO

from colorread.log.database import LogError
from colorread.log.store import Log, LogEntry, OnDamage
from colorread.records import json_line, record_of
from colorread.tank import Event, Tank

SCHEMA = "colorread.log/1"
_LONGEST_LINE_BYTES = 32_000_000  # a choice of this project: a hundred times that of a reading with its picture


@dataclass(slots=True, kw_only=True)
class Imported:
    """
    What an import did.

    Parameters
    ----------
    tanks, readings, notes : int
        How many are new in the log; a reading also if it was made later than the one of the same photo there.
    kept_tanks : list of str
        Tanks that are in the log with other settings, which were left as they are.
    kept_readings, kept_notes : int
        Readings and notes that the log had already.
    """

    tanks: int = 0
    readings: int = 0
    notes: int = 0
    kept_tanks: list[str] = field(default_factory=list)
    kept_readings: int = 0
    kept_notes: int = 0


def export_lines(log: Log, on_damage: OnDamage | None = None) -> Iterator[str]:
    """
    Yield a log as lines of JSON: what it is, tanks, notes, readings with their pictures in base64, and the counts.

    Parameters
    ----------
    log : Log
        As it is at the first line, whatever others write until the last one is out.
    on_damage : callable, optional
        Is told of what is damaged and left out.

    Yields
    ------
    str
        ASCII, each with its line break.
    """
    with log.standing_still():
        tanks, n_readings, n_notes = log.tanks(on_damage), 0, 0
        names = {tank.name for tank in tanks}
        yield _line(schema=SCHEMA)
        for tank in tanks:
            yield _line(tank=tank)
        for tank in tanks:
            for event in log.events(tank.name, on_damage).values():
                yield _line(note=_Noted(tank=tank.name, note=event))
                n_notes += 1
        for entry in log.entries(on_damage=on_damage):
            if entry.tank in names:
                yield _line(entry=replace(entry, picture=log.picture(entry.tank, entry.sha256)))
                n_readings += 1
        yield _line(end=_Counts(tanks=len(tanks), readings=n_readings, notes=n_notes))


def lines_in(file: BinaryIO) -> Iterator[bytes]:
    """
    Yield the lines of a file from its start, one at a time.

    Parameters
    ----------
    file : binary file
        Open, to be read as often as wanted.

    Yields
    ------
    bytes
        What is longer than any line of an export comes in pieces, which are no lines.
    """
    file.seek(0)
    return iter(partial(file.readline, _LONGEST_LINE_BYTES), b"")


def import_lines(log: Log, lines: Iterable[bytes]) -> Imported:
    """
    Add what `export_lines` gave to a log, all or nothing; doing it again changes nothing.

    Where both hold a reading of the same photo and tank, the one made later stays. Settings of a tank that is in the
    log stay as they are there.

    Parameters
    ----------
    log : Log
        Where to.
    lines : iterable of bytes
        Lines of JSON.

    Returns
    -------
    Imported
        What was added and what was kept.

    Raises
    ------
    LogError
        If a line is damaged or lacking, with its number; nothing has been added then.
    """
    done = Imported()
    with log.transaction():
        known = {tank.name: tank for tank in log.tanks()}
        for item in _parsed(lines):
            if isinstance(item, LogEntry):
                is_new = log.add_later(item)
                done.readings += is_new
                done.kept_readings += not is_new
            elif isinstance(item, _Noted):
                is_new = log.add_event(item.tank, item.note)
                done.notes += is_new
                done.kept_notes += not is_new
            elif item.name not in known:
                log.put_tank(item)  # one that is damaged is there, but not known
                done.tanks += 1
            elif item != known[item.name]:
                done.kept_tanks.append(item.name)
    return done


def check_lines(lines: Iterable[bytes]) -> None:
    """
    Look through what `import_lines` would add.

    Parameters
    ----------
    lines : iterable of bytes
        Lines of JSON.

    Raises
    ------
    LogError
        As `import_lines`.
    """
    for _ in _parsed(lines):
        pass


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noted:
    """An event and its tank."""

    tank: str
    note: Event


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    """How much there is in the lines before."""

    tanks: int
    readings: int
    notes: int

    @staticmethod
    def upgraded(data: dict[str, Any]) -> dict[str, Any]:
        """Return those of an earlier version as of now: it had no notes."""
        return {"notes": 0} | data


def _schema(content: object) -> None:
    if content != SCHEMA:
        raise ValueError(f"The schema must be {SCHEMA}, not {reprlib.repr(content)}.")


# What a line may hold, by its kind.
_RECORDS: dict[str, Callable[[object], Tank | LogEntry | _Noted | _Counts | None]] = {
    "schema": _schema,
    "tank": partial(record_of, Tank, "the tank"),
    "note": partial(record_of, _Noted, "the line"),
    "entry": partial(record_of, LogEntry, "the entry"),
    "end": partial(record_of, _Counts, "the end"),
}


def _parsed(lines: Iterable[bytes]) -> Iterator[Tank | LogEntry | _Noted]:
    """Yield what the lines hold; LogError with the number of the line that is damaged or lacking."""
    tanks: set[str] = set()
    n_readings = n_notes = number = 0
    kind = ""
    for number, line in enumerate(lines, 1):
        try:
            before, (kind, content) = kind, _kind_and_content(line)
            if (number == 1) != (kind == "schema") or before == "end":
                raise ValueError(f"A line with {kind!r} cannot be there.")
            item = _RECORDS[kind](content)
            if isinstance(item, Tank):
                if item.name in tanks:
                    raise ValueError(f"The tank {item.name} is there twice.")
                tanks.add(item.name)
            elif isinstance(item, LogEntry | _Noted) and item.tank not in tanks:
                raise ValueError(f"The tank {reprlib.repr(item.tank)} is not among the lines before.")
            elif isinstance(item, _Counts) and item != _Counts(tanks=len(tanks), readings=n_readings, notes=n_notes):
                raise ValueError("Its counts are not those of the lines before.")
        except (ValueError, RecursionError) as error:  # nesting without end is damage too
            if not kind:
                break
            raise LogError(f"Nothing was imported: line {number} is damaged: {error}") from error
        n_readings += kind == "entry"
        n_notes += kind == "note"
        if isinstance(item, Tank | LogEntry | _Noted):
            yield item
    if not kind:
        raise LogError("Nothing was imported: this file was not written by log export.")
    if kind != "end":
        raise LogError(f"Nothing was imported: the file ends early, after line {number}.")


def _kind_and_content(line: bytes) -> tuple[str, Any]:
    try:
        data = json.loads(line)
    except ValueError:
        raise ValueError("It is no JSON.") from None
    if not isinstance(data, dict) or len(data) != 1 or not set(data) <= set(_RECORDS):
        raise ValueError("It must be an object with one of schema, tank, note, entry and end.")
    return next(iter(data.items()))


def _line(**content: Any) -> str:
    return json_line(content) + "\n"
