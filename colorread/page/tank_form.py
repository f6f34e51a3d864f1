"""The settings of a tank as fields of a form, in the units that the keeper chose."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, get_args

from colorread.page.shown_units import Unit, Units
from colorread.reading import LightName
from colorread.tank.edit import changed_tank
from colorread.tank.settings import SourceKind, Tank

LIGHTS = get_args(LightName)
SOURCES = {
    "": "not stated",
    "fermentation": "sugar and yeast",
    "acid-bicarbonate": "citric acid and bicarbonate",
    "cylinder": "cylinder",
}
assert set(SOURCES) - {""} == set(get_args(SourceKind))
_PLAIN = ("lights", "gas", "source", "source_started", "plants", "fluid_renewed", "light", "profile")
_NAMES = {
    "volume": "The volume",
    "kh": "The KH of the fluid",
    "tank_kh": "The KH of the tank",
    "temperature": "The temperature",
    "source_amount": "The amount of the gas source",
    "fish_mark": "The fish mark",
}


def texts_of(tank: Tank, units: Units) -> dict[str, str]:
    """
    Return the settings as they stand in the fields.

    Parameters
    ----------
    tank : Tank
        As it is.
    units : Units
        In which numbers are shown.

    Returns
    -------
    dict of str to str
        By the names of the options of ``colorread tank``; what is not known is empty.
    """

    def number(value: float | None, unit: Unit | None = None) -> str:
        return "" if value is None else f"{value:g}" if unit is None else unit.number(value)

    source, marks = tank.source, tank.marks
    return {
        "volume": number(tank.volume_l),
        "kh": number(tank.kh_dkh, units.kh),
        "tank_kh": number(tank.tank_kh_dkh, units.kh),
        "temperature": number(tank.temperature_c, units.temperature),
        "lights": "" if tank.lights is None else str(tank.lights),
        "gas": "" if tank.gas is None else str(tank.gas),
        "source": "" if source is None else source.kind,
        "source_amount": "" if source is None else number(source.amount_g),
        "source_started": "" if source is None or source.started is None else source.started.isoformat(),
        "sensitive": "yes" if tank.sensitive else "",
        "plants": f"{marks.plants_low_mg_l:g}-{marks.plants_high_mg_l:g}",
        "fish_mark": number(marks.fish_mg_l),
        "fluid_renewed": "" if tank.fluid_renewed is None else tank.fluid_renewed.isoformat(),
        "light": tank.light,
        "profile": tank.profile or "",
    }


def tank_of(tank: Tank, typed: Mapping[str, str], units: Units) -> Tank:
    """
    Return a tank with what was typed; a field that was left as it was changes nothing, not by rounding either.

    Parameters
    ----------
    tank : Tank
        As it was when the form was shown.
    typed : mapping of str to str
        Named as in `texts_of`.
    units : Units
        In which numbers were typed.

    Returns
    -------
    Tank
        As it is to be.

    Raises
    ------
    ValueError
        If a field cannot be so; one sentence.
    """
    before = texts_of(tank, units)
    changed = {name: text for name, text in typed.items() if name in before and text != before[name]}
    cleared = {name for name, text in changed.items() if not text and name != "sensitive"}
    given: dict[str, Any] = {name: changed[name] for name in _PLAIN if changed.get(name)}
    own: dict[str, Callable[[float], float]] = {
        "kh": units.kh.own,
        "tank_kh": units.kh.own,
        "temperature": units.temperature.own,
    }
    for name, words in _NAMES.items():
        if changed.get(name):
            given[name] = own.get(name, float)(number_of(words, changed[name]))
    if "sensitive" in changed:
        given["sensitive"] = changed["sensitive"] == "yes"
    if "source" in given:  # another kind starts without amount and day, so those that stayed are typed anew
        given |= {name: typed[name] for name in ("source_started",) if typed.get(name)}
        if typed.get("source_amount"):
            given["source_amount"] = number_of(_NAMES["source_amount"], typed["source_amount"])
    if "source" in cleared or (not typed.get("source") and tank.source is None):
        given.pop("source_amount", None)
        given.pop("source_started", None)
    return changed_tank(tank, given, cleared)


def number_of(words: str, text: str) -> float:
    """
    Return a number as people type it.

    Parameters
    ----------
    words : str
        What it is, for the message.
    text : str
        With a dot or a comma.

    Returns
    -------
    float
        The number.

    Raises
    ------
    ValueError
        If it is none; one sentence.
    """
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"{words} must be a number, not {text!r}.") from None
