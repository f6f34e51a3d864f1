"""Renders the print sheets of card, tag and color chart: PDFs at true size, with drawings and instructions."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
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
from reportlab.platypus import Flowable, Frame, Paragraph
from reportlab.platypus.flowables import TopPadder

from calibration.color_space import encode_srgb
from calibration.reference import Rect, Reference, chart_patches, load_card, load_tag
from calibration.sheet_drawing import LineDrawing, draw_cut_marks, draw_reference

Paper = Literal["a4", "letter"]
_PAPERS = {"a4": landscape(A4), "letter": landscape(LETTER)}

_GRIDS = {"card": (2, 2), "tag": (3, 2)}  # columns and rows
# Home printers leave an unprinted rim of some 3 to 6 mm (common practice, no source).
_MARGIN_MM, _GAP_MM, _TEXT_GAP_MM = 8.0, 5.0, 7.0

_INK = CMYKColor(0, 0, 0, 1)  # by default paragraphs are RGB black, which some printers mix from all inks
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

    The cards have their true size if printed at 100 %. They are drawn in DeviceGray, and text in the black of CMYK, so
    a printer needs black ink only. The file is the same, byte for byte, on every call.

    Parameters
    ----------
    paper : {"a4", "letter"}, default "a4"
        Paper size, in landscape.

    Returns
    -------
    bytes
        The PDF file.
    """
    return _sheet(paper, "card", load_card())


def render_tag_sheet(*, paper: Paper = "a4") -> bytes:
    """Return a sheet of tags to print, as `render_card_sheet` does."""
    return _sheet(paper, "tag", load_tag())


def render_chart_sheet(*, co2_mg_l: Sequence[float], kh_dkh: float, temperature_c: float, paper: Paper = "a4") -> bytes:
    """
    Return a sheet of two color charts and two blank cards to print.

    A chart has the card's markers and rows of grays, so it is found and balanced like the card, and its patches lie in
    the window. The file is the same, byte for byte, on every call.

    Parameters
    ----------
    co2_mg_l : sequence of float
        CO2 at the pH of each patch, `CHART_PH` [mg/L].
    kh_dkh, temperature_c : float
        KH and temperature for which these hold, printed on the chart [dKH, degC].
    paper : {"a4", "letter"}, default "a4"
        Paper size, in landscape.

    Returns
    -------
    bytes
        The PDF file.
    """
    card = load_card()
    window = card.vial_window
    labels = [
        (window, _NOTE_MM, "Helvetica", _NOTE_PT, "For rough comparison by eye. For a photo, use the blank card."),
        (window, _PH_TITLE_MM, "Helvetica-Bold", _TITLE_PT, "pH of the fluid"),
        (window, _CO2_TITLE_MM, "Helvetica", _TITLE_PT, f"mg/L CO2 at KH {kh_dkh:g} dKH and {temperature_c:g} °C"),
    ]
    for patch, co2 in zip(chart_patches(), co2_mg_l, strict=True):
        labels.append((patch.rect, _PH_MM, "Helvetica-Bold", _LABEL_PT, f"{patch.ph:.1f}"))
        labels.append((patch.rect, _CO2_MM, "Helvetica", _LABEL_PT, f"{co2:.0f}" if co2 >= 9.95 else f"{co2:.1f}"))

    def draw_chart(canvas: Canvas) -> None:
        for patch in chart_patches():
            rect = patch.rect
            canvas.setFillColorRGB(*encode_srgb(np.clip(patch.rgb_lin, 0.0, 1.0)).tolist())
            canvas.rect(rect.x_mm * mm, -rect.bottom_mm * mm, rect.width_mm * mm, rect.height_mm * mm, stroke=0, fill=1)
        canvas.setFillColor(_INK)
        for over, y_mm, font, size_pt, text in labels:
            canvas.setFont(font, size_pt)
            canvas.drawCentredString((over.x_mm + over.width_mm / 2.0) * mm, -y_mm * mm, text)

    return _sheet(paper, "chart", card, draw_on_first_column=draw_chart)


def _sheet(
    paper: Paper, name: str, reference: Reference, draw_on_first_column: Callable[[Canvas], None] | None = None
) -> bytes:
    """
    Return a landscape page with copies of a card or tag, steps and drawing beside them, and cautions below.

    `draw_on_first_column` draws on each copy in that column, in points from its top-left corner, y up.
    """
    sheets = tomllib.loads(files(__package__).joinpath("print_sheets.toml").read_text(encoding="utf-8"))
    texts = sheets[name]
    file, size = BytesIO(), _PAPERS[paper]
    canvas = Canvas(file, pagesize=size, invariant=1)
    canvas.setTitle(texts["title"])
    canvas.setAuthor("colorread")
    across_mm, down_mm = reference.outline.width_mm + _GAP_MM, reference.outline.height_mm + _GAP_MM
    n_columns, n_rows = _GRIDS[reference.name]
    for row, column in product(range(n_rows), range(n_columns)):
        canvas.saveState()
        canvas.translate((_MARGIN_MM + column * across_mm) * mm, size[1] - (_MARGIN_MM + row * down_mm) * mm)
        if column == 0 and draw_on_first_column is not None:
            draw_on_first_column(canvas)
        canvas.scale(mm, -mm)
        draw_reference(canvas, reference)
        draw_cut_marks(canvas, reference.outline)
        canvas.restoreState()

    page = Rect(0.0, 0.0, size[0] / mm, size[1] / mm).grown(-_MARGIN_MM)
    width_mm, height_mm = n_columns * across_mm - _GAP_MM, n_rows * down_mm - _GAP_MM
    beside = replace(page.grown(-width_mm - _TEXT_GAP_MM, 0.0, 0.0), height_mm=height_mm)
    below = page.grown(0.0, -height_mm - _TEXT_GAP_MM, 0.0, 0.0)
    left = replace(below, width_mm=(below.width_mm - _TEXT_GAP_MM) / 2)
    right = replace(left, x_mm=left.right_mm + _TEXT_GAP_MM)
    cautions = texts["cautions"]
    half = (len(cautions) + 1) // 2
    drawing = TopPadder(LineDrawing(**sheets[reference.name]["drawing"]))
    for place, story in (
        (beside, [*_list(texts["steps_title"], texts["steps"], "{}."), drawing]),
        (left, _list("Keep in mind", cautions[:half], "•")),
        (right, _list("&nbsp;", cautions[half:], "•")),
    ):
        sides = (place.x_mm * mm, size[1] - place.bottom_mm * mm, place.width_mm * mm, place.height_mm * mm)
        frame = Frame(*sides, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
        frame.addFromList(story, canvas)
        assert not story, "the text does not fit beside the cards"
    canvas.save()
    return file.getvalue()


def _list(title: str, lines: Sequence[str], bullet: str) -> list[Flowable]:
    """Return a title and a list below it; braces in the bullet are filled with the number of the item."""
    items = [Paragraph(line, _ITEM, bulletText=bullet.format(number)) for number, line in enumerate(lines, 1)]
    return [Paragraph(title, _HEADING), *items]
