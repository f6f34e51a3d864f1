"""The settings of a tank as fields of a form, in the units of the browser."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Self

from colorread.chemistry import parse_quantity
from colorread.page.shown import Units, parse_number, units_of
from colorread.tank import SETTINGS, Setting, Tank, changed_tank

_OF_SOURCE = {name for name, setting in SETTINGS.items() if setting.fields[0].startswith("source.")}


@dataclass(frozen=True, slots=True, kw_only=True)
class SentForm:
    """
    A form that comes back, perhaps long after it was shown.

    Parameters
    ----------
    shown, typed : mapping of str to str
        The settings as they were shown and as they are now, named and written as in `texts_of`.
    units : Units
        Units of their numbers.
    """

    shown: Mapping[str, str]
    typed: Mapping[str, str]
    units: Units

    @classmethod
    def untouched(cls, tank: Tank, units: Units) -> Self:
        """Return the form as it is first shown."""
        texts = texts_of(tank, units)
        return cls(shown=texts, typed=texts, units=units)

    @classmethod
    def received(cls, form: Mapping[str, str]) -> Self:
        """Return the form as a browser sent it; an unticked box is not sent."""
        return cls(
            shown={name: form.get(f"shown-{name}", "") for name in SETTINGS},
            typed=dict.fromkeys(SETTINGS, "") | texts_in(form),
            units=units_of(form.get("units", "")),
        )


def texts_of(tank: Tank, units: Units) -> dict[str, str]:
    """
    Return the settings of a tank as a form shows them.

    Parameters
    ----------
    tank : Tank
        The tank.
    units : Units
        Units of the numbers.

    Returns
    -------
    dict of str to str
        By the names in `colorread.tank.SETTINGS`; empty if not set. The ends of a daily span, which have a field each,
        are joined by a dash.
    """
    return {name: _text_of(setting, tank, units) for name, setting in SETTINGS.items()}


def _text_of(setting: Setting, tank: Tank, units: Units) -> str:
    values = setting.values_in(tank)
    if setting.kind == "span":  # a time field has no 24:00
        return "-" if values[0] is None else f"{values[0].on:%H:%M}-{values[0].off:%H:%M}"
    if values[0] is None:
        return ""
    if setting.kind == "flag":
        return "yes" if values[0] else ""
    if setting.measure is None:
        return str(values[0])
    unit = units[setting.measure.quantity] if setting.measure.quantity else None
    return "-".join(f"{value:g}" if unit is None else unit.number(value) for value in values)


def texts_in(form: Mapping[str, str], names: Iterable[str] = SETTINGS) -> dict[str, str]:
    """Return those of the named settings that a form has fields for, written as in `texts_of`."""
    texts = {}
    for name in names:
        fields = (f"{name}_on", f"{name}_off") if SETTINGS[name].kind == "span" else (name,)
        if any(field in form for field in fields):
            texts[name] = "-".join(form.get(field, "") for field in fields)
    return texts


def apply_form(tank: Tank, sent: SentForm) -> tuple[Tank, dict[str, str]]:
    """
    Return a tank with what was typed; a field that was left as shown changes nothing, not even by rounding.

    Parameters
    ----------
    tank : Tank
        As it is now; it may have changed since the form was shown.
    sent : SentForm
        The form.

    Returns
    -------
    tuple of Tank and dict of str to str
        The changed tank, and a sentence for each invalid setting, by its name in
        `colorread.tank.SETTINGS` and in the order of the form.
    """
    typed = sent.typed
    changed = {name for name in SETTINGS if typed[name] != sent.shown[name]}
    if not typed["source"]:
        changed -= _OF_SOURCE - {"source"}
    elif _OF_SOURCE & changed and tank.source_kind != typed["source"]:
        changed |= _OF_SOURCE  # another kind starts without amount, day and valve, so set all of them again
    wrong: dict[str, str] = {}
    for name, setting in SETTINGS.items():  # one by one, so that every mistake is shown at its field
        if name in changed:
            try:
                value = _typed_value(name, setting, sent)
                tank = changed_tank(tank, {}, {name}) if value is None else changed_tank(tank, {name: value})
            except ValueError as error:
                wrong[name] = str(error)
    return tank, wrong


def _typed_value(name: str, setting: Setting, sent: SentForm) -> str | float | bool | None:
    """Return what was typed as `changed_tank` takes it; None if the field is empty."""
    text = sent.typed[name]
    if setting.kind == "flag":
        return text == "yes"
    if setting.kind == "span":
        return _span_text(name, text)
    return typed_number(name, text, sent.units) if setting.kind == "number" else text or None


def typed_number(name: str, text: str, units: Units) -> float | None:
    """Return a number that was typed for a setting, in the unit of the project; None if the field is empty."""
    setting = SETTINGS[name]
    measure = setting.measure
    if not text or measure is None or measure.quantity is None:
        return parse_number(setting.name, text) if text else None
    unit = units[measure.quantity]
    try:  # a unit may be typed too, such as 16 gal
        value = unit.from_base(parse_quantity(measure.quantity, text.replace(",", ".")))
    except ValueError:
        value = parse_number(setting.name, text)
    return unit.to_base_within(setting.name, value, *measure.limits)


def _span_text(name: str, text: str) -> str | None:
    on, _, off = text.partition("-")
    if not on and not off:
        return None
    if not on or not off:
        raise ValueError(f"Enter both times for the {name}, or neither.")
    if on == off != "00:00":
        raise ValueError(f"{on} twice may mean never or always; for the whole day, enter midnight twice.")
    return f"{on}-{'24:00' if off == '00:00' else off}"
