"""
Molar masses, and the units in which people type and read hardness, temperature, volume and mass.

All interfaces of the project take carbonate hardness in dKH. One dKH is by definition the alkalinity of 10 mg of CaO
per liter; one mmol/L of alkalinity is one meq/L.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

# Abridged standard atomic weights [g/mol]: Prohaska et al. 2022, Standard atomic weights of the elements
# 2021 (IUPAC Technical Report), Pure Appl. Chem. 94, 573-600, doi:10.1515/pac-2019-0603.
_H = 1.0080
_C = 12.011
_O = 15.999
_NA = 22.990
_CA = 40.078

CO2_G_MOL = _C + 2 * _O
"""Molar mass of carbon dioxide [g/mol]."""
CAO_G_MOL = _CA + _O
"""Molar mass of calcium oxide, two equivalents [g/mol]."""
CACO3_G_MOL = _CA + _C + 3 * _O
"""Molar mass of calcium carbonate, two equivalents [g/mol]."""
HCO3_G_MOL = _H + _C + 3 * _O
"""Molar mass of the bicarbonate ion, one equivalent [g/mol]."""
NAHCO3_G_MOL = _NA + HCO3_G_MOL
"""Molar mass of sodium bicarbonate (baking soda), one equivalent [g/mol]."""
WATER_G_MOL = 2 * _H + _O
"""Molar mass of water [g/mol]."""
NA2CO3_G_MOL = 2 * _NA + _C + 3 * _O
"""Molar mass of sodium carbonate (washing soda), two equivalents [g/mol]."""

MMOL_L_PER_DKH = 2 * 10.0 / CAO_G_MOL
"""Alkalinity of one degree: 10 mg/L of CaO, two equivalents per mole [mmol/L]."""

# By definition: NIST Handbook 44, appendix C (US gallon of 231 cubic inches, avoirdupois ounce, inch of 2.54 cm).
L_PER_GALLON = 231 * 2.54**3 / 1000
"""One US gallon [L]."""
ML_PER_FLUID_OUNCE = 1000 * L_PER_GALLON / 128
"""One US fluid ounce [mL]."""
G_PER_OUNCE = 28.349523125
"""One avoirdupois ounce [g]."""

Quantity = Literal["temperature", "kh", "volume", "fluid", "mass"]
"""Quantities whose unit the keeper chooses; ``fluid`` is a volume measured with syringes and cups."""


@dataclass(frozen=True, slots=True)
class Unit:
    """
    A unit of a quantity, and its relation to the unit of the project.

    Parameters
    ----------
    words : str
        Text after a number.
    scale : float
        How many of it make one of the project's unit.
    digits : int
        Decimals worth showing.
    zero : float, default 0.0
        What it shows where the project's unit shows 0.
    """

    words: str
    scale: float
    digits: int
    zero: float = 0.0

    def from_base(self, value: float) -> float:
        """Convert a value in the project's unit to this one."""
        return value * self.scale + self.zero

    def to_base(self, value: float) -> float:
        """Convert a value in this unit to the project's."""
        return (value - self.zero) / self.scale

    def number(self, value: float) -> str:
        """Return a value in the project's unit as a number in this one."""
        text = f"{self.from_base(value):.{self.digits}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text

    def text(self, value: float) -> str:
        """Return a value in the project's unit as a number in this one, with the unit."""
        return f"{self.number(value)} {self.words}"

    def to_base_within(self, words: str, value: float, low: float, high: float) -> float:
        """
        Convert a value in this unit to the project's if it lies within a range.

        Parameters
        ----------
        words : str
            Name of the value, for the message.
        value : float
            In this unit.
        low, high : float
            Ends of the range, both included, in the unit of the project.

        Returns
        -------
        float
            In the unit of the project.

        Raises
        ------
        ValueError
            If it lies outside; one sentence, in this unit.
        """
        own = self.to_base(value)
        if not low <= own <= high:
            step = 10.0**-self.digits  # rounded inward, so that the ends in the message are accepted
            least, most = (round(self.from_base(end) / step, 6) for end in (low, high))
            ends = f"{math.ceil(least) * step:g} and {math.floor(most) * step:g}"
            raise ValueError(f"{words} in {self.words} must be between {ends}, not {value:g}.")
        return own


UNITS: Mapping[Quantity, Mapping[str, Unit]] = {
    "temperature": {"c": Unit("°C", 1.0, 2), "f": Unit("°F", 1.8, 1, zero=32.0)},
    "kh": {
        "dkh": Unit("dKH", 1.0, 3),
        "caco3": Unit("mg/L CaCO3", MMOL_L_PER_DKH * CACO3_G_MOL / 2, 1),
        "meq": Unit("meq/L", MMOL_L_PER_DKH, 3),
    },
    "volume": {"l": Unit("L", 1.0, 2), "gal": Unit("gal", 1.0 / L_PER_GALLON, 2)},
    "fluid": {"ml": Unit("mL", 1.0, 1), "floz": Unit("fl oz", 1.0 / ML_PER_FLUID_OUNCE, 2)},
    "mass": {"g": Unit("g", 1.0, 1), "oz": Unit("oz", 1.0 / G_PER_OUNCE, 2)},
}
"""The units of each quantity, by the name typed after a number; the first is the project's."""
_ROUNDED_OFF = 0.005  # 15 gal are shown as 57 L, not as 56.78: nobody measures a tank closer than that (assumption)
_NUMBER_WITH_UNIT = re.compile(r"([-+]?[0-9.]+)\s*([a-z0-9]+)")


def parse_quantity(quantity: Quantity, text: str) -> float:
    """
    Return a number with its unit, such as ``77F`` or ``15 gal``, in the unit of the project.

    Parameters
    ----------
    quantity : str
        What is measured.
    text : str
        As it was typed.

    Returns
    -------
    float
        In the unit of the project.

    Raises
    ------
    ValueError
        If it is not a number with a unit of this quantity.
    """
    match = _NUMBER_WITH_UNIT.fullmatch(text.strip().lower().replace("°", "").replace("fl oz", "floz"))
    if match is None or match[2] not in UNITS[quantity]:
        raise ValueError(text)
    return UNITS[quantity][match[2]].to_base(float(match[1]))


def with_other_unit(quantity: Quantity, value: float, *, remark: str = "") -> str:
    """
    Return a value in the unit of the project and in the other one, such as ``60 L (15.9 gal)``.

    Parameters
    ----------
    quantity : str
        What is measured.
    value : float
        In the unit of the project.
    remark : str, optional
        Text after the other unit.

    Returns
    -------
    str
        With three digits in the other unit. A value that was typed in the other unit is rounded off in the project's.
    """
    own, other, *_ = UNITS[quantity].values()
    in_other = float(f"{other.from_base(value):.3g}")
    if math.isclose(other.to_base(in_other), value):  # as it was typed
        rounded = (round(value, digits) for digits in range(own.digits))
        value = next((short for short in rounded if abs(short - value) <= _ROUNDED_OFF * abs(value)), value)
    return f"{own.text(value)} ({in_other:g} {other.words}{remark})"
