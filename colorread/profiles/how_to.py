"""How to prepare each kind of calibration, with its cautions, the same in the terminal and on the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from colorread.limits import OUTDOOR_AIR_PPM

Kind = Literal["ends", "air", "chart"]
# Half the sum of concentration times squared charge: 0.10 for 0.025 mol/L each of Na2HPO4 and KH2PO4 (pH 6.86, JIS
# Z 8802), 0.149 for 0.041 and 0.026 mol/L (pH 7.00, as a maker of pH meters states it in manual MI 611-211, 2005).
SOLD_BUFFERS = {"6.86": 0.1, "7.00": 0.15}
"""Ionic strength of the buffers that are sold, by their pH [mol/kg]."""
BUFFERS = ", ".join(f"{strength:g} for a bought buffer of pH {ph}" for ph, strength in SOLD_BUFFERS.items())
"""The same in words."""


@dataclass(frozen=True, slots=True)
class Step:
    """One photo of a calibration: its name in addresses and files, what is in it, how that is made, and KH if known."""

    key: str
    title: str
    words: str
    kh_dkh: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """How to prepare a calibration: paragraphs to read before the photos, these in their order, and cautions."""

    title: str
    before: tuple[str, ...]
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]


_PHOTOS = (
    "Use the phone, vial and light of your readings. Take all photos in one session, with the vial in front of the "
    "card. Rinse the vial with fluid in between, and use the same number of drops each time."
)
_CAUTIONS = (
    "Work over a sink and wear gloves. Keep vinegar, soda, buffer and dye out of the tank and your eyes, and away from "
    "children and animals. Never mix them with household chemicals; follow the suppliers' instructions.",
    "Rinse the vial well before it goes back into the tank.",
)

GUIDES: Mapping[Kind, Guide] = {
    "ends": Guide(
        title="Ends of the color, and a fluid of known pH",
        before=(_PHOTOS,),
        steps=(
            Step(
                "acid",
                "All yellow",
                "KH fluid with dye and one drop of clear household vinegar of 4 to 6 % (not concentrated), "
                "mixed. Above 15 dKH, two drops.",
            ),
            Step(
                "base",
                "All blue",
                "The rinsed vial with KH fluid, dye and a pinch of baking soda, mixed. If it looks green (a "
                "reading below pH 7.5), add more and let it stand in fresh air for a while.",
            ),
            Step(
                "known",
                "Known pH",
                "The rinsed vial with a fresh, colorless buffer of pH 6.86 or 7.00 and the same dye, or with KH "
                "fluid and dye whose pH you measured. This photo counts most: it fixes the dye's own constant.",
            ),
            Step(
                "known2",
                "Known pH, once more",
                "The same fluid again, with the vial turned and moved a little. It may be left out, but an error "
                "of the first photo would be in every reading.",
            ),
        ),
        cautions=_CAUTIONS,
    ),
    "air": Guide(
        title="Fluid that stood in fresh air",
        before=(
            "Dilute the 4 dKH fluid with pure water to 2, 1 and 0.5 dKH (1 + 1 parts, each from the one before). Add "
            "the same drops of dye per milliliter as in the vial.",
            "Let them stand open and shallow for a few hours, outdoors or at an open window, stirring now and then. "
            f"They take the CO2 of the air, {OUTDOOR_AIR_PPM:g} ppm outdoors; a closed room (600 to 1500 ppm) spoils "
            "it. Above 500 m of altitude, multiply the ppm by the air pressure in atm.",
            f"Then fill the vial with one after another. {_PHOTOS}",
            "The pH follows from air and KH: about 8.0, 7.7 and 7.4 at 25 °C. Enter the KH before the drops; the "
            "uncertainty includes the rest. Weaker fluid counts less, as the dye itself uses some KH; 0.5 dKH is the "
            "least.",
        ),
        steps=tuple(
            Step(
                f"kh{number}",
                f"{kh_dkh:g} dKH",
                f"Fluid of {kh_dkh:g} dKH with dye, after a few open hours outdoors or at an open window.",
                kh_dkh,
            )
            for number, kh_dkh in enumerate((2.0, 1.0, 0.5), start=1)
        ),
        cautions=_CAUTIONS,
    ),
    "chart": Guide(
        title="Printed color chart",
        before=(
            "Use the phone and light of your readings. Photograph it straight on, without glare or overexposure.",
            "A chart hardly narrows a reading: inks are not the dye, and printers differ. It is for comparing by eye, "
            "and for reading a kit's own chart. To narrow readings, use the ends of the color and a known pH.",
        ),
        steps=(
            Step(
                "chart",
                "The chart",
                "The printed chart of this program, alone, instead of the card; or your kit's own chart, flat "
                "beside the card. It must be for bromothymol blue (yellow, green, blue), with at least three patches "
                "in one row.",
            ),
        ),
        cautions=(
            "Keep charts, inks and dye dry and out of the tank, away from children and animals.",
            "A faded, stained or copied chart misleads.",
            "A chart replaces neither an instrument nor a look at the fish.",
        ),
    ),
}
"""By the name of the command, which is that of the page too."""
