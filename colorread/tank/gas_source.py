"""What a charge of sugar, of acid and bicarbonate, or of a cylinder can give, and what can be done with its gas."""

from __future__ import annotations

from dataclasses import dataclass, replace

from colorread.chemistry import CO2_G_MOL
from colorread.tank.settings import DailySpan, GasSource
from colorread.words import has_open_hose, stop_gas

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
    What a keeper can do with the gas of a source, in words; what cannot be done is empty.

    Parameters
    ----------
    on, off, both : str
        To begin and end it at an hour, with places for ``on`` and ``off``.
    stop : str
        To end it at once, in small letters.
    how : str
        What to heed in ending it, a sentence; empty where a switch does it.
    down, up : str
        To bring less or more of it into the water, with places for ``percent`` and, where a valve does it, ``bubbles``.
    least_factor : float
        How far down that goes [-].
    less : str
        How to start again with less; empty where a valve does it.
    more : str
        How to come to much more of it, in small letters.
    """

    on: str = ""
    off: str = ""
    both: str = ""
    stop: str
    how: str = ""
    down: str
    up: str
    least_factor: float = 0.5
    less: str = ""
    more: str


_ON, _OFF, _BOTH = "Turn the gas on at {on}", "Turn the gas off at {off}", "Turn the gas on at {on} and off at {off}"
_STEP_UP = "turn it up by at most a fifth at a time"
# Near the surface little of a bubble dissolves, deep and in the outflow much: common practice, no source. Less than
# seven tenths by that alone: assumption.
_HIGHER = "Hang the diffuser higher, so that about {percent:.0f} % less gas dissolves."
_DEEPER = "Hang the diffuser deeper or in the outflow, so that about {percent:.0f} % more gas dissolves."
_LEAST_BY_DEPTH = 0.7
_SMALLER_BOTTLE = ", with fewer bottles or a smaller charge"
_LARGER_BOTTLE = "hang the diffuser deeper or in the outflow, or add a bottle or a larger charge"


def handling_of(source: GasSource | None, gas: DailySpan) -> Handling:
    """
    Return what a keeper can do with the gas of a source.

    Parameters
    ----------
    source : GasSource or None
        What makes and sets the gas; words that fit all of them where not known.
    gas : DailySpan
        When it is on. Gas that is not on all day can be begun and ended by hand.

    Returns
    -------
    Handling
        A fermenting bottle cannot be stopped, so it has no hours. The hose of an acid bottle without a valve can be
        moved by hand. What has a needle valve alone is not opened and closed twice a day where it runs all day. A
        cylinder whose valve is not known is taken to be set and switched somehow.
    """
    kind, valve = (None, None) if source is None else (source.kind, source.valve)
    stop = stop_gas(kind, valve)
    if kind is None:
        return Handling(
            on="Start the gas at {on}",
            off="End the gas at {off}",
            both="Run the gas from {on} to {off}",
            stop=stop,
            down="Turn the gas valve down by about {percent:.0f} %{bubbles}.",
            up="Turn the gas valve up by about {percent:.0f} %{bubbles}.",
            more=f"{_STEP_UP}, or add a DIY bottle",
        )
    by_depth = Handling(
        stop=stop, down=_HIGHER, up=_DEEPER, least_factor=_LEAST_BY_DEPTH, less=_SMALLER_BOTTLE, more=_LARGER_BOTTLE
    )
    if kind == "fermentation":
        return by_depth
    if has_open_hose(kind, valve):
        return replace(
            by_depth,
            on="Put the hose into the tank at {on}",
            off="Pull the hose out of the tank at {off}",
            both="Put the hose into the tank at {on} and pull it out at {off}",
            how="Never close or pinch the hose.",
        )
    if valve == "none":
        handling = replace(by_depth, less=", which needs a needle valve", more="hang the diffuser deeper")
    else:
        handling = Handling(
            stop=stop,
            down="Turn the gas down by about {percent:.0f} %{bubbles}.",
            up="Turn the gas up by about {percent:.0f} %{bubbles}.",
            more=_STEP_UP,
        )
    if gas.hours < 24.0 or valve in (None, "timer"):
        handling = replace(handling, on=_ON, off=_OFF, both=_BOTH)
    return handling


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
