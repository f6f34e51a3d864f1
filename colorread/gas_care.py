"""What makes the gas, how to give less of it, what to beware of, and which animals bear little; common practice."""

# No source for any of it. Without imports of its own, so that the command line may tell it at once.

from __future__ import annotations

from typing import Literal

SourceKind = Literal["fermentation", "acid-bicarbonate", "cylinder"]
SOURCE_WORDS: dict[SourceKind, str] = {
    "fermentation": "sugar and yeast (fermentation)",
    "acid-bicarbonate": "citric acid and bicarbonate (acid-bicarbonate)",
    "cylinder": "cylinder",
}
SENSITIVE_ANIMALS = "shrimp, snails, fry, discus, fish of cold or fast water (hobby convention)"
HOSE_OUT = "pull the hose out of the tank, never close or pinch it"
STOP_THE_GAS = f"stop the gas (DIY bottle: {HOSE_OUT})"
SIGNS_IN_SHORT = "Fish gasping or breathing fast? Run an air stone."
SIGNS_OF_DISTRESS = (
    "Signs of too much CO2 or too little oxygen: fish gasp at the surface, breathe fast, lose balance or lie still. "
    "The end of the night is the critical time."
)
# Water alike in temperature and hardness, without chlorine: common practice, no source.
IF_DISTRESSED = (
    f"If you see them: {STOP_THE_GAS}, move the surface or run an air stone, and change part of the water with "
    "conditioned (dechlorinated) water of the same temperature and hardness. If that does not help, call a vet."
)

_ROOM = (
    "CO2 collects in closed rooms, cupboards and cellars. Ventilate where the gas source stands; leave the room if you "
    "get a headache, breathe fast or feel dizzy."
)
_BOTTLE = (
    "DIY bottle: never seal it or pinch its hose. Use a pressure-rated one, secured against tipping, with a check "
    "valve and a trap bottle. A blocked hose or diffuser builds pressure."
)
_CYLINDER = (
    "Cylinder: upright, secured, away from heat and sun, with regulator and check valve as its supplier and local "
    "codes require. When it is nearly empty, the gas may come in one rush."
)


def less_gas(source: SourceKind | None, *, a_little: bool = False) -> str:
    """
    Return how to give less gas at once; a bottle goes on making gas, so its hose must stay open.

    Parameters
    ----------
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        What makes the gas; both ways are told where that is not known.
    a_little : bool
        Whether a little less may do.

    Returns
    -------
    str
        One sentence without its period, in small letters.
    """
    down = "turn the gas down a little" if a_little else "turn the gas down"
    if source == "cylinder":
        return down
    if source is None:
        return f"{down} (DIY bottle: hose out of the tank, never closed or pinched)"
    return f"{HOSE_OUT}{'; a few hours are enough to begin with' if a_little else ''}"


def gas_cautions(source: SourceKind | None) -> tuple[str, ...]:
    """
    Return what to beware of in the room and at the gas source.

    Parameters
    ----------
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        What makes the gas; None where that is not known.

    Returns
    -------
    tuple of str
        A line each.
    """
    if source is None:
        return _ROOM, _BOTTLE, _CYLINDER
    return _ROOM, _CYLINDER if source == "cylinder" else _BOTTLE
