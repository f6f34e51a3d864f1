"""The print sheet of the card: a PDF at true size, in black ink only, with cut marks and instructions."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import CMYKColor
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.platypus import Frame, Paragraph

from calibration.reference import Rect, Reference, ScaleBar, load_card

PAPERS = {"a4": landscape(A4), "letter": landscape(LETTER)}

# Layout. Home printers leave an unprinted rim of some 3 to 6 mm (common practice, no source).
N_COLUMNS, N_ROWS = 2, 2
MARGIN_MM = 8.0
GAP_MM = 5.0
CUT_MARK_START_MM, CUT_MARK_END_MM = 0.4, 2.3
TEXT_GAP_MM = 7.0

BAR_STROKE_MM, TICK_STEP_MM = 0.6, 10.0  # of the scale bar: stroke of bar and ticks, and how far the ticks stand apart

INK = CMYKColor(0, 0, 0, 1)  # paragraphs would set their black as RGB, which some printers mix from all inks
HEADING = ParagraphStyle("heading", fontName="Helvetica-Bold", fontSize=11, leading=14, spaceAfter=4, textColor=INK)
STEP = ParagraphStyle(
    "step",
    fontName="Helvetica",
    fontSize=8.3,
    leading=10.6,
    spaceAfter=4.2,
    leftIndent=11,
    bulletFontName="Helvetica-Bold",
    bulletFontSize=8.3,
    textColor=INK,
    bulletColor=INK,
)

STEPS_TITLE = "How to use a card"
STEPS = (
    "<b>Print at 100&nbsp;%</b> (“actual size”, not “fit to page”), in grayscale or black ink only. Take "
    "matt white uncoated paper, if possible without optical brightener.",
    "<b>Check the size</b>: with a ruler the bar on the left of a card must be 30&nbsp;mm long, from the "
    "middle of its first tick to the middle of its last.",
    "<b>Cut</b> along lines that join the cut marks. Keep the card flat; glue it on stiff board if it curls.",
    "<b>Hold the vial</b> before the blank window, the card close behind it, the same light on both.",
    "<b>Take the photo</b> straight on from 20 to 30&nbsp;cm: all four corner squares in view, no flash, no "
    "shadow of the hand, everything sharp.",
)
CAUTIONS_TITLE = "Keep in mind"
CAUTIONS = (
    "Print anew rather than copy: a copy changes the size and the grays.",
    "Do not write or draw on a card. Replace it when it is yellowed, stained, creased or was wet.",
    "Gloss mirrors lamps. Under water a bare inkjet print runs: use a clear, matt pouch and keep it flat.",
    "No mirrored or retouched pictures, no portrait mode, no filters: the measurement is in the colors.",
    "The card carries no pH scale: do not compare the fluid with its grays by eye.",
    "Corner squares and rows of grays belong to the measurement; keep fingers off them.",
    "Watch the fish: the vial is hours behind the water.",
    "A reading replaces neither an instrument nor professional or veterinary advice.",
)


def render_card_sheet(*, paper: Literal["a4", "letter"] = "a4") -> bytes:
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

    Raises
    ------
    ValueError
        If `paper` is not known.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}, not {paper!r}")
    return _render_sheet(PAPERS[paper])


def _card_places_mm(outline: Rect) -> list[tuple[float, float]]:
    """Return the top-left corner x, y of each card from the top-left corner of the sheet [mm]."""
    return [
        (MARGIN_MM + column * (outline.width_mm + GAP_MM), MARGIN_MM + row * (outline.height_mm + GAP_MM))
        for row in range(N_ROWS)
        for column in range(N_COLUMNS)
    ]


def _render_sheet(page_size: tuple[float, float]) -> bytes:
    card = load_card()
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=page_size, invariant=1, pageCompression=1)
    canvas.setTitle("Cards for reading a drop checker from a photo")
    canvas.setAuthor("colorread")
    width_mm, height_mm = page_size[0] / mm, page_size[1] / mm
    for x_mm, y_mm in _card_places_mm(card.outline):
        canvas.saveState()
        # From here on x to the right and y down in mm from the card's top-left corner, as in the geometry.
        canvas.transform(mm, 0, 0, -mm, x_mm * mm, (height_mm - y_mm) * mm)
        draw_reference(canvas, card)
        draw_cut_marks(canvas, card.outline)
        canvas.restoreState()
    cards_right_mm = MARGIN_MM + N_COLUMNS * (card.outline.width_mm + GAP_MM) - GAP_MM
    cards_bottom_mm = MARGIN_MM + N_ROWS * (card.outline.height_mm + GAP_MM) - GAP_MM
    side = Rect(
        x_mm=cards_right_mm + TEXT_GAP_MM,
        y_mm=MARGIN_MM,
        width_mm=width_mm - cards_right_mm - TEXT_GAP_MM - MARGIN_MM,
        height_mm=cards_bottom_mm - MARGIN_MM,
    )
    foot = Rect(
        x_mm=MARGIN_MM,
        y_mm=cards_bottom_mm + TEXT_GAP_MM,
        width_mm=width_mm - 2 * MARGIN_MM,
        height_mm=height_mm - cards_bottom_mm - TEXT_GAP_MM - MARGIN_MM,
    )
    write_text(canvas, height_mm, side, STEPS_TITLE, STEPS, numbered=True)
    half = (len(CAUTIONS) + 1) // 2
    column_mm = (foot.width_mm - TEXT_GAP_MM) / 2
    left = Rect(x_mm=foot.x_mm, y_mm=foot.y_mm, width_mm=column_mm, height_mm=foot.height_mm)
    right = Rect(
        x_mm=foot.x_mm + column_mm + TEXT_GAP_MM,
        y_mm=foot.y_mm,
        width_mm=column_mm,
        height_mm=foot.height_mm,
    )
    write_text(canvas, height_mm, left, CAUTIONS_TITLE, CAUTIONS[:half], numbered=False)
    write_text(canvas, height_mm, right, "&nbsp;", CAUTIONS[half:], numbered=False)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def draw_reference(canvas: Canvas, reference: Reference) -> None:
    """
    Draw one card or tag, and nothing else, in black ink.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Its axes must run in mm from the top-left corner of the reference, x to the right and y down.
    reference : Reference
        What to draw.
    """
    for patch in reference.gray_patches:
        if patch.black_coverage > 0:
            canvas.setFillGray(1 - patch.black_coverage)
            rect = patch.rect
            canvas.rect(rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm, stroke=0, fill=1)
    canvas.setFillGray(0)
    for marker_id, rect in reference.markers.items():
        _draw_marker(canvas, _marker_cells(reference.marker_dictionary, marker_id), rect)
    _draw_bar(canvas, reference.scale_bar)


def _draw_bar(canvas: Canvas, bar: ScaleBar) -> None:
    canvas.setStrokeGray(0)
    canvas.setLineWidth(BAR_STROKE_MM)
    canvas.line(bar.x0_mm, bar.y0_mm, bar.x1_mm, bar.y1_mm)
    across_mm = (bar.tick_mm / 2, 0.0) if bar.x0_mm == bar.x1_mm else (0.0, bar.tick_mm / 2)
    for share in np.linspace(0.0, 1.0, round(bar.length_mm / TICK_STEP_MM) + 1):
        x_mm = bar.x0_mm + share * (bar.x1_mm - bar.x0_mm)
        y_mm = bar.y0_mm + share * (bar.y1_mm - bar.y0_mm)
        canvas.line(x_mm - across_mm[0], y_mm - across_mm[1], x_mm + across_mm[0], y_mm + across_mm[1])


def _marker_cells(dictionary_name: str, marker_id: int) -> NDArray[np.bool_]:
    """Return which cells of a marker are white, black border of one cell included."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary_name))
    side_cells = dictionary.markerSize + 2
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, side_cells)) > 127


