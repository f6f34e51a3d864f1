"""Frozen dataclasses to JSON objects and back, by their fields alone; and data files in TOML."""

from __future__ import annotations

import base64
import json
import math
import reprlib
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime, time
from functools import cache
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, Union, cast, get_args, get_origin, get_type_hints

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """
    How a field is written to JSON where its type does not say; put into its annotation.

    Parameters
    ----------
    digits : int or None
        Decimals of the numbers in it.
    significant : int or None
        Significant digits of the floats in it.
    timespec : str
        Precision of a time, as in `datetime.isoformat`.
    path : str
        ``object.name`` for a field that is written as the only entry of an object; empty for its own name.
    is_left_out : bool
        Whether it is left out of the JSON and takes its default when read.
    """

    digits: int | None = None
    significant: int | None = None
    timespec: str = "auto"
    path: str = ""
    is_left_out: bool = False


_DEFAULT = Kept()


def plain(value: object, kept: Kept = _DEFAULT) -> Any:
    """
    Return a record as plain values for `json.dumps`.

    A class with a method ``from_text`` is written as its text, a number that is not finite as None.

    Parameters
    ----------
    value : object
        A dataclass, number, text, date or time, or a mapping or sequence of these.
    kept : Kept, optional
        How to write it where its own fields do not say.

    Returns
    -------
    object
        Dicts in the order of the fields, lists, texts, numbers and None.
    """
    if isinstance(value, float) or (type(value) is int and kept.digits is not None):
        return _rounded(float(value), kept)
    if isinstance(value, Mapping):
        return {name: plain(part, kept) for name, part in value.items()}
    if isinstance(value, tuple | list):
        return [plain(part, kept) for part in value]
    if isinstance(value, datetime):
        return value.isoformat(timespec=kept.timespec)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if hasattr(value, "from_text"):
        return str(value)
    if not is_dataclass(value):
        return value
    data = {}
    kind: Any = type(value)
    for part in _parts(kind):
        own = getattr(value, part.name)
        written = plain(own, kept if part.kept is _DEFAULT else part.kept)
        data[part.key] = {part.inner_key: written} if part.inner_key and own is not None else written
    return data


def json_line(record: object) -> str:
    """Return a record as one line of ASCII without NaN, always the same for the same record."""
    return json.dumps(plain(record), allow_nan=False)


def toml_beside(module: str, name: str) -> dict[str, Any]:
    """Return what a data file beside a module, named by its ``__file__``, holds."""
    return tomllib.loads(Path(module).with_name(name).read_text(encoding="utf-8"))


