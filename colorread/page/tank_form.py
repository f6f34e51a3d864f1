"""The settings of a tank as fields of a form, in the units that the keeper chose."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from colorread.gas_care import SOURCE_WORDS
from colorread.page.shown_units import Unit, Units
from colorread.reading import LightName
from colorread.tank.edit import changed_tank
from colorread.tank.settings import Tank

LIGHTS = get_args(LightName)
SOURCES = {"": "not stated", **SOURCE_WORDS}
_PLAIN = ("lights", "gas", "source", "source_started", "plants", "fluid_renewed", "light", "profile")
_SOURCE = {"source", "source_amount", "source_started"}
_NAMES = {
    "volume": "The volume",
    "kh": "The KH of the fluid",
    "tank_kh": "The KH of the tank",
    "temperature": "The temperature",
    "source_amount": "The amount of the gas source",
    "fish_mark": "The fish mark",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SentForm:
    """
    What comes back of a form, perhaps long after it was shown.

    Parameters
    ----------
    shown, typed : mapping of str to str
        Every field as it was shown and as it is now, named as in `texts_of`.
    units : Units
        In which numbers were shown.
    """

    shown: Mapping[str, str]
    typed: Mapping[str, str]
    units: Units


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


FIELD_NAMES = tuple(texts_of(Tank(name="new"), Units()))


def tank_of(tank: Tank, sent: SentForm) -> Tank:
    """
    Return a tank with what was typed; a field that was left as it was shown changes nothing, not by rounding either.

    Parameters
    ----------
    tank : Tank
        As it is now, perhaps no more as it was when the form was shown.
    sent : SentForm
        The form.

    Returns
    -------
    Tank
        As it is to be.

    Raises
    ------
    ValueError
        If a field cannot be so; one sentence.
    """
    typed, units = sent.typed, sent.units
    changed = {name: typed[name] for name in FIELD_NAMES if typed[name] != sent.shown[name]}
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
    if not typed["source"]:
        given.pop("source_amount", None)
        given.pop("source_started", None)
    elif _SOURCE & set(changed) and (tank.source is None or tank.source.kind != typed["source"]):
        # Another kind starts without amount and day, so those that stayed are typed anew.
        given["source"] = typed["source"]
        if typed["source_started"]:
            given["source_started"] = typed["source_started"]
        if typed["source_amount"]:
            given["source_amount"] = number_of(_NAMES["source_amount"], typed["source_amount"])
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
