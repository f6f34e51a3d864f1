"""What makes the gas, which valve it has, how to give less of it, what to beware of; common practice."""

# No source for any of it. Without imports of its own, so that the command line may tell it at once.

from __future__ import annotations

from typing import Literal

SourceKind = Literal["fermentation", "acid-bicarbonate", "cylinder"]
SOURCE_WORDS: dict[SourceKind, str] = {
    "fermentation": "sugar and yeast",
    "acid-bicarbonate": "citric acid and baking soda",
    "cylinder": "cylinder",
}
Valve = Literal["none", "needle", "timer"]
"""What sets the gas: nothing, a needle valve, or that and a timer valve, which closes without current."""
VALVE_WORDS: dict[Valve, str] = {
    "none": "no valve",
    "needle": "needle valve",
    "timer": "needle and timer valve",
}
NO_VALVE_ON_YEAST = (
    "A fermenting bottle cannot be stopped: the yeast goes on, so behind a closed valve the pressure rises until the "
    "bottle bursts. It needs an open hose, without a valve."
)
SENSITIVE_ANIMALS = "shrimp, snails, fry, discus, fish of cold or fast water (hobby convention)"
HOSE_OUT = "pull the hose out of the tank, never close or pinch it"
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
    "Acid bottle with a valve: only a pressure-rated one with a relief valve, as its supplier and local codes require, "
    "secured against tipping, with a check valve. It goes on making gas behind the valve, so never refill it under "
    "pressure. Keep acid away from eyes and skin."
)
_CYLINDER = (
    "Cylinder: upright, secured, away from heat and sun, with regulator and check valve as its supplier and local "
    "codes require. When it is nearly empty, the gas may come in one rush."
)


def has_open_hose(source: SourceKind | None, valve: Valve | None = None) -> bool:
    """
    Return whether the gas comes through a hose that must stay open.

    Parameters
    ----------
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        What makes the gas.
    valve : {'none', 'needle', 'timer'} or None
        What sets it; a bottle whose valve is not known is taken to have none.

    Returns
    -------
    bool
        Of a bottle without a valve.
    """
    return source == "fermentation" or (source == "acid-bicarbonate" and valve in (None, "none"))


def stop_gas(source: SourceKind | None, valve: Valve | None = None) -> str:
    """
    Return how to end the gas at once.

    Parameters
    ----------
    source, valve
        As for `has_open_hose`; all ways are told where the source is not known.

    Returns
    -------
    str
        An order in small letters, without its period.
    """
    if source is None:
        return f"turn it off (DIY bottle: {HOSE_OUT})"
    if has_open_hose(source, valve):
        return HOSE_OUT
    if source == "acid-bicarbonate":
        return "pull the hose out of the tank"
    return "close the cylinder's own valve" if valve == "none" else "turn it off"


def if_distressed(source: SourceKind | None, valve: Valve | None = None) -> str:
    """
    Return what to do where the fish show signs of distress.

    Parameters
    ----------
    source, valve
        As for `has_open_hose`; all ways are told where the source is not known.

    Returns
    -------
    str
        A sentence or two.
    """
    how = f" (DIY bottle: {HOSE_OUT})" if source is None or has_open_hose(source, valve) else ""
    # Water alike in temperature and hardness, without chlorine: common practice, no source.
    return (
        f"If you see them: stop the gas{how}, move the surface or run an air stone, and change part of the water with "
        "conditioned (dechlorinated) water of the same temperature and hardness. If that does not help, call a vet."
    )


def less_gas(source: SourceKind | None, valve: Valve | None = None, *, a_little: bool = False) -> str:
    """
    Return how to give less gas at once; a bottle goes on making gas, so its hose must stay open.

    Parameters
    ----------
    source, valve
        As for `has_open_hose`; all ways are told where the source is not known.
    a_little : bool
        Whether a little less may do.

    Returns
    -------
    str
        One sentence without its period, in small letters.
    """
    down = "turn the gas down a little" if a_little else "turn the gas down"
    if source is None:
        return f"{down} (DIY bottle: hose out of the tank, never closed or pinched)"
    if has_open_hose(source, valve) or valve == "none":
        return f"{stop_gas(source, valve)}{'; a few hours are enough to begin with' if a_little else ''}"
    return down


def gas_cautions(source: SourceKind | None, valve: Valve | None = None) -> tuple[str, ...]:
    """
    Return what to beware of in the room and at the gas source.

    Parameters
    ----------
    source, valve
        As for `has_open_hose`; all ways are told where the source is not known.

    Returns
    -------
    tuple of str
        A line each.
    """
    if source is None:
        return _ROOM, _BOTTLE, _CYLINDER
    if source == "cylinder":
        return _ROOM, _CYLINDER
    return _ROOM, _BOTTLE if has_open_hose(source, valve) else _VALVED_BOTTLE
