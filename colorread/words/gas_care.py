"""Gas sources and valves: their names, how to stop or reduce the gas, and cautions."""

# All of this is common practice, no source. Nothing slow is imported, so that the command line can show it at once.

from __future__ import annotations

from typing import Literal

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
_HOSE_OUT = "pull the hose out of the tank, never close or pinch it"
_IF_BOTTLE = f" (DIY bottle: {_HOSE_OUT})"
SIGNS_IN_SHORT = "Fish gasping or breathing fast? Run an air stone."
SIGNS_OF_DISTRESS = (
    "Signs of too much CO2 or too little oxygen: fish gasp at the surface, breathe fast, lose balance or lie still. "
    "The end of the night is the critical time."
)

_ROOM = (
    "CO2 collects in closed rooms, cupboards and cellars. Ventilate where the gas source stands; leave the room if you "
    "get a headache, breathe fast or feel dizzy."
)
_BOTTLE = (
    "DIY bottle: never seal it or pinch its hose. Use a pressure-rated one, secured against tipping, with a check "
    "valve and a trap bottle. A blocked hose or diffuser builds pressure."
)
_VALVED_BOTTLE = (
    "Acid bottle with a valve: use a pressure-rated one with a relief valve and a check valve, secured against "
    "tipping. Follow its supplier's instructions and local codes. It keeps making gas behind the valve, so never "
    "refill it under pressure. Keep acid away from eyes and skin."
)
_CYLINDER = (
    "Cylinder: upright, secured, away from heat and sun, with regulator and check valve as its supplier and local "
    "codes require. When it is nearly empty, the gas may come in one rush."
)


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
    if source is None:
        return f"turn it off{_IF_BOTTLE}"
    if has_open_hose(source, valve):
        return _HOSE_OUT
    if source == "acid-bicarbonate":
        return "pull the hose out of the tank"
    return "close the cylinder's own valve" if valve == "none" else "turn it off"


def less_gas_words(source: SourceKind | None, valve: Valve | None = None, *, a_little: bool = False) -> str:
    """Return how to reduce the gas at once, as `stop_gas_words` does; `a_little` if a little less may be enough."""
    down = "turn the gas down a little" if a_little else "turn the gas down"
    if source is None:
        return f"{down} (DIY bottle: hose out of the tank, never closed or pinched)"
    if has_open_hose(source, valve) or valve == "none":
        return f"{stop_gas_words(source, valve)}{'; a few hours are enough to begin with' if a_little else ''}"
    return down


def distress_words(source: SourceKind | None, valve: Valve | None = None) -> str:
    """Return what to do if fish show signs of distress, with the parameters of `stop_gas_words`."""
    how = _IF_BOTTLE if source is None or has_open_hose(source, valve) else ""
    # Water of the same temperature and hardness, without chlorine: common practice, no source.
    return (
        f"If you see them, stop the gas{how}. Ripple the surface or run an air stone. Replace part of the water with "
        "conditioned (dechlorinated) water of the same temperature and hardness. If that does not help, call a vet."
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
    if source is None:
        return _ROOM, _BOTTLE, _CYLINDER
    if source == "cylinder":
        return _ROOM, _CYLINDER
    return _ROOM, _BOTTLE if has_open_hose(source, valve) else _VALVED_BOTTLE
