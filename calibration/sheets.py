"""The print sheets of card, tag and color chart: PDFs at true size, with cut marks, drawings and instructions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from itertools import product
from typing import Literal

import numpy as np
from reportlab.lib.colors import CMYKColor
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, Paragraph, Spacer
from reportlab.platypus.flowables import TopPadder

from calibration.color_space import encode_srgb
from calibration.reference import Rect, Reference, chart_patches, load_card, load_tag
from calibration.sheet_drawing import CardInUse, TagInUse, draw_cut_marks, draw_reference

Paper = Literal["a4", "letter"]
_PAPERS = {"a4": landscape(A4), "letter": landscape(LETTER)}

# Layout. Home printers leave an unprinted rim of some 3 to 6 mm (common practice, no source).
_CARD_GRID, _TAG_GRID = (2, 2), (3, 2)  # columns and rows
_MARGIN_MM, _GAP_MM, _TEXT_GAP_MM = 8.0, 5.0, 7.0

_INK = CMYKColor(0, 0, 0, 1)  # paragraphs would set their black as RGB, which some printers mix from all inks
_HEADING = ParagraphStyle("heading", fontName="Helvetica-Bold", fontSize=11, leading=14, spaceAfter=4, textColor=_INK)
_ITEM = ParagraphStyle(
    "item",
    fontName="Helvetica",
    fontSize=8.3,
    leading=10.6,
    spaceAfter=4.2,
    leftIndent=11,
    bulletFontName="Helvetica-Bold",
    bulletFontSize=8.3,
    textColor=_INK,
    bulletColor=_INK,
)
# Baselines of the labels on the chart, from its upper edge: note, title and pH above the patches, CO2 and title below.
_NOTE_MM, _PH_TITLE_MM, _PH_MM, _CO2_MM, _CO2_TITLE_MM = 18.4, 21.4, 25.0, 54.0, 56.6
_TITLE_PT, _LABEL_PT, _NOTE_PT = 6.5, 8.5, 5.5

CARD_STEPS = (
    "<b>Print at 100&nbsp;%</b> (“actual size”, not “fit to page”), in grayscale or black ink only. Use "
    "matte white uncoated paper, if possible without optical brightener.",
    "<b>Check the size</b>: with a ruler the bar on the left of a card must be 30&nbsp;mm long, from the "
    "middle of its first tick to the middle of its last.",
    "<b>Cut</b> along lines that join the cut marks. Keep the card flat; glue it on stiff board if it curls.",
    "<b>Hold the vial</b> in front of the blank window, the card close behind it, the same light on both.",
    "<b>Take the photo</b> straight on from 20 to 30&nbsp;cm: all four corner squares in view, no flash, no "
    "shadow of the hand, everything sharp.",
)
CARD_CAUTIONS = (
    "Print again rather than copy: a copy changes the size and the grays.",
    "Do not write or draw on a card. Replace it when it is yellowed, stained, creased or was wet.",
    "Glossy paper reflects lamps. Under water a bare inkjet print runs: use a clear, matte pouch and keep it flat.",
    "No mirrored or retouched photos, no portrait mode, no filters: they change the colors.",
    "The card carries no pH scale: do not compare the fluid with its grays by eye.",
    "Keep fingers off the corner squares and the rows of grays.",
    "Watch the fish: the vial is hours behind the water.",
    "A reading replaces neither an instrument nor professional or veterinary advice.",
)
TAG_STEPS = (
    "<b>Print at 100&nbsp;%</b> in black ink on matte white paper, check with a ruler that the bar is 20&nbsp;mm long, "
    "cut along lines that join the cut marks, and laminate the tag or seal it in clear film.",
    "<b>Hang it</b> by its hole and a thread, or under the suction cup of the vial, so that the vial hangs 1 to "
    "12&nbsp;mm in front of the blank window, at mid-depth, free of bubbles from the diffuser.",
    "<b>Wait two hours</b> after filling the vial before the first photo, and wipe the tag every week.",
)
TAG_CAUTIONS = (
    "Punch the hole first; pierce the film within it, so that no water gets to the paper.",
    "Matte film is best: glossy film reflects lamps. Bare paper soaks, and bare ink runs.",
    "Print again rather than copy; replace a tag that is yellowed, creased or wet inside.",
    "No flash, portrait mode or filters: the measurement is in the colors.",
    "Watch the fish: the vial is hours behind the water.",
    "A reading replaces neither an instrument nor professional or veterinary advice.",
)
CHART_STEPS = (
    "<b>Print in color at 100&nbsp;%</b> (“actual size”, not “fit to page”) on matte white uncoated paper, best "
    "quality, without any “vivid” or “photo” setting. Let the ink dry for a day.",
    "<b>Check the size</b>: the bar on the left of a chart must be 30&nbsp;mm long.",
    "<b>Cut</b> along lines that join the cut marks. Keep the second chart in the dark: prints fade.",
    "<b>Compare by eye</b>: hold the vial beside the patches in daylight. The closest patch gives the pH above it and "
    "the CO<sub>2</sub> below it.",
    "<b>For a photo</b>, or if you cannot tell the colors apart, hold the vial in front of a blank card from the right "
    "half of this sheet.",
)
CHART_CAUTIONS = (
    "A match by eye is rough: often wrong by 0.2 in pH, a factor of 1.6 in CO<sub>2</sub>. Inks are not the dye, and "
    "printers, paper and lamps differ.",
    "A photo of this chart hardly narrows a reading. To narrow it, calibrate with the ends of the color and a known pH "
    "(<b>colorread calibrate ends --how</b>).",
    "The CO<sub>2</sub> numbers hold for the KH and temperature on the chart. Print another for another KH.",
    "Do not write on chart or card. Replace them when faded, yellowed, stained or wet.",
    "Keep the charts out of the tank: ink comes off.",
    "Watch the fish: the vial lags the water by hours.",
    "A reading does not replace an instrument or professional advice.",
)


def render_card_sheet(*, paper: Paper = "a4") -> bytes:
    """
    Return a sheet of cards to print.

    The cards have their true size if printed at 100 %. Cards are drawn in DeviceGray and text in the black of
    CMYK, so that a printer needs its black ink only. The file is the same, byte for byte, at each call.

    Parameters
    ----------
    paper : {"a4", "letter"}, default "a4"
        Paper size; the sheet lies across.

    Returns
    -------
    bytes
        The PDF file.
    """
    sheet = _Sheet(paper, "Cards for reading a drop checker from a photo")
    beside, below = sheet.draw_grid(load_card(), *_CARD_GRID)
    sheet.write(beside, [*_list("How to use a card", CARD_STEPS), TopPadder(CardInUse())])
    sheet.write_cautions(below, CARD_CAUTIONS)
    return sheet.finished()


def render_tag_sheet(*, paper: Paper = "a4") -> bytes:
    """
    Return a sheet of tags to print.

    The tags have their true size if printed at 100 %. As on the sheet of cards, a printer needs its black ink only. The
    file is the same, byte for byte, at each call.

    Parameters
    ----------
    paper : {"a4", "letter"}, default "a4"
        Paper size; the sheet lies across.

    Returns
    -------
    bytes
        The PDF file.
    """
    sheet = _Sheet(paper, "Tags for reading a drop checker in the tank from a photo")
    beside, below = sheet.draw_grid(load_tag(), *_TAG_GRID)
    sheet.write(beside, [TagInUse(), Spacer(0, _TEXT_GAP_MM * mm), *_list("How to hang a tag", TAG_STEPS)])
    sheet.write_cautions(below, TAG_CAUTIONS)
    return sheet.finished()


def render_chart_sheet(*, co2_mg_l: Sequence[float], kh_dkh: float, temperature_c: float, paper: Paper = "a4") -> bytes:
    """
    Return a sheet of two color charts and two blank cards to print.

    A chart has the markers and rows of grays of the card, so that it is found and balanced like the card, and the
    patches in its window. The file is the same, byte for byte, at each call.

    Parameters
    ----------
    co2_mg_l : sequence of float
        CO2 at the pH of each patch, `CHART_PH` [mg/L].
    kh_dkh, temperature_c : float
        For which these hold, to be written on the chart [dKH, degC].
    paper : {"a4", "letter"}, default "a4"
        Paper size; the sheet lies across.

    Returns
    -------
    bytes
        The PDF file.
    """
    card = load_card()
    sheet = _Sheet(paper, "Color charts of a drop checker")
    beside, below = sheet.draw_grid(card, *_CARD_GRID)
    co2_texts = [f"{co2:.0f}" if co2 >= 9.95 else f"{co2:.1f}" for co2 in co2_mg_l]
    condition = f"mg/L CO2 at KH {kh_dkh:g} dKH and {temperature_c:g} °C"
    for row in range(_CARD_GRID[1]):  # what makes a card a chart, in the left column
        top_mm = _MARGIN_MM + row * (card.outline.height_mm + _GAP_MM)
        sheet.canvas.saveState()
        sheet.canvas.translate(_MARGIN_MM * mm, (sheet.height_mm - top_mm) * mm)
        _draw_chart(sheet.canvas, card.vial_window, co2_texts, condition)
        sheet.canvas.restoreState()
    sheet.write(beside, [*_list("How to use a chart", CHART_STEPS), TopPadder(CardInUse())])
    sheet.write_cautions(below, CHART_CAUTIONS)
    return sheet.finished()


def _draw_chart(canvas: Canvas, window: Rect, co2_texts: Sequence[str], condition: str) -> None:
    """Draw patches and labels into the window of a card; axes run in points from its top-left corner, y up."""
    labels = []
    for patch, co2_text in zip(chart_patches(), co2_texts, strict=True):
        rect = patch.rect
        canvas.setFillColorRGB(*encode_srgb(np.clip(patch.rgb_lin, 0.0, 1.0)).tolist())
        canvas.rect(rect.x_mm * mm, -rect.bottom_mm * mm, rect.width_mm * mm, rect.height_mm * mm, stroke=0, fill=1)
        labels += [(rect, _PH_MM, "Helvetica-Bold", _LABEL_PT, f"{patch.ph:.1f}")]
        labels += [(rect, _CO2_MM, "Helvetica", _LABEL_PT, co2_text)]
    labels += [
        (window, _PH_TITLE_MM, "Helvetica-Bold", _TITLE_PT, "pH of the fluid"),
        (window, _CO2_TITLE_MM, "Helvetica", _TITLE_PT, condition),
        (window, _NOTE_MM, "Helvetica", _NOTE_PT, "To compare by eye, roughly. For a photo, use the blank card."),
    ]
    canvas.setFillColor(_INK)
    for above, y_mm, font, size_pt, text in labels:
        canvas.setFont(font, size_pt)
        canvas.drawCentredString((above.x_mm + above.width_mm / 2.0) * mm, -y_mm * mm, text)


class _Sheet:
    """One page that lies across; places on it are told in mm from its upper left corner."""

    def __init__(self, paper: Paper, title: str) -> None:
        size = _PAPERS[paper]
        self.width_mm, self.height_mm = size[0] / mm, size[1] / mm
        self._file = BytesIO()
        self.canvas = Canvas(self._file, pagesize=size, invariant=1)
        self.canvas.setTitle(title)
        self.canvas.setAuthor("colorread")

    def finished(self) -> bytes:
        """Return the file."""
        self.canvas.save()
        return self._file.getvalue()

    def draw_grid(self, reference: Reference, n_columns: int, n_rows: int) -> tuple[Rect, Rect]:
        """Draw copies of a card or tag from the upper left corner; return what is left beside and below them."""
        across_mm, down_mm = reference.outline.width_mm + _GAP_MM, reference.outline.height_mm + _GAP_MM
        for row, column in product(range(n_rows), range(n_columns)):
            self.canvas.saveState()
            # From here on x runs to the right and y down in mm from its top-left corner, as in the geometry.
            x_mm, y_mm = _MARGIN_MM + column * across_mm, _MARGIN_MM + row * down_mm
            self.canvas.transform(mm, 0, 0, -mm, x_mm * mm, (self.height_mm - y_mm) * mm)
            draw_reference(self.canvas, reference)
            draw_cut_marks(self.canvas, reference.outline)
            self.canvas.restoreState()
        page = Rect(x_mm=0.0, y_mm=0.0, width_mm=self.width_mm, height_mm=self.height_mm).grown(-_MARGIN_MM)
        taken_x_mm = n_columns * across_mm - _GAP_MM + _TEXT_GAP_MM
        taken_y_mm = n_rows * down_mm - _GAP_MM
        beside = replace(page.grown(-taken_x_mm, 0.0, 0.0), height_mm=taken_y_mm)
        return beside, page.grown(0.0, -taken_y_mm - _TEXT_GAP_MM, 0.0, 0.0)

    def write(self, place: Rect, story: list[Flowable]) -> None:
        """Write paragraphs and drawings one below the other."""
        frame = Frame(
            place.x_mm * mm,
            (self.height_mm - place.bottom_mm) * mm,
            place.width_mm * mm,
            place.height_mm * mm,
            leftPadding=0,
            rightPadding=0,
            topPadding=0,
            bottomPadding=0,
        )
        frame.addFromList(story, self.canvas)
        assert not story, "the text does not fit beside the cards"

    def write_cautions(self, place: Rect, lines: Sequence[str]) -> None:
        """Write what to keep in mind in two columns."""
        column = replace(place, width_mm=(place.width_mm - _TEXT_GAP_MM) / 2)
        half = (len(lines) + 1) // 2
        self.write(column, _list("Keep in mind", lines[:half], numbered=False))
        other = replace(column, x_mm=column.right_mm + _TEXT_GAP_MM)
        self.write(other, _list("&nbsp;", lines[half:], numbered=False))


def _list(title: str, lines: Sequence[str], *, numbered: bool = True) -> list[Flowable]:
    items = [
        Paragraph(line, _ITEM, bulletText=f"{number}." if numbered else "•") for number, line in enumerate(lines, 1)
    ]
    return [Paragraph(title, _HEADING), *items]