def _draw_marker(canvas: Canvas, white: NDArray[np.bool_], rect: Rect) -> None:
    # One even-odd path with holes: no seams between neighboring cells, and no white ink over black.
    cell_mm = rect.width_mm / len(white)
    path = canvas.beginPath()
    path.rect(rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm)
    for row, column in np.argwhere(white):
        path.rect(rect.x_mm + column * cell_mm, rect.y_mm + row * cell_mm, cell_mm, cell_mm)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)


def draw_cut_marks(canvas: Canvas, outline: Rect) -> None:
    """
    Draw short lines outside the corners of a card.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Its axes as in `draw_reference`.
    outline : Rect
        The card.
    """
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.15)
    left, top, right, bottom = outline.x_mm, outline.y_mm, outline.right_mm, outline.bottom_mm
    for x, outward_x in ((left, -1), (right, 1)):
        for y, outward_y in ((top, -1), (bottom, 1)):
            canvas.line(x + outward_x * CUT_MARK_START_MM, y, x + outward_x * CUT_MARK_END_MM, y)
            canvas.line(x, y + outward_y * CUT_MARK_START_MM, x, y + outward_y * CUT_MARK_END_MM)


def write_text(
    canvas: Canvas, page_height_mm: float, place: Rect, title: str, lines: Sequence[str], *, numbered: bool
) -> None:
    """
    Write a title and a list below it.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Its axes as reportlab has them, in points from the lower left corner.
    page_height_mm : float
        Height of the sheet [mm].
    place : Rect
        Where, from the upper left corner of the sheet.
    title : str
        Heading.
    lines : sequence of str
        Items, with the markup of reportlab.
    numbered : bool
        Whether the items are steps.

    Raises
    ------
    AssertionError
        If the text does not fit.
    """
    frame = Frame(
        place.x_mm * mm,
        (page_height_mm - place.y_mm - place.height_mm) * mm,
        place.width_mm * mm,
        place.height_mm * mm,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    story = [Paragraph(title, HEADING)]
    story += [
        Paragraph(line, STEP, bulletText=f"{number}." if numbered else "•") for number, line in enumerate(lines, 1)
    ]
    frame.addFromList(story, canvas)
    if story:
        raise AssertionError("the text does not fit beside the cards")
