"""What to mix for so much CO2: sugar and yeast, citric acid and baking soda, or gas in a cylinder."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from colorread.chemistry import CO2_G_MOL, NAHCO3_G_MOL, UNITS, WATER_G_MOL
from colorread.tank.gas_source import CITRIC_ACID_G_MOL, CO2_PER_CITRIC_ACID, CO2_PER_SUCROSE, SUCROSE_G_MOL

# C6H8O7 + 3 NaHCO3 -> Na3C6H5O7 + 3 CO2 + 3 H2O: 1.312 g of bicarbonate per g of anhydrous acid.
SODA_PER_ACID = 3.0 * NAHCO3_G_MOL / CITRIC_ACID_G_MOL
# The monohydrate carries one molecule of water: 1.094 g of it per g of anhydrous acid, 1.199 g of bicarbonate per g.
MONOHYDRATE_PER_ACID = (CITRIC_ACID_G_MOL + WATER_G_MOL) / CITRIC_ACID_G_MOL
# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2: 0.538 g of ethanol (46.07 g/mol) per g of sucrose.
_ETHANOL_PER_SUCROSE = (SUCROSE_G_MOL + WATER_G_MOL - 4.0 * CO2_G_MOL) / SUCROSE_G_MOL
_ETHANOL_G_ML = 0.789  # at 20 degrees C: handbooks
# Yeast stops near 12 to 15 % of alcohol by volume (common practice, no source): at 12 % all sugar is still used.
_ALCOHOL_MAX = 0.12
_SUGAR_ML_PER_G = 0.62  # that dissolved sugar takes up: its apparent specific volume, handbooks
# Half a teaspoon to a tablespoon of fresh dry yeast to one to two cups of sugar: common practice, no source. Here half
# a teaspoon to a cup, as little yeast lasts longer.
_YEAST_TSP_PER_CUP_SUGAR = 0.5
_FERMENTING_FILL = 0.75  # of a bottle, as it foams: common practice, no source
# A third more water than acid and soda together weigh, and half a bottle, as it foams when it mixes: assumptions.
_WATER_PER_ACID_ML = 3.0
_ACID_SOLIDS_ML_PER_G = 0.6  # of dissolved acid and wet soda together: assumption, on the side of a larger bottle
_ACID_FILL = 0.5
_BOTTLES_ML = (500.0, 1000.0, 1500.0, 2000.0)  # that are sold for sparkling drinks: common practice, no source

Substance = Literal["sugar", "yeast", "citric acid", "baking soda", "water"]
# A level US cup: common practice, no source. Teaspoons of yeast are 3.1 g, of baking soda and citric acid 4.6 g.
_G_PER_CUP: dict[Substance, float] = {
    "sugar": 200.0,
    "yeast": 3.1 * 48.0,
    "citric acid": 4.6 * 48.0,
    "baking soda": 4.6 * 48.0,
}
_SPOONS_PER_CUP = {"cup": 1.0, "tbsp": 16.0, "tsp": 48.0}
_SPOON_ERROR = 0.05  # nobody fills a spoon more exactly: assumption
_QUARTERS = {0.25: "¼", 0.5: "½", 0.75: "¾"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """
    One charge of a bottle.

    Parameters
    ----------
    parts : mapping of Substance to float
        What goes in, water in mL [g].
    bottles : int
        How many are filled with it together.
    bottle_ml : float
        Size of each, with its head space [mL].
    co2_g : float
        What it gives by stoichiometry [g].
    """

    parts: dict[Substance, float]
    bottles: int
    bottle_ml: float
    co2_g: float


def fermentation_mix(co2_g: float) -> Mix:
    """
    Return sugar, yeast and water.

    Parameters
    ----------
    co2_g : float
        What it is to give by stoichiometry, above 0 [g].

    Returns
    -------
    Mix
        With so much water that the alcohol does not stop the yeast before the sugar is used.
    """
    sugar_g = _rounded(co2_g / CO2_PER_SUCROSE)
    liquid_ml = sugar_g * _ETHANOL_PER_SUCROSE / _ETHANOL_G_ML / _ALCOHOL_MAX
    yeast_tsp = max(_YEAST_TSP_PER_CUP_SUGAR * sugar_g / _G_PER_CUP["sugar"], 0.25)
    sugar_ml = sugar_g * _SUGAR_ML_PER_G
    water_ml = _rounded(liquid_ml - sugar_ml, 2)
    bottles, bottle_ml = _bottles((water_ml + sugar_ml) / _FERMENTING_FILL)
    return Mix(
        parts={
            "sugar": sugar_g,
            "yeast": _rounded(yeast_tsp * _G_PER_CUP["yeast"] / 48.0, 2),
            "water": water_ml,
        },
        bottles=bottles,
        bottle_ml=bottle_ml,
        co2_g=sugar_g * CO2_PER_SUCROSE,
    )


def acid_mix(co2_g: float) -> Mix:
    """
    Return anhydrous citric acid, baking soda and water.

    Parameters
    ----------
    co2_g : float
        What it is to give by stoichiometry, above 0 [g].

    Returns
    -------
    Mix
        With just as much soda as the acid uses.
    """
    acid_g = _rounded(co2_g / CO2_PER_CITRIC_ACID)
    soda_g, water_ml = _rounded(acid_g * SODA_PER_ACID), _rounded(acid_g * _WATER_PER_ACID_ML, 2)
    bottles, bottle_ml = _bottles((water_ml + (acid_g + soda_g) * _ACID_SOLIDS_ML_PER_G) / _ACID_FILL)
    return Mix(
        parts={"citric acid": acid_g, "baking soda": soda_g, "water": water_ml},
        bottles=bottles,
        bottle_ml=bottle_ml,
        co2_g=acid_g * CO2_PER_CITRIC_ACID,
    )


def amount_words(substance: Substance, amount: float) -> str:
    """
    Return an amount in grams with ounces and kitchen measures beside it.

    Parameters
    ----------
    substance : str
        What it is.
    amount : float
        Mass, of water its volume [g or mL].

    Returns
    -------
    str
        Such as ``142 g (5 oz, 11 ¼ tbsp)``; kitchen measures to a quarter, none of water, whose cups tell ounces too.
    """
    own, other = UNITS["fluid" if substance == "water" else "mass"].values()
    told = f"{other.from_own(amount):.2g} {other.words}"
    if substance in _G_PER_CUP:
        told += f", {_kitchen_words(amount / _G_PER_CUP[substance])}"
    return f"{amount:g} {own.words} ({told})"


def _kitchen_words(cups: float) -> str:
    """Return a volume in quarters of the largest measure that tells it well enough."""
    told = [
        (name, quarters, abs(quarters / (cups * per_cup) - 1.0) <= _SPOON_ERROR)
        for name, per_cup in _SPOONS_PER_CUP.items()
        for quarters in (max(round(cups * per_cup * 4.0), 1) / 4.0,)
    ]
    name, quarters, _ = next((one for one in told if one[2]), told[-1])
    whole, part = int(quarters), quarters % 1.0
    shown = (f"{whole}" if whole else "") + (f"{' ' if whole else ''}{_QUARTERS[part]}" if part else "")
    return f"{shown} {name}{'s' if name == 'cup' and quarters > 1.0 else ''}"


def _bottles(needed_ml: float) -> tuple[int, float]:
    """Return how many bottles of which size hold so much with their head space."""
    count = math.ceil(needed_ml / _BOTTLES_ML[-1])
    return count, next(size for size in _BOTTLES_ML if size * count >= needed_ml)


def _rounded(value: float, digits: int = 3) -> float:
    return float(f"{value:.{digits}g}")
