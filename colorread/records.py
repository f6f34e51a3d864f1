"""Frozen dataclasses as JSON objects: their fields say names, kinds and digits; no other place says them again."""

from __future__ import annotations

import base64
import json
import math
import reprlib
import sys
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime, time
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, Union, get_args, get_origin, get_type_hints

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """
    How a field stands in JSON where its type alone does not say it; put into its annotation.

    Parameters
    ----------
    digits : int or None
        Decimals of the numbers in it.
    significant : int or None
        Significant digits of the fractions in it.
    timespec : str
        How exactly a time is written, as in `datetime.isoformat`.
    path : str
        Name of the object in which it stands alone, a dot, and its name there; empty where it stands under its own.
    is_left_out : bool
        Whether it is not written, and has its default when it is read.
    """

    digits: int | None = None
    significant: int | None = None
    timespec: str = "auto"
    path: str = ""
    is_left_out: bool = False


_AS_IT_IS = Kept()


def plain(value: object, kept: Kept = _AS_IT_IS) -> Any:
    """
    Return a record as plain values for `json.dumps`.

    A class with a method ``from_text`` is written as its text; what is not finite becomes None.

    Parameters
    ----------
    value : object
        A dataclass, or a mapping or sequence of such and of numbers, texts, days and times.
    kept : Kept, optional
        How it is written, as far as its own fields do not say it.

    Returns
    -------
    object
        Dicts in the order of the fields, lists, texts, numbers and None.
    """
    if value is None or isinstance(value, str):
        return value
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
        written = plain(own, kept if part.kept is _AS_IT_IS else part.kept)
        data[part.outer] = {part.inner: written} if part.inner and own is not None else written
    return data


def json_line(record: object) -> str:
    """Return a record as one line of ASCII, always the same for the same record; never holds NaN."""
    return json.dumps(plain(record), allow_nan=False)


def record_of(kind: type[_T], what: str, data: object) -> _T:
    """
    Return the record that `plain` gave.

    A class may have ``upgraded``, which is given the object and brings what earlier versions wrote up to date, and
    ``require_sound``, which is given what it is and raises where its fields contradict each other. Fields that are set
    by the class itself must be as it sets them.

    Parameters
    ----------
    kind : type
        A dataclass.
    what : str
        What it is, for messages, such as ``the tank``.
    data : object
        As `json.loads` gives it.

    Returns
    -------
    object
        The same record as far as the digits go; None among numbers of a list or mapping becomes NaN.

    Raises
    ------
    ValueError
        If a name is missing or unknown, or a value is none of its kind; one sentence.
    """
    known: Any = kind
    parts = _parts(known)
    if isinstance(data, dict) and hasattr(known, "upgraded"):
        data = known.upgraded(data)
    values = _named(what, data, [part.outer for part in parts])
    taken = {}
    for part in parts:
        value, name, owner = values[part.outer], part.outer, what
        if part.inner and value is not None:
            name, owner = part.inner, f"the {part.outer}"
            value = _named(owner, value, [name])[name]
        taken[part.name] = _taken(part.hint, value, name, owner)
    record = known(**{part.name: taken[part.name] for part in parts if part.is_given})
    for part in parts:
        if taken[part.name] != getattr(record, part.name) and not part.is_given:
            raise _Wrong(part.name, what, getattr(record, part.name), taken[part.name])
    if hasattr(record, "require_sound"):
        record.require_sound(what)
    checked: _T = record
    return checked


class _Wrong(ValueError):  # noqa: N818 - says what is wrong with a value, not with the program
    """A value that is none of its kind."""

    def __init__(self, name: str, what: str, wanted: str, value: object) -> None:
        super().__init__(f"The {name} of {what} must be {wanted}, not {reprlib.repr(value)}.")


class _Part(NamedTuple):
    """A field of a record: its type, how it is kept, its name in JSON, and its name in there where it stands alone."""

    name: str
    hint: Any
    kept: Kept
    outer: str
    inner: str
    is_given: bool


@cache
def _parts(kind: Any) -> tuple[_Part, ...]:
    """Return the fields of a dataclass that stand in JSON."""
    hints = get_type_hints(kind, include_extras=True)
    parts = []
    for field in fields(kind):
        hint, kept = hints[field.name], _AS_IT_IS
        if get_origin(hint) is Annotated:
            hint, kept = get_args(hint)
        if not kept.is_left_out:
            outer, _, inner = (kept.path or field.name).partition(".")
            parts.append(_Part(field.name, hint, kept, outer, inner, field.init))
    return tuple(parts)


def _rounded(value: float, kept: Kept) -> float | None:
    if not math.isfinite(value):
        return None
    if kept.significant is not None:
        return float(f"{value:.{kept.significant}g}")
    return value if kept.digits is None else round(value, kept.digits)


def _named(what: str, data: object, names: list[str]) -> dict[str, Any]:
    """Return an object that has these names and no others."""
    start = what[:1].upper() + what[1:]
    if not isinstance(data, dict):
        raise ValueError(f"{start} must be a JSON object, not {reprlib.repr(data)}.")
    missing = [name for name in names if name not in data]
    if missing:
        raise ValueError(f"{start} lacks {', '.join(missing)}.")
    unknown = sorted(set(data) - set(names))
    if unknown:
        raise ValueError(f"{start} has entries that are not known: {reprlib.repr(unknown)}.")
    return data


def _taken(hint: Any, value: object, name: str, what: str) -> Any:
    """Return a value of a field as its type says, or raise one sentence."""
    origin, args = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):  # with None, and with nothing else
        if value is None:
            return None
        return _taken(next(kind for kind in args if kind is not NoneType), value, name, what)
    if hasattr(hint, "from_text"):
        return hint.from_text(_taken(str, value, name, what))
    if is_dataclass(hint):
        kind: Any = hint
        return record_of(kind, f"the {name} of {what}", value)
    try:
        return _converted(hint, value)
    except (TypeError, ValueError):
        wanted = f"one of {', '.join(args)}" if origin is Literal else _WANTED[hint]
        raise _Wrong(name, what, wanted, value) from None


def _converted(hint: Any, value: Any) -> Any:
    """Return a value of a simple type, or of a list or mapping of such; TypeError or ValueError where it is none."""
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
        return tuple(_part(args[0], part) for part in value)
    if origin is Mapping and isinstance(value, dict):
        return {name: _part(args[1], part) for name, part in value.items()}
    raise TypeError


def _part(hint: Any, value: object) -> Any:
    return math.nan if hint is float and value is None else _converted(hint, value)


# Kinds in words; the first part of a tuple stands for all.
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
