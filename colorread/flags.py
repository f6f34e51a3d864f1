"""The codes by which a reading says what made it less sure, with a few words for people."""

from __future__ import annotations

from typing import NamedTuple

from colorread.reading import Reading


class FlagText(NamedTuple):
    """A flag in words: what was seen, and what to do about it, which may be empty."""

    seen: str
    advice: str

    @property
    def sentence(self) -> str:
        """Both in one sentence."""
        return f"{self.seen[:1].upper()}{self.seen[1:]}{': ' + self.advice if self.advice else ''}."


FLAG_TEXTS = {
    "marker-missing": FlagText("a corner marker of the card is hidden", "keep all four free and in the photo"),
    "two-markers": FlagText("only two corner markers of the card are seen", "keep all four free and in the photo"),
    "marker-off": FlagText("a corner marker is bent or shaded, or not of this card", "flatten the card, show one only"),
    "card-bent": FlagText("the card is bent", "put it on something flat"),
    "card-cut-off": FlagText("an edge of the card lies outside the photo", "show the whole card"),
    "card-tilted": FlagText("the card is seen at a slant", "hold the phone parallel to the card"),
    "mixed-light": FlagText("the light differs over the card", "use one kind of lamp and shade the card from others"),
    "clipped": FlagText("the paper around the fluid is overexposed", "darken the picture a little"),
    "glare": FlagText("reflections cover much of the fluid", "turn the vial or move away from the lamp"),
    "little-dye": FlagText("the color is faint, so the interval is wide", "a drop more dye reads better"),
    "dark-fluid": FlagText("the fluid is very dark in one color", "a drop less dye or a thinner vial reads better"),
    "tone-uncertain": FlagText(
        "the phone's contrast could not be pinned down", "keep both gray rows free and evenly lit, and filters off"
    ),
    "tank-water": FlagText(
        "the vial holds tank water, whose other acids bias the reading", "fill it with fluid of known KH"
    ),
    "near-dye-limit": FlagText(
        "the dye hardly changes color here, so only one end of the interval is known",
        "fluid of higher KH where it is yellow, or lower KH where it is blue, moves the color into its range",
    ),
    "other-phone": FlagText("the calibration was made with another phone", "calibrate with this one"),
    "unknown-phone": FlagText(
        "the photo does not say which phone took it, so the calibration counts less", "send the photo as it was taken"
    ),
    "beyond-profile": FlagText("the pH lies beyond what the calibration reached", "calibrate that end too"),
    "other-light": FlagText("the calibration was made under another lamp", "calibrate under this one"),
    "vial-pointed": FlagText("the fluid was pointed at, not found", "check its outline in the evidence picture"),
}
_OF_THE_FLUID = frozenset(
    ("clipped", "glare", "little-dye", "dark-fluid", "tank-water", "near-dye-limit", "vial-pointed")
)
# At the same CO2 a higher KH means a higher pH, which is bluer.
_BACK_INTO_RANGE = {
    "below": "the fluid is yellow, so fluid of higher KH moves the color into its range",
    "above": "the fluid is blue, so fluid of lower KH moves the color into its range",
}


def flag_text(code: str) -> FlagText:
    """
    Return a flag in words.

    Parameters
    ----------
    code : str
        One of the codes in `colorread.reading.Reading.flags`.

    Returns
    -------
    FlagText
        What was seen and what helps; an unknown code, as of a later version, comes back as what was seen.
    """
    return FLAG_TEXTS.get(code, FlagText(code, ""))


def flag_texts(reading: Reading) -> tuple[FlagText, ...]:
    """
    Return what is worth showing of the flags of a reading.

    Parameters
    ----------
    reading : Reading
        Read or refused; of a refused one nothing is told of a fluid that may be none.

    Returns
    -------
    tuple of FlagText
        In the order of the flags.
    """
    return tuple(
        FlagText(flag_text(code).seen, _BACK_INTO_RANGE[reading.limit])
        if code == "near-dye-limit" and reading.limit is not None
        else flag_text(code)
        for code in reading.flags
        if reading.status == "read" or code not in _OF_THE_FLUID
    )
