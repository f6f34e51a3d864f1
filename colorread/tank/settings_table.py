"""
The settings of a tank: their names, how they are asked for, and their limits.

A setting is a field of `colorread.tank.settings.Tank` and an entry in ``settings.toml``, from which its option, its
field in the form, its parsing and its limits follow. No heavy imports here, so that the command line can show them at
once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, get_args

from colorread import limits
from colorread.records import toml_beside
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
    label, group, hint : str
        Label of its field in a form, legend of its group, and the text below it, where ``{usual}`` stands for the
        default.
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
    label: str
    group: str = ""
    hint: str = ""
    name: str = ""
    measure: Measure | None = None
    usual: float | None = None
    if_low: str = ""
    choices: Mapping[Any, str] = field(default_factory=dict)
    unset: str = ""

    def values_in(self, tank: object) -> list[Any]:
        """Return the values of these fields in a tank; None for each that is not set."""
        return [reduce(lambda value, name: getattr(value, name, None), path.split("."), tank) for path in self.fields]


_CHOICES: Mapping[str, Mapping[Any, str]] = {
    "source": SOURCE_WORDS,
    "valve": VALVE_WORDS,
    "light": {name: name.replace("-", " ") for name in get_args(limits.LightName)},
}
# What the file may name.
_NAMED = vars(limits) | {"SENSITIVE_ANIMALS": SENSITIVE_ANIMALS, "VALVES": ", ".join(VALVE_WORDS.values())}


def _setting(option: str, entry: dict[str, Any]) -> Setting:
    """Return a setting from its entry in the file."""
    texts = {name: entry.get(name, "").format(**_NAMED) for name in ("help", "hint")}
    values: dict[str, Any] = {"fields": tuple(entry["fields"]), "choices": _CHOICES.get(option, {})}
    if "usual" in entry:
        values["usual"] = _NAMED[entry["usual"]]
    if "measure" in entry:
        values["measure"] = Measure(**entry["measure"] | {"limits": _NAMED[entry["measure"]["limits"]]})
    return Setting(**entry | texts | values)


_ENTRIES = toml_beside(__file__, "settings.toml")
SETTINGS: Mapping[str, Setting] = {option: _setting(option, entry) for option, entry in _ENTRIES.items()}
"""By the options of ``colorread tank``, with underscores, in the order of the form."""
