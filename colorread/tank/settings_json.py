"""A tank as one JSON object, schema colorread.tank/1."""

from __future__ import annotations

from typing import Any

from colorread.json_fields import Fields, fields_of
from colorread.limits import FISH_LIMIT_RANGE_MG_L
from colorread.reading.record import LightName
from colorread.reading.verdict import Marks
from colorread.tank.settings import DailySpan, GasSource, Tank, parse_span
from colorread.words.gas_care import SourceKind, Valve

SCHEMA = "colorread.tank/1"
_MARKS = ("plants_low_mg_l", "plants_high_mg_l", "fish_mg_l")


def tank_to_dict(tank: Tank) -> dict[str, Any]:
    """
    Return a tank as plain values.

    Parameters
    ----------
    tank : Tank
        Any tank.

    Returns
    -------
    dict
        Named as the parameters of `Tank`; spans are such as ``10:00-18:00``, dates such as ``2025-06-04``.
    """
    source = tank.source
    return {
        "schema": SCHEMA,
        "name": tank.name,
        "volume_l": tank.volume_l,
        "kh_dkh": tank.kh_dkh,
        "tank_kh_dkh": tank.tank_kh_dkh,
        "temperature_c": tank.temperature_c,
        "lights": None if tank.lights is None else str(tank.lights),
        "gas": None if tank.gas is None else str(tank.gas),
        "source": None
        if source is None
        else {
            "kind": source.kind,
            "amount_g": source.amount_g,
            "started": None if source.started is None else source.started.isoformat(),
            "valve": source.valve,
        },
        "sensitive": tank.sensitive,
        "marks": {name: getattr(tank.marks, name) for name in _MARKS},
        "fluid_renewed": None if tank.fluid_renewed is None else tank.fluid_renewed.isoformat(),
        "light": tank.light,
        "profile": tank.profile,
        "made_up": tank.made_up,
    }


def tank_from_dict(data: object) -> Tank:
    """
    Return the tank that `tank_to_dict` gave.

    Parameters
    ----------
    data : object
        As `json.loads` gives it.

    Returns
    -------
    Tank
        The same tank.

    Raises
    ------
    ValueError
        If it describes no tank; one sentence.
    """
    names = tank_to_dict(Tank(name="tank"))
    fields = fields_of("the tank", data, names)
    if fields.values["schema"] != SCHEMA:
        raise ValueError(f"The schema of the tank must be {SCHEMA}, not {fields.values['schema']!r}.")
    return Tank(
        name=fields.text("name"),
        volume_l=fields.maybe("volume_l", fields.number),
        kh_dkh=fields.maybe("kh_dkh", fields.number),
        tank_kh_dkh=fields.maybe("tank_kh_dkh", fields.number),
        temperature_c=fields.maybe("temperature_c", fields.number),
        lights=_span(fields, "lights"),
        gas=_span(fields, "gas"),
        source=None if fields.values["source"] is None else _source(fields.values["source"]),
        sensitive=fields.flag("sensitive"),
        marks=_marks(fields.values["marks"]),
        fluid_renewed=fields.maybe("fluid_renewed", fields.day),
        light=fields.choice("light", LightName),
        profile=fields.maybe("profile", fields.text),
        made_up=fields.flag("made_up"),
    )


def _marks(data: object) -> Marks:
    low, high, fish = map(fields_of("the marks", data, _MARKS).number, _MARKS)
    # Earlier versions took any mark for the fish from 1 to 200 mg/L.
    fish = min(max(fish, FISH_LIMIT_RANGE_MG_L[0]), FISH_LIMIT_RANGE_MG_L[1])
    return Marks(plants_low_mg_l=low, plants_high_mg_l=high, fish_mg_l=fish)


def _span(fields: Fields, name: str) -> DailySpan | None:
    text = fields.maybe(name, fields.text)
    return None if text is None else parse_span(text)


def _source(data: object) -> GasSource:
    if isinstance(data, dict):
        data = {"valve": None} | data  # earlier versions did not ask for it
    fields = fields_of("the gas source", data, ("kind", "amount_g", "started", "valve"))
    return GasSource(
        kind=fields.choice("kind", SourceKind),
        amount_g=fields.maybe("amount_g", fields.number),
        started=fields.maybe("started", fields.day),
        valve=None if fields.values["valve"] is None else fields.choice("valve", Valve),
    )
