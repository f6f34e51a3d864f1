"""The settings of a tank as fields of a form, in the units that the keeper chose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from colorread.chemistry import Unit
from colorread.page.shown import Units, number_of, units_of
from colorread.tank import SETTINGS, Measure, Setting, Tank, changed_tank

_SPAN_OF = {
    f"{name}_{end}": name for name, setting in SETTINGS.items() if setting.kind == "span" for end in ("on", "off")
}
_OF_SOURCE = {name for name, setting in SETTINGS.items() if setting.fields[0].startswith("source.")}


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

    @classmethod
    def untouched(cls, tank: Tank, units: Units) -> SentForm:
        """Return the form as it is first shown."""
        texts = texts_of(tank, units)
        return cls(shown=texts, typed=texts, units=units)

    @classmethod
    def received(cls, form: Mapping[str, str]) -> SentForm:
        """Return the form as a browser sent it."""
        return cls(
            shown={name: form.get(f"shown-{name}", "") for name in _FIELD_NAMES},
            typed={name: form.get(name, "") for name in _FIELD_NAMES},
            units=units_of(form.get("units", "")),
        )


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
    texts = {}
    for name, setting in SETTINGS.items():
        values = setting.values_in(tank)
        if setting.kind == "span":
            # Midnight is 00:00 at either end, as a field for a time knows no 24:00.
            ends = ("", "") if values[0] is None else (f"{values[0].on:%H:%M}", f"{values[0].off:%H:%M}")
            texts[f"{name}_on"], texts[f"{name}_off"] = ends
        elif values[0] is None:
            texts[name] = ""
        elif setting.measure is not None:
            unit = _unit(setting.measure, units)
            texts[name] = "-".join(f"{value:g}" if unit is None else unit.number(value) for value in values)
        elif setting.kind == "flag":
            texts[name] = "yes" if values[0] else ""
        else:
            texts[name] = str(values[0])
    return texts


def _unit(measure: Measure, units: Units) -> Unit | None:
    """Return the unit in which it is shown, None where none may be chosen."""
    return getattr(units, measure.quantity) if measure.quantity else None


_FIELD_NAMES = tuple(texts_of(Tank(name="new"), Units()))


def tank_of(tank: Tank, sent: SentForm) -> tuple[Tank, dict[str, str]]:
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
    tuple of Tank and dict of str to str
        As it is to be, and what is wrong with fields that cannot be so: by the names of the options of ``colorread
        tank``, in the order of the form.
    """
    typed = sent.typed
    changed = {_SPAN_OF.get(name, name) for name in _FIELD_NAMES if typed[name] != sent.shown[name]}
    if not typed["source"]:
        changed -= _OF_SOURCE - {"source"}
    elif _OF_SOURCE & changed and (tank.source is None or tank.source.kind != typed["source"]):
        changed |= _OF_SOURCE  # another kind starts without amount, day and valve, so those that stayed are typed anew
    wrong: dict[str, str] = {}
    for option, setting in SETTINGS.items():  # each by itself, so that every mistake is told at its field
        if option in changed:
            try:
                value = _typed_value(option, setting, sent)
                tank = changed_tank(tank, {}, {option}) if value is None else changed_tank(tank, {option: value})
            except ValueError as error:
                wrong[option] = str(error)
    return tank, wrong


def _typed_value(option: str, setting: Setting, sent: SentForm) -> str | float | bool | None:
    """Return what was typed, numbers in the unit of the project; None where the field is empty."""
    text = _span_text(option, sent.typed) if setting.kind == "span" else sent.typed[option]
    if setting.kind == "flag":
        return text == "yes"
    if not text:
        return None
    if setting.kind != "number":
        return text
    value, measure = number_of(setting.name, text), setting.measure
    if measure is None or (unit := _unit(measure, sent.units)) is None:
        return value
    return unit.own_within(setting.name, value, *measure.limits)


def _span_text(span: str, typed: Mapping[str, str]) -> str:
    on, off = typed[f"{span}_on"], typed[f"{span}_off"]
    if bool(on) != bool(off):
        raise ValueError(f"The hours of the {span} need both times, or neither.")
    if on == off != "00:00" and on:
        raise ValueError(f"{on} twice may mean never or always; midnight to midnight is the whole day.")
    return on and f"{on}-{'24:00' if off == '00:00' else off}"
