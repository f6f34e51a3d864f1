"""How to prepare each kind of calibration, with its cautions, as lines for the terminal."""

from __future__ import annotations

# Half the sum of concentration times squared charge: 0.10 for 0.025 mol/L each of Na2HPO4 and KH2PO4 (pH 6.86, JIS
# Z 8802), 0.149 for 0.041 and 0.026 mol/L (pH 7.00, as a maker of pH meters states it in manual MI 611-211, 2005).
BUFFERS = "0.1 for a bought buffer of pH 6.86, 0.15 for one of pH 7.00"
"""Ionic strength of what is sold [mol/kg], in words."""

_COMMON = (
    "Take all photos with the phone, vial and light of your readings, the vial before the card, one after another.",
    "Rinse the vial with fluid between the photos. Use the same number of drops of dye each time.",
)
CAUTIONS = (
    "Cautions: work over a sink, wear gloves, keep vinegar, soda, buffer and dye out of the tank and your eyes, away",
    "from children and animals, and never mix them with other household chemicals; follow the instructions of their",
    "suppliers. Rinse the vial well before it goes back into the tank.",
)

ENDS = (
    "End points and known point: three photos of the same vial.",
    "  acid   KH fluid with dye and one drop of clear household vinegar of 4 to 6 % (no essence), mixed: yellow.",
    "         Above 15 dKH a second drop.",
    "  base   KH fluid with dye and a pinch of baking soda, mixed: blue. If it looks green, add more and let it stand",
    "         in fresh air for a while. It need not be the bluest blue: the fit knows how far soda goes.",
    "  known  a fresh, colorless buffer of known pH near 7 with the same dye (many are sold colored). State its ionic",
    f"         strength in mol/kg: {BUFFERS}. It moves the dye by",
    "         about -0.3. Or KH fluid with dye whose pH was measured: state its --kh instead.",
    "The known point counts most: it fixes the dye's own constant.",
    *_COMMON,
    *CAUTIONS,
)

CHART = (
    "Color chart: the chart of this program, or the one that came with your own kit.",
    "  own chart    colorread chart --out chart.pdf, printed in color; photograph it alone, instead of the card.",
    "  kit's chart  lay it flat beside the printed card, its row of patches in view, and say what the patches stand",
    '               for, in their order: --patches "6.4 6.6 6.8 7.0 7.2", or --patches "5 10 20 30 mg/L" --kh 4.',
    "               mg/L are taken as those of the rule of thumb, 3 x KH x 10^(7 - pH), as kits do (assumption).",
    "               If the row is not found, mark it with --region X,Y,W,H in pixels of the upright photo.",
    "  It must be a chart of bromothymol blue, yellow over green to blue, with at least three patches in one row.",
    "Take the photos with the phone and light of your readings, straight on, nothing overexposed or mirrored.",
    "A chart is a print: its inks are not the dye, and printers differ. The own chart tells of phone and lamp only,",
    "and little; it says nothing of your dye. A kit's chart was matched to its dye by the maker and tells a bit more.",
    "End points and a known point (colorread calibrate ends --how) tell most; add them with --from.",
    "Cautions: keep charts, inks and dye dry and out of the tank, away from children and animals. A faded, stained or",
    "copied chart misleads. A chart replaces neither an instrument nor a look at the fish.",
)

AIR = (
    "Air ladder: known pH without buying anything.",
    "  1. Thin the 4 dKH fluid with pure water to 2, 1 and 0.5 dKH (1 + 1 parts, each from the one before).",
    "  2. Add the same dye to each, as many drops per milliliter as in the vial.",
    "  3. Let them stand open, shallow and stirred now and then, for some hours, outdoors or at an open window: their",
    "     CO2 is then the air's, 420 ppm outdoors. A closed room has 600 to 1500 ppm and spoils it.",
    "     Above some 500 m of altitude multiply the ppm by the air pressure in atm (at 1000 m that is 0.05 in pH).",
    "  4. Fill the vial with one after the other and take a photo of each. State the KH before the drops (that they",
    "     thin it a little is in the uncertainty), the temperature, and the ppm if not 420.",
    "  The pH follows from air and KH: about 8.0, 7.7 and 7.4 at 25 C. The dye itself takes some KH: that lowers it by",
    "  0.01 to 0.03 at 2 dKH and by 0.03 to 0.10 at 0.5 dKH, so a thin step counts less, and 0.5 dKH is the least.",
    *_COMMON,
    *CAUTIONS,
)