def read_json(text: str | bytes) -> Any:
    """Return what a line of JSON holds; raise ValueError if it is not JSON."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError):  # endless nesting is damage too
        raise ValueError("It is not JSON.") from None


def read_record(kind: type[_T], what: str, data: object) -> _T:
    """
    Return the record that `plain` wrote.

    A class may define ``upgraded(data)``, which returns the data of an earlier version in the current form, and
    ``require_sound(what)``, which raises ValueError if its fields contradict each other. A field with ``init=False``
    must have the value that the class sets.

    Parameters
    ----------
    kind : type
        A dataclass.
    what : str
        Name of the record for messages, such as ``the tank``.
    data : object
        As `read_json` gives it.

    Returns
    -------
    object
        The same record, to the digits written; None among the numbers of a list or mapping becomes NaN.

    Raises
    ------
    ValueError
        If a name is missing or unknown, or a value has the wrong type; one sentence.
    """
    record_class: Any = kind
    if isinstance(data, dict) and hasattr(record_class, "upgraded"):
        data = record_class.upgraded(data)
    parts = _parts(record_class)
    entries = _require_names(what, data, [part.key for part in parts])
    values = {}
    for part in parts:
        entry, name, owner = entries[part.key], part.key, what
        if part.inner_key and entry is not None:
            name, owner = part.inner_key, f"the {part.key}"
            entry = _require_names(owner, entry, [name])[name]
        values[part.name] = _value_of(part.hint, entry, name, owner)
    record: _T = record_class(**{part.name: values[part.name] for part in parts if part.in_init})
    for part in parts:
        expected = getattr(record, part.name)
        if not part.in_init and values[part.name] != expected:
            raise _wrong_value(part.name, what, expected, values[part.name])
    if hasattr(record, "require_sound"):
        record.require_sound(what)
    return record


class _Part(NamedTuple):
    """A field of a record and its place in the JSON; `inner_key` is its name if alone in an object, else empty."""

    name: str
    hint: Any
    kept: Kept
    key: str
    inner_key: str
    in_init: bool


@cache
def _parts(kind: Any) -> tuple[_Part, ...]:
    """Return the fields of a dataclass that are written to JSON."""
    hints = get_type_hints(kind, include_extras=True)
    parts = []
    for field in fields(kind):
        hint, kept = hints[field.name], _DEFAULT
        if get_origin(hint) is Annotated:
            hint, kept = get_args(hint)
        if not kept.is_left_out:
            key, _, inner_key = (kept.path or field.name).partition(".")
            parts.append(_Part(field.name, hint, kept, key, inner_key, field.init))
    return tuple(parts)


def _rounded(value: float, kept: Kept) -> float | None:
    if not math.isfinite(value):
        return None
    if kept.significant is not None:
        return float(f"{value:.{kept.significant}g}")
    return value if kept.digits is None else round(value, kept.digits)


def _wrong_value(name: str, what: str, wanted: str, value: object) -> ValueError:
    return ValueError(f"The {name} of {what} must be {wanted}, not {reprlib.repr(value)}.")


def _require_names(what: str, data: object, names: list[str]) -> dict[str, Any]:
    """Return the data if it is an object with these names and no others."""
    start = f"{what[0].upper()}{what[1:]}"
    if not isinstance(data, dict):
        raise ValueError(f"{start} must be a JSON object, not {reprlib.repr(data)}.")
    missing = [name for name in names if name not in data]
    if missing:
        raise ValueError(f"{start} lacks {', '.join(missing)}.")
    unknown = sorted(set(data) - set(names))
    if unknown:
        raise ValueError(f"{start} has entries that are not known: {reprlib.repr(unknown)}.")
    return data


def _value_of(hint: Any, value: object, name: str, what: str) -> Any:
    """Return the value of a field as its type says, or raise one sentence."""
    origin, args = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):  # always one type or None
        return None if value is None else _value_of(args[0], value, name, what)
    if hasattr(hint, "from_text"):
        return hint.from_text(_value_of(str, value, name, what))
    if is_dataclass(hint):
        return read_record(cast("Any", hint), f"the {name} of {what}", value)
    try:
        return _converted(hint, value)
    except (TypeError, ValueError):
        wanted = f"one of {', '.join(args)}" if origin is Literal else _WANTED[hint]
        raise _wrong_value(name, what, wanted, value) from None


def _converted(hint: Any, value: Any) -> Any:
    """Return a value of a simple type, or a list or mapping of these; raise TypeError or ValueError otherwise."""
    if hint is float and type(value) in (int, float) and -sys.float_info.max <= value <= sys.float_info.max:
        return float(value)
    if hint in (str, bool, int) and type(value) is hint:
        return value
    if hint in (date, datetime):
        return hint.fromisoformat(value)
    if hint is bytes:
        return value if isinstance(value, bytes) else base64.b64decode(value, validate=True)
    origin, args = get_origin(hint), get_args(hint)
    if origin is Literal and value in args:
        return value
    if origin is tuple and isinstance(value, list) and (args[-1] is ... or len(args) == len(value)):
        return tuple(_element(args[0], part) for part in value)
    if origin is Mapping and isinstance(value, dict):
        return {name: _element(args[1], part) for name, part in value.items()}
    raise TypeError


def _element(hint: Any, value: object) -> Any:
    return math.nan if hint is float and value is None else _converted(hint, value)


# Types in words.
_WANTED: Mapping[Any, str] = {
    str: "a text",
    float: "a number",
    int: "a whole number",
    bool: "true or false",
    date: "a date such as 2025-06-04",
    datetime: "a time such as 2025-06-04T05:30:09+01:00",
    bytes: "base64",
    tuple[str, ...]: "a list of texts",
    tuple[tuple[float, float], ...]: "a list of points",
    Mapping[str, float]: "named numbers",
}
