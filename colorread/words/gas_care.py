"""Gas sources and valves: their names, how to stop or reduce the gas, and cautions."""

# All of this is common practice, no source. Nothing slow is imported, so that the command line can show it at once.
from __future__ import annotations

from typing import Any, Literal

from colorread.records import toml_beside

SourceKind = Literal["fermentation", "acid-bicarbonate", "cylinder"]
SOURCE_WORDS: dict[SourceKind, str] = {
    "fermentation": "sugar and yeast",
    "acid-bicarbonate": "citric acid and baking soda",
    "cylinder": "cylinder",
}
Valve = Literal["none", "needle", "timer"]
"""What sets the gas: nothing, a needle valve, or a needle valve and a timer valve, which closes without power."""
VALVE_WORDS: dict[Valve, str] = {
    "none": "no valve",
    "needle": "needle valve",
    "timer": "needle and timer valve",
}
NO_VALVE_ON_YEAST = (
    "A fermenting bottle cannot be stopped: behind a closed valve the pressure rises until it bursts. It needs an open "
    "hose, without a valve."
)
SENSITIVE_ANIMALS = "shrimp, snails, fry, discus, fish of cold or fast water (hobby convention)"
SIGNS_IN_SHORT = "Fish gasping or breathing fast? Run an air stone."
SIGNS_OF_DISTRESS = (
    "Signs of too much CO2 or too little oxygen: fish gasp at the surface, breathe fast, lose balance or lie still. "
    "The end of the night is the critical time."
)
_TEXTS = toml_beside(__file__, "gas_care.toml")


def has_open_hose(source: SourceKind | None, valve: Valve | None = None) -> bool:
    """
    Return whether the gas comes through a hose that must stay open, as from a bottle without a valve.

    Parameters
    ----------
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        What makes the gas; None if not known.
    valve : {'none', 'needle', 'timer'} or None
        What sets it; a bottle whose valve is not known is assumed to have none.

    Returns
    -------
    bool
        True for such a bottle.
    """
    return source == "fermentation" or (source == "acid-bicarbonate" and valve in (None, "none"))


def stop_gas_words(source: SourceKind | None, valve: Valve | None = None) -> str:
    """
    Return how to stop the gas at once.

    Parameters
    ----------
    source, valve
        As for `has_open_hose`.

    Returns
    -------
    str
        An order in lower case, without a period; with every way if the source is not known.
    """
    return str(_texts_for(source, valve)["stop"])


def less_gas_words(source: SourceKind | None, valve: Valve | None = None, *, a_little: bool = False) -> str:
    """Return how to reduce the gas at once, as `stop_gas_words` does; `a_little` if a little less may be enough."""
    return str(_texts_for(source, valve)["a_little_less" if a_little else "less"])


def distress_words(source: SourceKind | None, valve: Valve | None = None) -> str:
    """Return what to do if fish show signs of distress, with the parameters of `stop_gas_words`."""
    # Water of the same temperature and hardness, without chlorine: common practice, no source.
    return (
        f"If you see them, {_texts_for(source, valve)['in_distress']}. Ripple the surface or run an air stone. Replace "
        "part of the water with conditioned (dechlorinated) water of the same temperature and hardness. If that does "
        "not help, call a vet."
    )


def gas_cautions(source: SourceKind | None, valve: Valve | None = None) -> tuple[str, ...]:
    """
    Return the cautions for the room and the gas source.

    Parameters
    ----------
    source, valve
        As for `has_open_hose`.

    Returns
    -------
    tuple of str
        The cautions; those for every source if it is not known.
    """
    return tuple(_TEXTS["cautions"][name] for name in _texts_for(source, valve)["cautions"])


def charge_caution(source: SourceKind) -> str:
    """Return the caution for mixing or filling a charge of gas."""
    return str(_TEXTS["charge"][source])


def _texts_for(source: SourceKind | None, valve: Valve | None) -> dict[str, Any]:
    """Return the entry of ``gas_care.toml`` for this hardware."""
    if source is None:
        hardware = "unknown"
    elif has_open_hose(source, valve):
        hardware = "open-bottle"
    elif source == "acid-bicarbonate":
        hardware = "valved-bottle"
    else:
        hardware = "open-cylinder" if valve == "none" else "cylinder"
    texts: dict[str, Any] = _TEXTS["hardware"][hardware]
    return texts
