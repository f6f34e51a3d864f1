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
SENSITIVE_ANIMALS = "such as shrimp, snails, fry, discus, and fish of cold or fast water (common practice, no source)"
HOSE_OUT = "take the hose out of the tank, never close or pinch it"
STOP_THE_GAS = f"stop the gas (of a bottle: {HOSE_OUT})"

_ROOM = (
    "CO2 gathers in closed rooms, cupboards and cellars: ventilate where the gas source stands, and leave the room if "
    "you get a headache, breathe fast or feel dizzy."
)
_BOTTLE = (
    "Bottle that ferments or reacts: never seal it or pinch its hose. Use a pressure-rated one, fixed against tipping, "
    "with a check valve and a trap bottle, so that neither tank water runs back nor mash or acid into the tank. A "
    "blocked hose or diffuser builds pressure."
)
_CYLINDER = (
    "Cylinder: upright, secured, away from heat and sun, with regulator and check valve as its supplier and your local "
    "codes ask; near its end the gas may come in one rush."
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
    for_hours = " for some hours" if a_little else ""
    if source is None:
        return f"{down} (of a bottle: {HOSE_OUT})"
    return f"lead the gas into the open air{for_hours}: {HOSE_OUT}"


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
