"""Settings of a tank as they are typed, put into a tank."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from colorread.tank.described import SETTINGS, Setting
from colorread.tank.settings import ALL_DAY, DailySpan, GasSource, Tank, parse_span

_OF_SOURCE = {option for option, setting in SETTINGS.items() if setting.fields[0].startswith("source.")} - {"source"}
_RANGE = re.compile(r"(\d+(?:\.\d+)?)\s*-\s*(\d+(?:\.\d+)?)")


def changed_tank(tank: Tank, given: Mapping[str, Any], cleared: Collection[str] = ()) -> Tank:
    """
    Return a tank with some settings changed and all others as they were.

    Parameters
    ----------
    tank : Tank
        As it was.
    given : mapping of str to object
        New settings by the names of the options of ``colorread tank add``, with underscores; spans, ranges and days
        as text. A gas source of another kind starts without amount, day and valve.
    cleared : collection of str
        Settings that become what they are in a new tank.

    Returns
    -------
    Tank
        As it is to be.

    Raises
    ------
    ValueError
        If a setting cannot be so; one sentence.
    """
    source = None if "source" in cleared else tank.source
    if "source" in given and (source is None or source.kind != given["source"]):
        source = GasSource(kind=given["source"])
    if source is None and _OF_SOURCE & given.keys():
        raise ValueError("Also enter the gas source: fermentation, acid-bicarbonate or cylinder.")
    new = Tank(name=tank.name)
    changes: dict[str, dict[str, Any]] = {"": {}, "source": {}, "marks": {}}  # by the field that they are fields of
    for option in (given.keys() | cleared) - {"source"}:
        setting = SETTINGS[option]
        values = _parsed(setting, given[option]) if option in given else setting.values_in(new)
        for path, value in zip(setting.fields, values, strict=True):
            owner, _, name = path.rpartition(".")
            changes[owner][name] = value
    changed = replace(
        tank,
        source=None if source is None else replace(source, **changes["source"]),
        marks=replace(tank.marks, **changes["marks"]),
        **changes[""],
    )
    # Tanks of earlier versions may have such hours; they are asked back only where one of both is touched.
    touched = "gas" in given or changed.source_kind != tank.source_kind
    if touched and changed.source_kind == "fermentation" and changed.gas not in (None, ALL_DAY):
        raise ValueError(
            f"A fermenting bottle gives gas day and night; it cannot have gas hours ({changed.gas}). Leave them out, "
            "or enter 00:00-24:00."
        )
    return changed


def parse_day(text: str) -> date:
    """
    Return a day from text such as ``2025-06-04``.

    Parameters
    ----------
    text : str
        Year, month and day.

    Returns
    -------
    datetime.date
        The day.

    Raises
    ------
    ValueError
        If the text is no such day.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"A day must look like 2025-06-04, not {text!r}.") from None


def _past_day(text: str) -> date:
    day = parse_day(text)
    if day > date.today():
        raise ValueError(f"{day.isoformat()} is in the future; enter the day it was done.")
    return day


def _typed_span(text: str) -> DailySpan:
    span = parse_span(text)
    if span.on == span.off and not text.strip().endswith("24:00"):
        raise ValueError(f"{text} could mean never or always; use 00:00-24:00 for all day.")
    return span


def _parsed(setting: Setting, typed: Any) -> tuple[Any, ...]:
    """Return what was typed as the values of the fields."""
    if setting.kind == "span":
        return (_typed_span(typed),)
    if setting.kind == "day":
        return (_past_day(typed),)
    if setting.kind == "range":
        match = _RANGE.fullmatch(typed.strip())
        if match is None:
            raise ValueError(f"{setting.name} must look like 15-30, not {typed!r}.")
        return tuple(map(float, match.groups()))
    return (typed,)
