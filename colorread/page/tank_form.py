"""The settings of a tank as fields of a form, in the units that the keeper chose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from colorread.chemistry.units import Unit
from colorread.limits import KH_RANGE_DKH, SOURCE_AMOUNT_RANGE_G, TANK_VOLUME_RANGE_L, TEMPERATURE_RANGE_C
from colorread.page.shown_units import Units
from colorread.reading.record import LightName
from colorread.tank.edit import changed_tank
from colorread.tank.settings import DailySpan, Tank

LIGHTS = get_args(LightName)
_SPAN_OF = {f"{span}_{end}": span for span in ("lights", "gas") for end in ("on", "off")}
_SOURCE = {"source", "source_amount", "source_started", "valve"}
_NAMES = {
    "volume": "The volume",
    "kh": "The KH of the fluid",
    "tank_kh": "The KH of the tank",
    "temperature": "The temperature",
    "source_amount": "The amount of the gas source",
    "fish_limit": "The fish limit",
}


class WrongFields(ValueError):  # noqa: N818 - says what is wrong with a form, not with the program
    """
    Fields that cannot be so, all at once.

    Parameters
    ----------
    sentences : mapping of str to str
        What is wrong, by the names of the options of ``colorread tank``, in the order of the form.
    """

    def __init__(self, sentences: Mapping[str, str]) -> None:
        super().__init__(" ".join(sentences.values()))
        self.sentences = sentences


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
        In the order of the form, by the names of the options of ``colorread tank``, the ends of the daily spans apart;
        what is not known is empty.
    """

    def number(value: float | None, unit: Unit | None = None) -> str:
        return "" if value is None else f"{value:g}" if unit is None else unit.number(value)

    def ends(span: DailySpan | None) -> tuple[str, str]:
        # Midnight is 00:00 at either end, as a field for a time knows no 24:00.
        return ("", "") if span is None else (f"{span.on:%H:%M}", f"{span.off:%H:%M}")

    source, marks = tank.source, tank.marks
    (lights_on, lights_off), (gas_on, gas_off) = ends(tank.lights), ends(tank.gas)
    return {
        "kh": number(tank.kh_dkh, units.kh),
        "fluid_renewed": "" if tank.fluid_renewed is None else tank.fluid_renewed.isoformat(),
        "temperature": number(tank.temperature_c, units.temperature),
        "tank_kh": number(tank.tank_kh_dkh, units.kh),
        "volume": number(tank.volume_l, units.volume),
        "lights_on": lights_on,
        "lights_off": lights_off,
        "gas_on": gas_on,
        "gas_off": gas_off,
        "source": "" if source is None else source.kind,
        "source_amount": "" if source is None else number(source.amount_g, units.mass),
        "source_started": "" if source is None or source.started is None else source.started.isoformat(),
        "valve": tank.valve or "",
        "plants": f"{marks.plants_low_mg_l:g}-{marks.plants_high_mg_l:g}",
        "fish_limit": number(marks.fish_mg_l),
        "sensitive": "yes" if tank.sensitive else "",
        "light": tank.light,
        "profile": tank.profile or "",
    }


FIELD_NAMES = tuple(texts_of(Tank(name="new"), Units()))
_OPTIONS = tuple(dict.fromkeys(_SPAN_OF.get(name, name) for name in FIELD_NAMES))


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
    WrongFields
        If fields cannot be so.
    """
    typed = sent.typed
    changed = {_SPAN_OF.get(name, name) for name in FIELD_NAMES if typed[name] != sent.shown[name]}
    if not typed["source"]:
        changed -= _SOURCE - {"source"}
    elif _SOURCE & changed and (tank.source is None or tank.source.kind != typed["source"]):
        changed |= _SOURCE  # another kind starts without amount, day and valve, so those that stayed are typed anew
    wrong: dict[str, str] = {}
    for option in _OPTIONS:  # each by itself, so that every mistake is told at its field
        if option in changed:
            try:
                tank = _with_option(tank, option, sent)
            except ValueError as error:
                wrong[option] = str(error)
    if wrong:
        raise WrongFields(wrong)
    return tank


def _with_option(tank: Tank, option: str, sent: SentForm) -> Tank:
    text = _span_text(option, sent) if option in _SPAN_OF.values() else sent.typed[option]
    if option == "sensitive":
        return changed_tank(tank, {option: text == "yes"})
    if not text:
        return changed_tank(tank, {}, {option})
    return changed_tank(tank, {option: _own(option, text, sent.units) if option in _NAMES else text})


def _span_text(span: str, sent: SentForm) -> str:
    on, off = sent.typed[f"{span}_on"], sent.typed[f"{span}_off"]
    if bool(on) != bool(off):
        raise ValueError(f"The hours of the {span} need both times, or neither.")
    if on == off != "00:00" and on:
        raise ValueError(f"{on} twice may mean never or always; midnight to midnight is the whole day.")
    return on and f"{on}-{'24:00' if off == '00:00' else off}"


def _own(name: str, text: str, units: Units) -> float:
    """Return a number in the unit of the project."""
    words = _NAMES[name]
    value = number_of(words, text)
    in_units = {
        "temperature": (units.temperature, TEMPERATURE_RANGE_C),
        "kh": (units.kh, KH_RANGE_DKH),
        "tank_kh": (units.kh, KH_RANGE_DKH),
        "volume": (units.volume, TANK_VOLUME_RANGE_L),
        "source_amount": (units.mass, SOURCE_AMOUNT_RANGE_G),
    }
    if name not in in_units:
        return value
    unit, limits = in_units[name]
    return unit.own_within(words, value, *limits)


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
