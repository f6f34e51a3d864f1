"""The print sheet of the card: a PDF at true size, in black ink only, with cut marks and instructions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from io import BytesIO
from itertools import product
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
from calibration.sheet_drawing import CARD_FIELD, draw_card_in_use, drawing_height_mm

PAPERS = {"a4": landscape(A4), "letter": landscape(LETTER)}

# Layout. Home printers leave an unprinted rim of some 3 to 6 mm (common practice, no source).
N_COLUMNS, N_ROWS = 2, 2
MARGIN_MM = 8.0
GAP_MM = 5.0
CUT_MARK_START_MM, CUT_MARK_END_MM = 0.4, 2.3
HAIRLINE_MM = 0.15
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
    "<b>Print at 100&nbsp;%</b> (“actual size”, not “fit to page”), in grayscale or black ink only. Use "
    "matte white uncoated paper, if possible without optical brightener.",
    "<b>Check the size</b>: with a ruler the bar on the left of a card must be 30&nbsp;mm long, from the "
    "middle of its first tick to the middle of its last.",
    "<b>Cut</b> along lines that join the cut marks. Keep the card flat; glue it on stiff board if it curls.",
    "<b>Hold the vial</b> in front of the blank window, the card close behind it, the same light on both.",
    "<b>Take the photo</b> straight on from 20 to 30&nbsp;cm: all four corner squares in view, no flash, no "
    "shadow of the hand, everything sharp.",
)
CAUTIONS_TITLE = "Keep in mind"
CAUTIONS = (
    "Print again rather than copy: a copy changes the size and the grays.",
    "Do not write or draw on a card. Replace it when it is yellowed, stained, creased or was wet.",
    "Glossy paper reflects lamps. Under water a bare inkjet print runs: use a clear, matte pouch and keep it flat.",
    "No mirrored or retouched photos, no portrait mode, no filters: they change the colors.",
    "The card carries no pH scale: do not compare the fluid with its grays by eye.",
    "Keep fingers off the corner squares and the rows of grays.",
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
    page_size, height_mm = page_size_of(paper)
    with new_sheet(page_size, "Cards for reading a drop checker from a photo") as (canvas, buffer):
        side, foot = draw_grid(canvas, load_card(), N_COLUMNS, N_ROWS, page_size)
        write_steps(canvas, height_mm, side, STEPS_TITLE, STEPS)
        write_cautions(canvas, height_mm, foot, CAUTIONS)
    return buffer.getvalue()


@contextmanager
def new_sheet(page_size: tuple[float, float], title: str) -> Iterator[tuple[Canvas, BytesIO]]:
    """
    Begin a PDF of one page, which is finished where the block ends; the same, byte for byte, at each call.

    Parameters
    ----------
    page_size : tuple of float
        Width and height, in points.
    title : str
        Of the document.

    Yields
    ------
    canvas : reportlab.pdfgen.canvas.Canvas
        To draw on.
    buffer : io.BytesIO
        Holds the file after the block.
    """
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=page_size, invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setAuthor("colorread")
    yield canvas, buffer
    canvas.showPage()
    canvas.save()


def page_size_of(paper: str) -> tuple[tuple[float, float], float]:
    """
    Return the size of a sheet that lies across.

    Parameters
    ----------
    paper : str
        "a4" or "letter".

    Returns
    -------
    page_size : tuple of float
        Width and height, in points.
    height_mm : float
        Height [mm].

    Raises
    ------
    ValueError
        If `paper` is not known.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}, not {paper!r}")
    return PAPERS[paper], PAPERS[paper][1] / mm


def draw_grid(
    canvas: Canvas, reference: Reference, n_columns: int, n_rows: int, page_size: tuple[float, float]
) -> tuple[Rect, Rect]:
    """
    Draw a card or tag several times, with cut marks, from the upper left corner of a sheet.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Its axes as reportlab has them, in points from the lower left corner.
    reference : Reference
        What to draw.
    n_columns, n_rows : int
        How often.
    page_size : tuple of float
        Width and height of the sheet, in points.

    Returns
    -------
    beside, below : Rect
        What is left of the sheet, from its upper left corner.
    """
    width_mm, height_mm = page_size[0] / mm, page_size[1] / mm
    across_mm, down_mm = reference.outline.width_mm + GAP_MM, reference.outline.height_mm + GAP_MM
    for row, column in product(range(n_rows), range(n_columns)):
        canvas.saveState()
        # From here on x to the right and y down in mm from the top-left corner of the reference, as in the geometry.
        x_mm, y_mm = MARGIN_MM + column * across_mm, MARGIN_MM + row * down_mm
        canvas.transform(mm, 0, 0, -mm, x_mm * mm, (height_mm - y_mm) * mm)
        draw_reference(canvas, reference)
        draw_cut_marks(canvas, reference.outline)
        canvas.restoreState()
    right_mm, bottom_mm = (MARGIN_MM + n_columns * across_mm - GAP_MM, MARGIN_MM + n_rows * down_mm - GAP_MM)
    beside = Rect(
        x_mm=right_mm + TEXT_GAP_MM,
        y_mm=MARGIN_MM,
        width_mm=width_mm - right_mm - TEXT_GAP_MM - MARGIN_MM,
        height_mm=bottom_mm - MARGIN_MM,
    )
    below = Rect(
        x_mm=MARGIN_MM,
        y_mm=bottom_mm + TEXT_GAP_MM,
        width_mm=width_mm - 2 * MARGIN_MM,
        height_mm=height_mm - bottom_mm - TEXT_GAP_MM - MARGIN_MM,
    )
    return beside, below


def write_steps(canvas: Canvas, page_height_mm: float, place: Rect, title: str, steps: Sequence[str]) -> None:
    """
    Write what to do, above a drawing of the card in use.

    Parameters
    ----------
    canvas, page_height_mm, place, title, steps
        As in `write_text`.
    """
    drawn_mm = drawing_height_mm(CARD_FIELD, place.width_mm)
    write_text(canvas, page_height_mm, place.grown(0.0, 0.0, 0.0, -drawn_mm), title, steps, numbered=True)
    draw_card_in_use(canvas, page_height_mm, place.grown(0.0, drawn_mm - place.height_mm, 0.0, 0.0))


def write_cautions(canvas: Canvas, page_height_mm: float, place: Rect, lines: Sequence[str]) -> None:
    """
    Write what to keep in mind in two columns.

    Parameters
    ----------
    canvas, page_height_mm, place, lines
        As in `write_text`.
    """
    column = replace(place, width_mm=(place.width_mm - TEXT_GAP_MM) / 2)
    other = replace(column, x_mm=column.right_mm + TEXT_GAP_MM)
    half = (len(lines) + 1) // 2
    write_text(canvas, page_height_mm, column, CAUTIONS_TITLE, lines[:half], numbered=False)
    write_text(canvas, page_height_mm, other, "&nbsp;", lines[half:], numbered=False)


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
    if reference.hole is not None:
        hole = reference.hole
        canvas.setLineWidth(HAIRLINE_MM)
        canvas.circle(hole.x_mm, hole.y_mm, hole.diameter_mm / 2)


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
    canvas.setLineWidth(HAIRLINE_MM)
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
