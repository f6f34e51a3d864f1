"""How to prepare each kind of calibration, with its cautions, the same in the terminal and on the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from colorread.limits import OUTDOOR_AIR_PPM

Kind = Literal["ends", "air", "chart"]
# Half the sum of concentration times squared charge: 0.10 for 0.025 mol/L each of Na2HPO4 and KH2PO4 (pH 6.86, JIS
# Z 8802), 0.149 for 0.041 and 0.026 mol/L (pH 7.00, as a maker of pH meters states it in manual MI 611-211, 2005).
BUFFERS = "0.1 for a bought buffer of pH 6.86, 0.15 for one of pH 7.00"
"""Ionic strength of what is sold [mol/kg], in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    One photo of a calibration.

    Parameters
    ----------
    key : str
        Name in addresses and files.
    title, words : str
        What is in the photo, and how it is made.
    kh_dkh : float or None
        KH of the fluid where it is part of a ladder [dKH].
    """

    key: str
    title: str
    words: str
    kh_dkh: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """
    How to prepare a calibration.

    Parameters
    ----------
    title : str
        Without a full stop.
    before : tuple of str
        Paragraphs: what to do before the photos, and what to know.
    steps : tuple of Step
        The photos in their order.
    cautions : tuple of str
        One sentence each.
    """

    title: str
    before: tuple[str, ...]
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]


_PHOTOS = (
    "Take all photos with the phone, vial and light of your readings, one after another, the vial before the card. "
    "Rinse the vial with fluid in between; the same number of drops of dye each time."
)
_CAUTIONS = (
    "Work over a sink, wear gloves, keep vinegar, soda, buffer and dye out of the tank and your eyes, away from "
    "children and animals, and never mix them with other household chemicals; follow the instructions of their "
    "suppliers.",
    "Rinse the vial well before it goes back into the tank.",
)

GUIDES: Mapping[Kind, Guide] = {
    "ends": Guide(
        title="Ends of the color, and a fluid of known pH",
        before=(_PHOTOS,),
        steps=(
            Step(
                key="acid",
                title="All yellow",
                words="KH fluid with dye and one drop of clear household vinegar of 4 to 6 % (no essence), mixed. "
                "Above 15 dKH a second drop.",
            ),
            Step(
                key="base",
                title="All blue",
                words="The rinsed vial with KH fluid, dye and a pinch of baking soda, mixed. If it looks green (a "
                "photo of it reads below pH 7.5), add more and let it stand in fresh air for a while. It need not be "
                "the bluest blue: the fit knows how far soda goes.",
            ),
            Step(
                key="known",
                title="Known pH",
                words="The rinsed vial with a fresh, colorless buffer of known pH near 7 and the same dye (many are "
                "sold colored), or with KH fluid and dye whose pH was measured. It counts most: it fixes the dye's own "
                "constant. State its ionic strength, which moves that constant by about -0.3.",
            ),
        ),
        cautions=_CAUTIONS,
    ),
    "air": Guide(
        title="Fluid that stood in fresh air",
        before=(
            "Thin the 4 dKH fluid with pure water to 2, 1 and 0.5 dKH (1 + 1 parts, each from the one before). Add the "
            "same dye to each, as many drops per milliliter as in the vial.",
            "Let them stand open, shallow and stirred now and then, for some hours, outdoors or at an open window: "
            f"their CO2 is then the air's, {OUTDOOR_AIR_PPM:g} ppm outdoors. A closed room has 600 to 1500 ppm and "
            "spoils it. Above some 500 m of altitude multiply the ppm by the air pressure in atm (at 1000 m that is "
            "0.05 in pH).",
            f"Then fill the vial with one after the other. {_PHOTOS}",
            "The pH follows from air and KH: about 8.0, 7.7 and 7.4 at 25 °C. The KH is that before the drops; that "
            "they thin it a little is in the uncertainty. The dye itself takes some KH: that lowers the pH by 0.01 to "
            "0.03 at 2 dKH and by 0.03 to 0.10 at 0.5 dKH, so a thin step counts less, and 0.5 dKH is the least.",
        ),
        steps=tuple(
            Step(
                key=f"kh{number}",
                title=f"{kh_dkh:g} dKH",
                words=f"Fluid of {kh_dkh:g} dKH with dye that stood open for some hours outdoors or at an open window.",
                kh_dkh=kh_dkh,
            )
            for number, kh_dkh in enumerate((2.0, 1.0, 0.5), start=1)
        ),
        cautions=_CAUTIONS,
    ),
    "chart": Guide(
        title="Printed color chart",
        before=(
            "Take the photo with the phone and light of your readings, straight on, nothing overexposed or mirrored.",
            "A chart is a print: its inks are not the dye, and printers differ. The chart of this program tells of "
            "phone and lamp only, and little; it says nothing of your dye. A kit's chart was matched to its dye by the "
            "maker and tells a bit more. The ends of the color and a fluid of known pH tell most.",
        ),
        steps=(
            Step(
                key="chart",
                title="The chart",
                words="The chart of this program, printed in color and photographed alone, instead of the card; or the "
                "chart of your own kit, flat beside the printed card, its row of patches in view. It must be a chart "
                "of bromothymol blue, yellow over green to blue, with at least three patches in one row.",
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
