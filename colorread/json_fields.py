"""Values taken out of a JSON object by name and kind, with one sentence about what is wrong."""

from __future__ import annotations

import math
import reprlib
import sys
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NoReturn, TypeGuard, TypeVar, get_args

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """
    A JSON object whose values are asked for by name. Every method raises ValueError with one sentence.

    Parameters
    ----------
    what : str
        What the object is, for the sentence, such as ``the tank``.
    values : mapping of str to object
        As `json.loads` gives it.
    """

    what: str
    values: Mapping[str, object]

    def maybe(self, name: str, kind: Callable[[str], _T]) -> _T | None:
        """Return the value by one of the methods below, or None where it is null or missing."""
        return None if self.values.get(name) is None else kind(name)

    def text(self, name: str) -> str:
        """Return a string."""
        value = self.values.get(name)
        return value if isinstance(value, str) else self._refuse(name, "a text")

    def number(self, name: str) -> float:
        """Return a finite number."""
        value = self.values.get(name)
        return float(value) if _is_finite(value) else self._refuse(name, "a number")

    def whole(self, name: str) -> int:
        """Return a whole number."""
        value = self.values.get(name)
        return value if type(value) is int else self._refuse(name, "a whole number")

    def flag(self, name: str) -> bool:
        """Return true or false."""
        value = self.values.get(name)
        return value if isinstance(value, bool) else self._refuse(name, "true or false")

    def choice(self, name: str, literal: Any) -> Any:
        """Return one of the texts of a Literal."""
        value = self.values.get(name)
        known = get_args(literal)
        return value if isinstance(value, str) and value in known else self._refuse(name, f"one of {', '.join(known)}")

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of strings."""
        value = self.values.get(name)
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self._refuse(name, "a list of texts")
        return tuple(value)

    def day(self, name: str) -> date:
        """Return a date."""
        try:
            return date.fromisoformat(self.text(name))
        except ValueError:
            self._refuse(name, "a date such as 2025-06-04")

    def moment(self, name: str) -> datetime:
        """Return a time, with offset where it has one."""
        try:
            return datetime.fromisoformat(self.text(name))
        except ValueError:
            self._refuse(name, "a time such as 2025-06-04T05:30:09+01:00")

    def points(self, name: str) -> tuple[tuple[float, float], ...]:
        """Return a list of pairs of numbers; null in it is NaN."""
        value = self.values.get(name)
        if not isinstance(value, list) or not all(_is_point(item) for item in value):
            self._refuse(name, "a list of points")
        return tuple((_or_nan(x), _or_nan(y)) for x, y in value)

    def numbers(self, name: str) -> dict[str, float]:
        """Return named numbers; null among them is NaN."""
        value = self.values.get(name)
        if not isinstance(value, dict) or not all(_is_coordinate(item) for item in value.values()):
            self._refuse(name, "named numbers")
        return {key: _or_nan(item) for key, item in value.items()}

    def _refuse(self, name: str, wanted: str) -> NoReturn:
        raise ValueError(f"The {name} of {self.what} must be {wanted}, not {reprlib.repr(self.values.get(name))}.")


def fields_of(what: str, data: object, names: Collection[str]) -> Fields:
    """
    Return an object whose names are checked.

    Parameters
    ----------
    what : str
        What it is, for messages, such as ``the tank``.
    data : object
        As `json.loads` gives it.
    names : collection of str
        Those that it must have, and no others.

    Returns
    -------
    Fields
        To take the values from.

    Raises
    ------
    ValueError
        If it is no object, or a name is missing or unknown.
    """
    if not isinstance(data, dict):
        raise ValueError(f"{what[:1].upper()}{what[1:]} must be a JSON object, not {reprlib.repr(data)}.")
    missing = [name for name in names if name not in data]
    if missing:
        raise ValueError(f"{what[:1].upper()}{what[1:]} lacks {', '.join(missing)}.")
    unknown = sorted(set(data) - set(names))
    if unknown:
        raise ValueError(f"{what[:1].upper()}{what[1:]} has entries that are not known: {reprlib.repr(unknown)}.")
    return Fields(what=what, values=data)


def _is_point(item: object) -> bool:
    return isinstance(item, list) and len(item) == 2 and all(map(_is_coordinate, item))


def _is_coordinate(value: object) -> bool:
    return value is None or _is_finite(value)


def _is_finite(value: object) -> TypeGuard[int | float]:
    """Whether it is a number that a float can hold."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return -sys.float_info.max <= value <= sys.float_info.max


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)
