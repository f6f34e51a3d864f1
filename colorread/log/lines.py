"""Export and import of a log as lines of JSON, schema colorread.log/1."""

from __future__ import annotations

import re
import reprlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, BinaryIO

from colorread.log.database import LogError
from colorread.log.store import Log, LogEntry, OnDamage
from colorread.records import json_line, read_json, read_record
from colorread.tank import Event, Tank

_SCHEMA = "colorread.log/1"
_LINE_BYTES_MAX = 32_000_000  # a choice of this project: a hundred times a reading with its picture


@dataclass(slots=True, kw_only=True)
class Imported:
    """
    What an import did.

    Parameters
    ----------
    tanks, readings, notes : int
        How many were added, including readings that replaced an earlier one of the same photo.
    kept_tanks : list of str
        Tanks with other settings in the log, which were kept.
    kept_readings, kept_notes : int
        Readings and notes that were already in the log.
    """

    tanks: int = 0
    readings: int = 0
    notes: int = 0
    kept_tanks: list[str] = field(default_factory=list)
    kept_readings: int = 0
    kept_notes: int = 0


def export_lines(log: Log, on_damage: OnDamage | None = None) -> Iterator[str]:
    """
    Yield a log as lines of JSON: the schema, tanks, notes, readings with their pictures in base64, and the counts.

    Parameters
    ----------
    log : Log
        Exported as it is when the first line is taken, whatever others write meanwhile.
    on_damage : callable, optional
        Called with each tank, note or reading that is damaged and left out.

    Yields
    ------
    str
        ASCII, with its line break.
    """
    with log.snapshot():
        tanks, n_readings, n_notes = log.tanks(on_damage), 0, 0
        names = {tank.name for tank in tanks}
        yield _line(schema=_SCHEMA)
        for tank in tanks:
            yield _line(tank=tank)
        for tank in tanks:
            for event in log.events(tank.name, on_damage).values():
                yield _line(note=_Note(tank=tank.name, note=event))
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
        Open and seekable.

    Yields
    ------
    bytes
        A line longer than any in an export comes in pieces, which are not valid lines.
    """
    file.seek(0)
    return iter(partial(file.readline, _LINE_BYTES_MAX), b"")


def import_lines(log: Log, lines: Iterable[bytes]) -> Imported:
    """
    Add the lines of an export to a log, all or nothing; importing them again changes nothing.

    The later of two readings of the same photo and tank is kept. Tanks in the log keep their settings.

    Parameters
    ----------
    log : Log
        The log to add to.
    lines : iterable of bytes
        Lines of JSON.

    Returns
    -------
    Imported
        What was added and what was kept.

    Raises
    ------
    LogError
        If a line is damaged or missing, with its number; nothing is added.
    """
    done = Imported()
    with log.transaction():
        known = {tank.name: tank for tank in log.tanks()}
        for item in _parsed(lines):
            if isinstance(item, LogEntry):
                is_new = log.add_if_newer(item)
                done.readings += is_new
                done.kept_readings += not is_new
            elif isinstance(item, _Note):
                is_new = log.add_event(item.tank, item.note)
                done.notes += is_new
                done.kept_notes += not is_new
            elif item.name not in known:
                log.put_tank(item)  # also replaces a damaged one, which is not among the known
                done.tanks += 1
            elif item != known[item.name]:
                done.kept_tanks.append(item.name)
    return done


def check_lines(lines: Iterable[bytes]) -> None:
    """
    Check lines without importing them.

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
class _Note:
    """An event and the name of its tank."""

    tank: str
    note: Event


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    """How many tanks, readings and notes the preceding lines hold."""

    tanks: int
    readings: int
    notes: int

    @staticmethod
    def upgraded(data: dict[str, Any]) -> dict[str, Any]:
        """Return the data of an earlier version, which had no notes, in the present form."""
        return {"notes": 0} | data


def _require_schema(content: object) -> None:
    if isinstance(content, str) and re.fullmatch(r"colorread\.log/[2-9]", content):
        raise LogError("Nothing was imported: a later version of this program wrote this file; install that version.")
    if content != _SCHEMA:
        raise ValueError(f"The schema must be {_SCHEMA}, not {reprlib.repr(content)}.")


# How the content of a line is read, by its kind.
_READERS: dict[str, Callable[[object], Tank | LogEntry | _Note | _Counts | None]] = {
    "schema": _require_schema,
    "tank": partial(read_record, Tank, "the tank"),
    "note": partial(read_record, _Note, "the line"),
    "entry": partial(read_record, LogEntry, "the entry"),
    "end": partial(read_record, _Counts, "the end"),
}


def _parsed(lines: Iterable[bytes]) -> Iterator[Tank | LogEntry | _Note]:
    """Yield what the lines hold; raise LogError with the number of a damaged or missing line."""
    tanks: set[str] = set()
    n: Counter[str] = Counter()  # lines so far, by kind
    kind, number = "", 0
    for number, line in enumerate(lines, 1):
        try:
            previous, (kind, content) = kind, _kind_and_content(line)
            if (number == 1) != (kind == "schema") or previous == "end":
                raise ValueError(f"A line with {kind!r} is out of place.")
            item = _READERS[kind](content)
            if isinstance(item, Tank):
                if item.name in tanks:
                    raise ValueError(f"The tank {item.name} appears twice.")
                tanks.add(item.name)
            elif isinstance(item, LogEntry | _Note) and item.tank not in tanks:
                raise ValueError(f"The tank {reprlib.repr(item.tank)} is not in the lines above.")
            elif isinstance(item, _Counts) and item != _Counts(tanks=n["tank"], readings=n["entry"], notes=n["note"]):
                raise ValueError("Its counts do not match the lines above.")
        except LogError:  # its message is complete
            raise
        except ValueError as error:
            if not kind:
                break
            if not line.endswith(b"\n"):
                raise LogError(f"Nothing was imported: the file ends early, within line {number}.") from error
            raise LogError(f"Nothing was imported: line {number} is damaged: {error}") from error
        n[kind] += 1
        if isinstance(item, Tank | LogEntry | _Note):
            yield item
    if not kind:
        raise LogError("Nothing was imported: this file was not written by log export.")
    if kind != "end":
        raise LogError(f"Nothing was imported: the file ends early, after line {number}.")


def _kind_and_content(line: bytes) -> tuple[str, Any]:
    data = read_json(line)
    if not isinstance(data, dict) or len(data) != 1 or not data.keys() <= _READERS.keys():
        raise ValueError("It must be an object with one of schema, tank, note, entry and end.")
    return next(iter(data.items()))


def _line(**content: Any) -> str:
    return json_line(content) + "\n"
