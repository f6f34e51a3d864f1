"""What a charge of sugar, of acid and bicarbonate, or of a cylinder can give, and what can be done with its gas."""

from __future__ import annotations

from dataclasses import dataclass, replace

from colorread.gas_care import HOSE_OUT
from colorread.tank.settings import DailySpan, GasSource
from colorread.units import CO2_G_MOL

# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2, 342.297 g/mol from standard atomic masses: 0.5143 g CO2 per g of sucrose.
SUCROSE_G_MOL = 342.297
CO2_PER_SUCROSE = 4.0 * CO2_G_MOL / SUCROSE_G_MOL
# C6H8O7 + 3 NaHCO3 -> 3 CO2, anhydrous citric acid 192.123 g/mol: 0.687 g CO2 per g, with 1.312 g of bicarbonate.
CITRIC_ACID_G_MOL = 192.123
CO2_PER_CITRIC_ACID = 3.0 * CO2_G_MOL / CITRIC_ACID_G_MOL
# Of the theory 60 to 90 % reaches the water while the gas is led there: common practice, no source.
USUAL_YIELD = (0.6, 0.9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Handling:
    """
    What a keeper can do with the gas of a source, in words.

    Parameters
    ----------
    on, off, both : str
        To begin and end it at an hour, with places for ``on`` and ``off``.
    stop : str
        To end it at once, in small letters.
    how : str
        What to heed in ending it, a sentence; empty where a switch does it.
    rate : str
        To set its rate, before "up" or "down"; empty where that cannot be done.
    less : str
        How to start again with less; empty where a valve does it.
    more : str
        How to come to much more of it, in small letters.
    """

    on: str
    off: str
    both: str
    stop: str
    how: str = ""
    rate: str = ""
    less: str = ""
    more: str


_SWITCHED = Handling(
    on="Turn the gas on at {on}",
    off="Turn the gas off at {off}",
    both="Turn the gas on at {on} and off at {off}",
    stop="turn it off",
    rate="Turn the gas",
    more="turn it up by at most a fifth at a time",
)
_BOTTLE = Handling(
    on="Put the hose into the tank at {on}",
    off="Pull the hose out of the tank at {off}",
    both="Put the hose into the tank at {on} and pull it out at {off}",
    stop=HOSE_OUT,
    how="Never close or pinch the hose.",
    less=", with fewer bottles or a smaller charge",
    more="add a bottle or use a larger charge",
)
_UNKNOWN = Handling(
    on="Start the gas at {on}",
    off="End the gas at {off}",
    both="Run the gas from {on} to {off}",
    stop=f"turn it off (DIY bottle: {HOSE_OUT})",
    rate="Turn the gas valve",
    more="turn it up by at most a fifth at a time, or add a DIY bottle",
)


def handling_of(source: GasSource | None, gas: DailySpan) -> Handling:
    """
    Return what a keeper can do with the gas of a source.

    Parameters
    ----------
    source : GasSource or None
        What makes the gas; words that fit all of them where not known.
    gas : DailySpan
        When it is on.

    Returns
    -------
    Handling
        Yeast cannot be stopped. Bottles of acid and bicarbonate usually have a needle valve (common practice, no
        source); those whose gas is not on all day are taken to have one.
    """
    if source is None:
        return _UNKNOWN
    if source.kind == "cylinder":
        return _SWITCHED
    if source.kind == "acid-bicarbonate" and gas.hours < 24.0:
        return replace(_SWITCHED, stop=_BOTTLE.stop)
    return _BOTTLE


def co2_of_charge_g(source: GasSource) -> float | None:
    """
    Return the CO2 that a whole charge can give at most.

    Parameters
    ----------
    source : GasSource
        Sugar as sucrose, citric acid as anhydrous with enough bicarbonate, or the gas in a cylinder.

    Returns
    -------
    float or None
        CO2, None where the amount is not known [g].
    """
    if source.amount_g is None:
        return None
    per_g = {"fermentation": CO2_PER_SUCROSE, "acid-bicarbonate": CO2_PER_CITRIC_ACID, "cylinder": 1.0}
    return source.amount_g * per_g[source.kind]


def share_into_water(source: GasSource, gas: DailySpan) -> float:
    """
    Return which share of what a source makes comes while its gas is led into the tank.

    Parameters
    ----------
    source : GasSource
        Yeast goes on by night; a valve keeps the gas of the others.
    gas : DailySpan
        When the gas is led into the tank.

    Returns
    -------
    float
        From 0 to 1 [-].
    """
    return gas.hours / 24.0 if source.kind == "fermentation" else 1.0
