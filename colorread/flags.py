"""The codes by which a reading says what made it less sure, with a few words for people."""

from __future__ import annotations

_TEXTS = {
    "marker-missing": "a corner marker of the card is hidden; keep all four in the photo",
    "card-bent": "the card is bent; put it on something flat",
    "mixed-light": "lamps of different color light the card; switch one off or turn away from it",
    "clipped": "parts of the paper are overexposed; darken the picture a little",
    "glare": "reflections cover much of the fluid; turn the vial or move the lamp",
    "little-dye": "the fluid holds little dye; a drop more reads better",
    "dark-fluid": "the fluid is very dark in one color; a drop less dye or a thinner vial reads better",
    "tone-uncertain": "the phone's contrast could not be pinned down; keep both grey rows free and evenly lit",
    "tank-water": "the vial holds tank water, whose other acids and buffers bias the reading; use reference fluid",
    "near-dye-limit": "the dye hardly changes color here, so only one end of the interval is known",
    "vial-pointed": "the vial was pointed at, not found",
}


def flag_text(code: str) -> str:
    """
    Return a flag in words.

    Parameters
    ----------
    code : str
        One of the codes in `colorread.reading.Reading.flags`.

    Returns
    -------
    str
        What it means and what helps; the code itself where it is unknown, as in a log written by a later version.
    """
    return _TEXTS.get(code, code)
