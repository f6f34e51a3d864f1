"""The codes by which a reading says what made it less sure, with a few words for people."""

from __future__ import annotations

from typing import NamedTuple

from colorread.result import Reading


class FlagText(NamedTuple):
    """A flag in words: what was seen, and what to do about it, which may be empty."""

    seen: str
    advice: str

    @property
    def sentence(self) -> str:
        """Both, as sentences."""
        return f"{self.seen}. {self.advice}." if self.advice else f"{self.seen}."


FLAG_TEXTS = {
    "marker-missing": FlagText("A corner marker is hidden", "Show all four"),
    "two-markers": FlagText("Only two corner markers are as printed", "Show all four"),
    "marker-off": FlagText("A corner marker is bent, shaded or from another card or tag", "Show one, flat"),
    "card-bent": FlagText("The card or tag is bent", "Put it on something flat"),
    "card-cut-off": FlagText("An edge of the card or tag is outside the photo", "Show all of it"),
    "card-tilted": FlagText("The card or tag is seen at an angle", "Hold the phone parallel to it"),
    "mixed-light": FlagText("Uneven light on the card or tag", "Use one lamp only"),
    "dirty": FlagText("The card or tag is dirty", "Wipe it"),
    "clipped": FlagText("The paper around the fluid is overexposed", "Darken the photo a little"),
    "glare": FlagText("Glare on much of the fluid", "Turn the vial, or move the lamp"),
    "little-dye": FlagText("Pale fluid widens the interval", "Add a drop of dye"),
    "odd-color": FlagText("The color is unlike the dye's, which widens the interval", "Check dye, lamp and outline"),
    "dark-fluid": FlagText("Very dark fluid", "Use a drop less dye, or a thinner vial"),
    "tone-uncertain": FlagText("The phone's contrast is unclear", "Show both gray rows, evenly lit, without filters"),
    "tank-water": FlagText("Tank water holds other acids, which bias the reading", "Use fluid of known KH"),
    "near-dye-limit": FlagText("The dye is at the end of its range", "Use fluid of another KH"),
    "other-phone": FlagText("The profile is from another phone", "Calibrate with this one"),
    "unknown-phone": FlagText("The photo names no phone, so the profile counts less", "Send the original photo"),
    "beyond-profile": FlagText("The pH is beyond what was calibrated", "Calibrate that end too"),
    "other-light": FlagText("The profile is from another lamp", "Calibrate under this one"),
    "vial-pointed": FlagText("You marked the fluid", "Check its outline in the evidence picture"),
}
_OF_THE_FLUID = frozenset(
    ("clipped", "glare", "little-dye", "odd-color", "dark-fluid", "tank-water", "near-dye-limit", "vial-pointed")
)
# At the same CO2 a higher KH means a higher pH, which is bluer.
_BACK_INTO_RANGE = {
    "below": FlagText("Fully yellow: the end of the dye's range", "Use fluid of higher KH"),
    "above": FlagText("Fully blue: the end of the dye's range", "Use fluid of lower KH"),
}


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
        In the order of the flags; an unknown code, as of a later version, comes back as what was seen.
    """
    known = FLAG_TEXTS if reading.limit is None else FLAG_TEXTS | {"near-dye-limit": _BACK_INTO_RANGE[reading.limit]}
    return tuple(
        known.get(code, FlagText(code, ""))
        for code in reading.flags
        if reading.status == "read" or code not in _OF_THE_FLUID
    )
