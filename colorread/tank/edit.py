"""Settings of a tank as they are typed, put into a tank."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from colorread.reading.verdict import Marks
from colorread.tank.settings import ALL_DAY, DailySpan, GasSource, Tank, parse_span

# The settings that are one field each, by the name of the option.
_FIELDS = {
    "volume": "volume_l",
    "kh": "kh_dkh",
    "tank_kh": "tank_kh_dkh",
    "temperature": "temperature_c",
    "lights": "lights",
    "gas": "gas",
    "sensitive": "sensitive",
    "fluid_renewed": "fluid_renewed",
    "light": "light",
    "profile": "profile",
}
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
    new = Tank(name=tank.name)
    changes = {field: getattr(new, field) for option, field in _FIELDS.items() if option in cleared}
    for option, field in _FIELDS.items():
        if option in given:
            changes[field] = _PARSERS.get(option, lambda value: value)(given[option])
    changed = replace(
        tank, marks=_marks(tank.marks, given, cleared), source=_source(tank.source, given, cleared), **changes
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


_PARSERS: dict[str, Callable[[Any], Any]] = {"lights": _typed_span, "gas": _typed_span, "fluid_renewed": _past_day}


def _marks(marks: Marks, given: Mapping[str, Any], cleared: Collection[str]) -> Marks:
    new = Marks()
    low, high = marks.plants_low_mg_l, marks.plants_high_mg_l
    if "plants" in cleared:
        low, high = new.plants_low_mg_l, new.plants_high_mg_l
    if "plants" in given:
        match = _RANGE.fullmatch(given["plants"].strip())
        if match is None:
            raise ValueError(f"The plants' range must look like 15-30, not {given['plants']!r}.")
        low, high = map(float, match.groups())
    fish = new.fish_mg_l if "fish_limit" in cleared else given.get("fish_limit", marks.fish_mg_l)
    return Marks(plants_low_mg_l=low, plants_high_mg_l=high, fish_mg_l=fish)


def _source(source: GasSource | None, given: Mapping[str, Any], cleared: Collection[str]) -> GasSource | None:
    if "source" in cleared:
        source = None
    if "source" in given and (source is None or source.kind != given["source"]):
        source = GasSource(kind=given["source"])
    if source is None:
        if {"source_amount", "source_started", "valve"} & set(given):
            raise ValueError("Also enter the gas source: fermentation, acid-bicarbonate or cylinder.")
        return None
    if "source_amount" in given or "source_amount" in cleared:
        source = replace(source, amount_g=given.get("source_amount"))
    if "source_started" in given or "source_started" in cleared:
        started = given.get("source_started")
        source = replace(source, started=None if started is None else _past_day(started))
    if "valve" in given or "valve" in cleared:
        source = replace(source, valve=given.get("valve"))
    return source
