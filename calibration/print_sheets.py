"""The print sheets of card, tag and color chart: PDFs at true size, with cut marks, drawings and instructions."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from importlib.resources import files
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
    sheet = _Sheet(paper, "card", load_card(), *_CARD_GRID)
    return sheet.finished([*sheet.steps(), TopPadder(CardInUse())])


def render_tag_sheet(*, paper: Paper = "a4") -> bytes:
    """Return a sheet of tags to print, as `render_card_sheet` does."""
    sheet = _Sheet(paper, "tag", load_tag(), *_TAG_GRID)
    return sheet.finished([TagInUse(), Spacer(0, _TEXT_GAP_MM * mm), *sheet.steps()])


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
    sheet = _Sheet(paper, "chart", card, *_CARD_GRID)
    co2_texts = [f"{co2:.0f}" if co2 >= 9.95 else f"{co2:.1f}" for co2 in co2_mg_l]
    condition = f"mg/L CO2 at KH {kh_dkh:g} dKH and {temperature_c:g} °C"
    for row in range(_CARD_GRID[1]):  # what makes a card a chart, in the left column
        top_mm = _MARGIN_MM + row * (card.outline.height_mm + _GAP_MM)
        sheet.canvas.saveState()
        sheet.canvas.translate(_MARGIN_MM * mm, (sheet.height_mm - top_mm) * mm)
        _draw_chart(sheet.canvas, card.vial_window, co2_texts, condition)
        sheet.canvas.restoreState()
    return sheet.finished([*sheet.steps(), TopPadder(CardInUse())])


def _draw_chart(canvas: Canvas, window: Rect, co2_texts: Sequence[str], condition: str) -> None:
    """Draw patches and labels into the window of a card; axes run in points from its top-left corner, y up."""
    labels = []
    for patch, co2_text in zip(chart_patches(), co2_texts, strict=True):
        rect = patch.rect
        canvas.setFillColorRGB(*encode_srgb(np.clip(patch.rgb_lin, 0.0, 1.0)).tolist())
        canvas.rect(rect.x_mm * mm, -rect.bottom_mm * mm, rect.width_mm * mm, rect.height_mm * mm, stroke=0, fill=1)
        labels.append((rect, _PH_MM, "Helvetica-Bold", _LABEL_PT, f"{patch.ph:.1f}"))
        labels.append((rect, _CO2_MM, "Helvetica", _LABEL_PT, co2_text))
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
    """One page that lies across, with copies of a card or tag; places on it are in mm from its upper left corner."""

    def __init__(self, paper: Paper, name: str, reference: Reference, n_columns: int, n_rows: int) -> None:
        self._texts = tomllib.loads(files(__package__).joinpath("print_sheets.toml").read_text(encoding="utf-8"))[name]
        self._file = BytesIO()
        size = _PAPERS[paper]
        self.canvas = Canvas(self._file, pagesize=size, invariant=1)
        self.canvas.setTitle(self._texts["title"])
        self.canvas.setAuthor("colorread")
        self.height_mm = size[1] / mm
        across_mm, down_mm = reference.outline.width_mm + _GAP_MM, reference.outline.height_mm + _GAP_MM
        for row, column in product(range(n_rows), range(n_columns)):
            self.canvas.saveState()
            # From here on x runs to the right and y down in mm from its top-left corner, as in the geometry.
            x_mm, y_mm = _MARGIN_MM + column * across_mm, _MARGIN_MM + row * down_mm
            self.canvas.transform(mm, 0, 0, -mm, x_mm * mm, (self.height_mm - y_mm) * mm)
            draw_reference(self.canvas, reference)
            draw_cut_marks(self.canvas, reference.outline)
            self.canvas.restoreState()
        page = Rect(0.0, 0.0, size[0] / mm, self.height_mm).grown(-_MARGIN_MM)
        width_mm, height_mm = n_columns * across_mm - _GAP_MM, n_rows * down_mm - _GAP_MM
        self._beside = replace(page.grown(-width_mm - _TEXT_GAP_MM, 0.0, 0.0), height_mm=height_mm)
        self._below = page.grown(0.0, -height_mm - _TEXT_GAP_MM, 0.0, 0.0)

    def steps(self) -> list[Flowable]:
        """Return what to do."""
        return _list(self._texts["steps_title"], self._texts["steps"], "{}.")

    def finished(self, beside: list[Flowable]) -> bytes:
        """Write this beside the copies and what to keep in mind in two columns below them; return the file."""
        self._write(self._beside, beside)
        cautions = self._texts["cautions"]
        half = (len(cautions) + 1) // 2
        left = replace(self._below, width_mm=(self._below.width_mm - _TEXT_GAP_MM) / 2)
        self._write(left, _list("Keep in mind", cautions[:half], "•"))
        right = replace(left, x_mm=left.right_mm + _TEXT_GAP_MM)
        self._write(right, _list("&nbsp;", cautions[half:], "•"))
        self.canvas.save()
        return self._file.getvalue()

    def _write(self, place: Rect, story: list[Flowable]) -> None:
        """Write paragraphs and drawings one below the other."""
        bottom_mm = self.height_mm - place.bottom_mm
        sides = (side_mm * mm for side_mm in (place.x_mm, bottom_mm, place.width_mm, place.height_mm))
        frame = Frame(*sides, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
        frame.addFromList(story, self.canvas)
        assert not story, "the text does not fit beside the cards"


def _list(title: str, lines: Sequence[str], bullet: str) -> list[Flowable]:
    """Return a title and a list below it; braces in the bullet take the number of its item."""
    items = [Paragraph(line, _ITEM, bulletText=bullet.format(number)) for number, line in enumerate(lines, 1)]
    return [Paragraph(title, _HEADING), *items]
