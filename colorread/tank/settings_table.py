"""
The settings of a tank: their names, how they are asked for, and their limits.

A setting is a field of `colorread.tank.settings.Tank` and a row here, from which its option, its field in the form, its
parsing and its limits follow. No heavy imports here, so that the command line can show them at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, get_args

from colorread import limits
from colorread.words import SENSITIVE_ANIMALS, SOURCE_WORDS, VALVE_WORDS

if TYPE_CHECKING:  # takes long to load
    from colorread.chemistry import Quantity


class Measure(NamedTuple):
    """
    How a number is typed.

    Parameters
    ----------
    metavar, unit : str
        Its placeholder on the command line, and its unit in words.
    limits : tuple of float
        Lowest and highest value, in the project's own unit.
    quantity : str or None
        Key of `colorread.chemistry.units.UNITS` if other units are accepted too.
    """

    metavar: str
    unit: str
    limits: tuple[float, float]
    quantity: Quantity | None = None


class Shown(NamedTuple):
    """
    How a form shows a setting.

    Parameters
    ----------
    group, label, hint : str
        Legend of its group, label of its field, and the text below it, where ``{usual}`` stands for the default.
    """

    group: str
    label: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Setting:
    """
    One setting.

    Parameters
    ----------
    kind : {'number', 'range', 'span', 'day', 'choice', 'flag', 'file'}
        How it is typed; a range is two numbers, a span two times of the day.
    fields : tuple of str
        The fields of `Tank` that hold it, dotted if nested.
    help : str
        Help on the command line.
    shown : Shown
        How a form shows it.
    name : str
        Subject of an error message, such as ``The volume``; empty if the message needs none.
    measure : Measure or None
        Unit and limits of numbers.
    usual : float or None
        Default of a number, used if none is entered.
    if_low : str
        What to do if a number is too low; a sentence.
    choices : mapping of str to str
        Choices, and each in words.
    unset : str
        Words for no choice; empty if there always is one.
    """

    kind: Literal["number", "range", "span", "day", "choice", "flag", "file"]
    fields: tuple[str, ...]
    help: str
    shown: Shown
    name: str = ""
    measure: Measure | None = None
    usual: float | None = None
    if_low: str = ""
    choices: Mapping[Any, str] = field(default_factory=dict)
    unset: str = ""

    def values_in(self, tank: object) -> list[Any]:
        """Return the values of these fields in a tank; None for each that is not set."""
        return [reduce(lambda value, name: getattr(value, name, None), path.split("."), tank) for path in self.fields]


_SENSITIVE = f"{SENSITIVE_ANIMALS}. Uses a fish limit of {limits.SENSITIVE_FISH_LIMIT_MG_L:g} mg/L."
_USUAL_PLANTS = "{:g}-{:g}".format(*limits.USUAL_PLANTS_RANGE_MG_L)
_FISH_LIMITS = "From {:g} to {:g}. Fish-welfare sources advise {:g} mg/L or less long term.".format(
    *limits.FISH_LIMIT_RANGE_MG_L, limits.SENSITIVE_FISH_LIMIT_MG_L
)
_DKH = Measure("DKH", "dKH", limits.KH_RANGE_DKH, "kh")

# By the options of ``colorread tank``, with underscores, in the order of the form.
SETTINGS: Mapping[str, Setting] = {
    "kh": Setting(
        "number",
        ("kh_dkh",),
        f"KH of the fluid in the vial, in dKH; default {limits.USUAL_KH_DKH:g}.",
        Shown("", "KH of the fluid in the vial", "Not of the tank. Leave empty for {usual}."),
        name="The KH of the fluid",
        measure=_DKH,
        usual=limits.USUAL_KH_DKH,
    ),
    "lights": Setting(
        "span", ("lights",), "When the lights are on.", Shown("Every day", "Lights", "On the tank's own clock.")
    ),
    "gas": Setting(
        "span",
        ("gas",),
        "When the gas is on; a yeast bottle has no hours.",
        Shown("Every day", "Gas", "Leave empty for a yeast bottle: it never stops."),
    ),
    "temperature": Setting(
        "number",
        ("temperature_c",),
        f"Water temperature in degrees C; default {limits.USUAL_TEMPERATURE_C:g}.",
        Shown("Water and fluid", "Water temperature", "Leave empty for {usual}."),
        name="The temperature",
        measure=Measure("C", "degrees C", limits.TEMPERATURE_RANGE_C, "temperature"),
        usual=limits.USUAL_TEMPERATURE_C,
    ),
    "fluid_renewed": Setting(
        "day", ("fluid_renewed",), "Day the fluid was renewed.", Shown("Water and fluid", "Fluid renewed on")
    ),
    "tank_kh": Setting(
        "number",
        ("tank_kh_dkh",),
        "KH of the tank water, in dKH.",
        Shown("Water and fluid", "KH of the tank water", "Adds the pH a probe should show. May be left empty."),
        name="The KH of the tank",
        measure=_DKH,
        if_low="Leave it out: with almost no KH, tank pH says nothing about CO2.",
    ),
    "volume": Setting(
        "number",
        ("volume_l",),
        "Tank volume in L.",
        Shown("Water and fluid", "Tank volume"),
        name="The volume",
        measure=Measure("L", "L", limits.TANK_VOLUME_RANGE_L, "volume"),
    ),
    "source": Setting(
        "choice",
        ("source.kind",),
        "Gas source; a new kind clears amount, day and valve.",
        Shown("Gas source", "Source"),
        name="The gas source",
        choices=SOURCE_WORDS,
        unset="not set",
    ),
    "valve": Setting(
        "choice",
        ("source.valve",),
        f"What sets the gas: {', '.join(VALVE_WORDS.values())}.",
        Shown("Gas source", "Valve that sets the gas", "A fermenting bottle has none: it cannot be stopped."),
        name="The valve",
        choices=VALVE_WORDS,
        unset="not known",
    ),
    "source_amount": Setting(
        "number",
        ("source.amount_g",),
        "Sugar, citric acid or gas at the start, in g.",
        Shown("Gas source", "Sugar, citric acid or gas at the start"),
        name="The amount of the gas source",
        measure=Measure("GRAMS", "g", limits.SOURCE_AMOUNT_RANGE_G, "mass"),
    ),
    "source_started": Setting(
        "day", ("source.started",), "Day of the last refill.", Shown("Gas source", "Last refill")
    ),
    "sensitive": Setting(
        "flag",
        ("sensitive",),
        f"CO2-sensitive animals: {_SENSITIVE}",
        Shown("Limits", "CO2-sensitive animals", _SENSITIVE),
    ),
    "plants": Setting(
        "range",
        ("marks.plants_low_mg_l", "marks.plants_high_mg_l"),
        f"Plants' range in mg/L; default {_USUAL_PLANTS}.",
        Shown("Limits", "Plants' range", f"Usual: {_USUAL_PLANTS} (hobby convention)."),
        name="The plants' range",
        measure=Measure("LOW-HIGH", "mg/L", limits.PLANTS_LIMIT_RANGE_MG_L),
    ),
    "fish_limit": Setting(
        "number",
        ("marks.fish_mg_l",),
        f"Fish limit in mg/L; default {limits.USUAL_FISH_LIMIT_MG_L:g}.",
        Shown("Limits", "Fish limit", _FISH_LIMITS),
        name="The fish limit",
        measure=Measure("MG_L", "mg/L", limits.FISH_LIMIT_RANGE_MG_L),
    ),
    "light": Setting(
        "choice",
        ("light",),
        "Lamp in the photos, if known.",
        Shown("Photos", "Lamp in the photos"),
        name="The light",
        choices={name: name.replace("-", " ") for name in get_args(limits.LightName)},
    ),
    "profile": Setting(
        "file",
        ("profile",),
        "Calibration profile for its photos.",
        Shown("Photos", "Calibration profile"),
        unset="none",
    ),
}
