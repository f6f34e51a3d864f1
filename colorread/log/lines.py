"""A log as lines of JSON, schema colorread.log/1, to keep, to move and to read back."""

from __future__ import annotations

import base64
import json
import reprlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, BinaryIO

from colorread.json_fields import fields_of
from colorread.log.entry import LogEntry, entry_from_dict, entry_to_dict
from colorread.log.store import Damage, Log, LogError
from colorread.tank.settings import Tank
from colorread.tank.settings_json import tank_from_dict, tank_to_dict

SCHEMA = "colorread.log/1"
_LONGEST_LINE_BYTES = 32_000_000  # a choice of this project: a hundred times that of a reading with its picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """
    What an import did.

    Parameters
    ----------
    tanks, readings : int
        How many are new in the log; a reading also if it was made later than the one of the same photo there.
    kept_tanks : tuple of str
        Tanks that are in the log with other settings, which were left as they are.
    kept_readings : int
        Readings that the log had already.
    """

    tanks: int
    readings: int
    kept_tanks: tuple[str, ...]
    kept_readings: int


def export_lines(log: Log, on_damage: Callable[[Damage], None] | None = None) -> Iterator[str]:
    """
    Yield a log as lines of JSON: what it is, the tanks, the readings with their pictures in base64, and the counts.

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
        tanks, n_readings = log.tanks(on_damage), 0
        names = {tank.name for tank in tanks}
        yield _line(schema=SCHEMA)
        for tank in tanks:
            yield _line(tank=tank_to_dict(tank))
        for entry in log.entries(on_damage=on_damage):
            if entry.tank in names:
                picture = log.picture(entry.tank, entry.sha256)
                encoded = None if picture is None else base64.b64encode(picture).decode("ascii")
                yield _line(entry={**entry_to_dict(entry), "picture": encoded})
                n_readings += 1
        yield _line(end={"tanks": len(tanks), "readings": n_readings})


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
    n_tanks = n_readings = n_kept = 0
    kept_tanks = []
    with log.transaction():
        known = {tank.name: tank for tank in log.tanks()}
        for item in _parsed(lines):
            if isinstance(item, LogEntry):
                is_new = log.add_later(item)
                n_readings += is_new
                n_kept += not is_new
            elif item.name not in known:
                log.put_tank(item)  # one that is damaged is there, but not known
                n_tanks += 1
            elif item != known[item.name]:
                kept_tanks.append(item.name)
    return Imported(tanks=n_tanks, readings=n_readings, kept_tanks=tuple(kept_tanks), kept_readings=n_kept)


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


def _parsed(lines: Iterable[bytes]) -> Iterator[Tank | LogEntry]:
    """Yield what the lines hold; LogError with the number of the line that is damaged or lacking."""
    tanks: set[str] = set()
    n_readings = number = 0
    kind = ""
    for number, line in enumerate(lines, 1):
        item: Tank | LogEntry | None = None
        try:
            before, (kind, content) = kind, _kind_and_content(line)
            if (number == 1) != (kind == "schema") or before == "end":
                raise ValueError(f"A line with {kind!r} cannot be there.")
            if kind == "schema":
                if content != SCHEMA:
                    raise ValueError(f"The schema must be {SCHEMA}, not {reprlib.repr(content)}.")
            elif kind == "tank":
                item = tank_from_dict(content)
                if item.name in tanks:
                    raise ValueError(f"The tank {item.name} is there twice.")
                tanks.add(item.name)
            elif kind == "entry":
                item = entry_from_dict(content)
                if item.tank not in tanks:
                    raise ValueError(f"The tank {reprlib.repr(item.tank)} is not among the lines before.")
                n_readings += 1
            else:
                end = fields_of("the end", content, ("tanks", "readings"))
                if (end.whole("tanks"), end.whole("readings")) != (len(tanks), n_readings):
                    raise ValueError("Its counts are not those of the lines before.")
        except (ValueError, RecursionError) as error:  # nesting without end is damage too
            if not kind:
                break
            raise LogError(f"Nothing was imported: line {number} is damaged: {error}") from error
        if item is not None:
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
    if not isinstance(data, dict) or len(data) != 1 or not set(data) <= {"schema", "tank", "entry", "end"}:
        raise ValueError("It must be an object with one of schema, tank, entry and end.")
    return next(iter(data.items()))


def _line(**content: Any) -> str:
    return json.dumps(content, allow_nan=False) + "\n"
