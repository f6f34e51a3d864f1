"""A charge of gas by stoichiometry: how much CO2 it holds, and what to mix for a given amount."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from colorread.chemistry import CO2_G_MOL, NAHCO3_G_MOL, WATER_G_MOL
from colorread.tank.settings import GasSource
from colorread.words import SourceKind

# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2, 342.297 g/mol from standard atomic masses: 0.5143 g CO2 per g of sucrose.
_SUCROSE_G_MOL = 342.297
_CO2_PER_SUCROSE = 4.0 * CO2_G_MOL / _SUCROSE_G_MOL
# C6H8O7 + 3 NaHCO3 -> Na3C6H5O7 + 3 CO2 + 3 H2O, anhydrous citric acid 192.123 g/mol: 0.687 g CO2 per g of acid, with
# 1.312 g of bicarbonate.
_CITRIC_ACID_G_MOL = 192.123
CO2_PER_CITRIC_ACID = 3.0 * CO2_G_MOL / _CITRIC_ACID_G_MOL
SODA_PER_ACID = 3.0 * NAHCO3_G_MOL / _CITRIC_ACID_G_MOL
_CO2_PER_G: dict[SourceKind, float] = {
    "fermentation": _CO2_PER_SUCROSE,
    "acid-bicarbonate": CO2_PER_CITRIC_ACID,
    "cylinder": 1.0,
}
# While the hose is in the tank, 60 to 90 % of the theoretical CO2 reaches the water: common practice, no source.
USUAL_YIELD = (0.6, 0.9)
# The monohydrate carries one molecule of water: 1.094 g of it replace 1 g of anhydrous acid, and 1 g of it uses 1.199 g
# of bicarbonate.
MONOHYDRATE_PER_ACID = (_CITRIC_ACID_G_MOL + WATER_G_MOL) / _CITRIC_ACID_G_MOL
# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2: 0.538 g of ethanol (46.07 g/mol) per g of sucrose.
_ETHANOL_PER_SUCROSE = (_SUCROSE_G_MOL + WATER_G_MOL - 4.0 * CO2_G_MOL) / _SUCROSE_G_MOL
_ETHANOL_G_ML = 0.789  # at 20 degrees C: handbooks
# Yeast stops at about 12 to 15 % alcohol by volume (common practice, no source); up to 12 % it uses all the sugar.
_ALCOHOL_MAX = 0.12
_SUGAR_ML_PER_G = 0.62  # volume of dissolved sugar: its apparent specific volume, handbooks
# Half a teaspoon to a tablespoon of fresh dry yeast for one to two cups of sugar: common practice, no source. Half a
# teaspoon per cup here, as less yeast lasts longer.
_YEAST_TSP_PER_CUP_SUGAR = 0.5
# A level US cup of sugar and a teaspoon of yeast: common practice, no source.
SUGAR_G_PER_CUP, YEAST_G_PER_TSP = 200.0, 3.1
_FERMENTING_FILL = 0.75  # share of a bottle to fill, as it foams: common practice, no source
# A third more water than acid and soda together weigh, and bottles half full, as the mix foams: assumptions.
_WATER_PER_ACID_ML = 3.0
_ACID_SOLIDS_ML_PER_G = 0.6  # of dissolved acid and wet soda together: assumption, erring towards a larger bottle
_ACID_FILL = 0.5
_BOTTLES_ML = (500.0, 1000.0, 1500.0, 2000.0)  # sizes sold for sparkling drinks: common practice, no source

Substance = Literal["sugar", "yeast", "citric acid", "baking soda", "water"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """
    One charge of a bottle.

    Parameters
    ----------
    parts : mapping of Substance to float
        What goes in [g]; water [mL].
    bottles : int
        Number of bottles to divide it among.
    bottle_ml : float
        Size of each, including its head space [mL].
    co2_g : float
        CO2 that it gives by stoichiometry [g].
    """

    parts: dict[Substance, float]
    bottles: int
    bottle_ml: float
    co2_g: float


def co2_of_charge_g(source: GasSource) -> float | None:
    """
    Return the most CO2 that a whole charge can give; None if its amount is not known [g].

    The amount is sugar as sucrose, anhydrous citric acid with enough bicarbonate, or the gas in a cylinder.
    """
    return None if source.amount_g is None else source.amount_g * _CO2_PER_G[source.kind]


def fermentation_mix(co2_g: float) -> Mix:
    """Return a charge with enough water that all sugar is used before the alcohol stops the yeast."""
    sugar_g = _rounded(co2_g / _CO2_PER_SUCROSE)
    liquid_ml = sugar_g * _ETHANOL_PER_SUCROSE / _ETHANOL_G_ML / _ALCOHOL_MAX
    yeast_tsp = max(_YEAST_TSP_PER_CUP_SUGAR * sugar_g / SUGAR_G_PER_CUP, 0.25)
    sugar_ml = sugar_g * _SUGAR_ML_PER_G
    water_ml = _rounded(liquid_ml - sugar_ml, 2)
    return _in_bottles(
        {"sugar": sugar_g, "yeast": _rounded(yeast_tsp * YEAST_G_PER_TSP, 2), "water": water_ml},
        (water_ml + sugar_ml) / _FERMENTING_FILL,
        sugar_g * _CO2_PER_SUCROSE,
    )


def acid_mix(co2_g: float) -> Mix:
    """Return a charge with exactly as much soda as the acid uses up."""
    acid_g = _rounded(co2_g / CO2_PER_CITRIC_ACID)
    soda_g, water_ml = _rounded(acid_g * SODA_PER_ACID), _rounded(acid_g * _WATER_PER_ACID_ML, 2)
    return _in_bottles(
        {"citric acid": acid_g, "baking soda": soda_g, "water": water_ml},
        (water_ml + (acid_g + soda_g) * _ACID_SOLIDS_ML_PER_G) / _ACID_FILL,
        acid_g * CO2_PER_CITRIC_ACID,
    )


def _in_bottles(parts: dict[Substance, float], needed_ml: float, co2_g: float) -> Mix:
    """Return a charge in the fewest and smallest bottles that hold it with head space."""
    bottles = math.ceil(needed_ml / _BOTTLES_ML[-1])
    bottle_ml = next(size for size in _BOTTLES_ML if size * bottles >= needed_ml)
    return Mix(parts=parts, bottles=bottles, bottle_ml=bottle_ml, co2_g=co2_g)


def _rounded(value: float, digits: int = 3) -> float:
    return float(f"{value:.{digits}g}")
