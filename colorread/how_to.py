"""How to prepare each kind of calibration, with its cautions, as lines for the terminal."""

from __future__ import annotations

_COMMON = (
    "Take all photos with the phone, vial and light of your readings, the vial before the card, one after another.",
    "Rinse the vial with fluid between the photos. Use the same number of drops of dye each time.",
)
_CAUTIONS = (
    "Cautions: work over a sink, wear gloves, keep vinegar, soda, buffer and dye out of the tank and your eyes, away",
    "from children and animals, and never mix them with other household chemicals; follow the instructions of their",
    "suppliers. Rinse the vial well before it goes back into the tank.",
)

ENDS = (
    "End points and known point: three photos of the same vial.",
    "  acid   KH fluid with dye and one drop of clear household vinegar, mixed: yellow.",
    "  base   KH fluid with dye and a pinch of baking soda, mixed: blue. If it looks green, add more and let it stand",
    "         in fresh air for a while. It need not be the bluest blue: the fit knows how far soda goes.",
    "  known  a fresh buffer of known pH near 7 with the same dye. State its ionic strength: about 0.1 mol/kg for a",
    "         bought buffer moves the dye by -0.35, so leaving it out would spoil the calibration.",
    "The known point counts most: it fixes the dye's own constant.",
    *_COMMON,
    *_CAUTIONS,
)

AIR = (
    "Air ladder: known pH without buying anything.",
    "  1. Thin the 4 dKH fluid with pure water to 2, 1 and 0.5 dKH (1 + 1 parts, each from the one before).",
    "  2. Add the same dye to each, as many drops per millilitre as in the vial.",
    "  3. Let them stand open, shallow and stirred now and then, for some hours, outdoors or at an open window: their",
    "     CO2 is then the air's, 420 ppm outdoors. A closed room has 600 to 1500 ppm and spoils it.",
    "  4. Fill the vial with one after the other and take a photo of each. State the temperature.",
    "  The pH follows from the air alone: about 8.0, 7.7 and 7.4 at 25 C.",
    *_COMMON,
    *_CAUTIONS,
)
