"""Renders the print sheets of card, tag and color chart: PDFs at true size, with line drawings and instructions."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from importlib.resources import files
from io import BytesIO
from itertools import product
from typing import Any, Literal

import cv2
import numpy as np
from reportlab.lib.colors import CMYKColor
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.platypus import Flowable, Frame, Paragraph
from reportlab.platypus.flowables import TopPadder

from calibration.color_space import encode_srgb
from calibration.reference import Rect, Reference, ScaleBar, chart_patches, load_card, load_tag

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
_CUT_MARK_START_MM, _CUT_MARK_END_MM = 0.4, 2.3
_HAIRLINE_MM = 0.15
_BAR_STROKE_MM, _TICK_STEP_MM = 0.6, 10.0  # of the scale bar: stroke of bar and ticks, and spacing of the ticks

# For the line drawings, in their own units.
_STROKE, _THIN = 0.35, 0.18
_LABEL_SIZE = 2.6
_FAINT_GRAY, _FLUID_GRAY, _WATER_GRAY = 0.55, 0.8, 0.93


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
        _draw_reference(canvas, reference)
        _draw_cut_marks(canvas, reference.outline)
        canvas.restoreState()

    page = Rect(0.0, 0.0, size[0] / mm, size[1] / mm).grown(-_MARGIN_MM)
    width_mm, height_mm = n_columns * across_mm - _GAP_MM, n_rows * down_mm - _GAP_MM
    beside = replace(page.grown(-width_mm - _TEXT_GAP_MM, 0.0, 0.0), height_mm=height_mm)
    below = page.grown(0.0, -height_mm - _TEXT_GAP_MM, 0.0, 0.0)
    left = replace(below, width_mm=(below.width_mm - _TEXT_GAP_MM) / 2)
    right = replace(left, x_mm=left.right_mm + _TEXT_GAP_MM)
    cautions = texts["cautions"]
    half = (len(cautions) + 1) // 2
    drawing = TopPadder(_LineDrawing(**sheets[reference.name]["drawing"]))
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


def _draw_reference(canvas: Canvas, reference: Reference) -> None:
    """Draw a card or tag in black ink; axes run in mm from its top-left corner, x to the right and y down."""
    for patch in reference.gray_patches:
        canvas.setFillGray(1 - patch.black_coverage)
        _fill_rect(canvas, patch.rect)
    canvas.setFillGray(0)
    for marker_id, rect in reference.markers.items():
        _draw_marker(canvas, reference.marker_dictionary, marker_id, rect)
    _draw_bar(canvas, reference.scale_bar)
    if reference.hole is not None:
        canvas.setLineWidth(_HAIRLINE_MM)
        canvas.ellipse(*reference.hole.corners_mm[0], *reference.hole.corners_mm[2])


def _draw_cut_marks(canvas: Canvas, outline: Rect) -> None:
    """Draw short lines outside the corners of a card or tag; axes as in `_draw_reference`."""
    canvas.setStrokeGray(0)
    canvas.setLineWidth(_HAIRLINE_MM)
    for (x, y), (right, down) in zip(outline.corners_mm, ((-1, -1), (1, -1), (1, 1), (-1, 1)), strict=True):
        canvas.line(x + right * _CUT_MARK_START_MM, y, x + right * _CUT_MARK_END_MM, y)
        canvas.line(x, y + down * _CUT_MARK_START_MM, x, y + down * _CUT_MARK_END_MM)


def _fill_rect(canvas: Canvas, rect: Rect) -> None:
    canvas.rect(rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm, stroke=0, fill=1)


def _draw_marker(canvas: Canvas, dictionary_name: str, marker_id: int, rect: Rect) -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary_name))
    side_cells = dictionary.markerSize + 2  # with a black border of one cell
    cells = np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, side_cells))
    # One even-odd path with holes: no seams between neighboring cells, and no white ink over black.
    cell_mm = rect.width_mm / side_cells
    path = canvas.beginPath()
    path.rect(rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm)
    for row, column in np.argwhere(cells > 127):
        path.rect(rect.x_mm + column * cell_mm, rect.y_mm + row * cell_mm, cell_mm, cell_mm)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)


def _draw_bar(canvas: Canvas, bar: ScaleBar) -> None:
    canvas.setStrokeGray(0)
    canvas.setLineWidth(_BAR_STROKE_MM)
    first, _, last, _ = bar.line.corners_mm
    canvas.line(*first, *last)
    across_x, across_y = (bar.tick_mm / 2, 0.0) if bar.line.width_mm == 0.0 else (0.0, bar.tick_mm / 2)
    n_ticks = round(bar.length_mm / _TICK_STEP_MM) + 1
    for x, y in np.linspace(first, last, n_ticks):
        canvas.line(x - across_x, y - across_y, x + across_x, y + across_y)


class _LineDrawing(Flowable):  # type: ignore[misc]
    """
    A line drawing, scaled to the available width.

    Parameters
    ----------
    size : sequence of float
        Width and height, in units of its own.
    shapes : sequence of sequences
        Name of each shape and its arguments in these units, x to the right and y up; see `_SHAPES`.
    """

    def __init__(self, size: Sequence[float], shapes: Sequence[Sequence[Any]]) -> None:
        super().__init__()
        self._size, self._shapes = size, shapes

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Return the width and height needed."""
        self._scale = width / self._size[0]
        return width, self._size[1] * self._scale

    def draw(self) -> None:
        """Draw the shapes, later ones over earlier ones."""
        canvas = self.canv
        canvas.scale(self._scale, self._scale)
        canvas.setStrokeGray(0)
        canvas.setFillGray(0)
        canvas.setLineWidth(_STROKE)
        canvas.setLineCap(1)
        canvas.setLineJoin(1)
        canvas.setFont("Helvetica", _LABEL_SIZE)
        for name, *arguments in self._shapes:
            _SHAPES[name](canvas, *arguments)


def _print_from_the_front(canvas: Canvas, name: str, x: float, y: float, width: float) -> None:
    """Draw a small card or tag with its lower left corner at (x, y)."""
    reference = load_card() if name == "card" else load_tag()
    outline = reference.outline
    scale = width / outline.width_mm
    canvas.saveState()
    canvas.transform(scale, 0, 0, -scale, x, y + outline.height_mm * scale)
    canvas.setLineWidth(_STROKE / scale)
    _filled(canvas, 1.0, Canvas.rect, 0, 0, outline.width_mm, outline.height_mm)
    _draw_reference(canvas, reference)
    for rect in reference.markers.values():  # plain, or a photo of the drawing would show a second card
        _fill_rect(canvas, rect)
    canvas.restoreState()


def _vial(canvas: Canvas, x: float, y: float, radius: float, stem_top: float) -> None:
    """Draw a half-full bulb, with the stem that it hangs from."""
    canvas.line(x, y + radius, x, stem_top)
    _filled(canvas, 1.0, Canvas.circle, x, y, radius, stroke=0)
    fluid = canvas.beginPath()
    fluid.arc(x - radius, y - radius, x + radius, y + radius, 175, 190)
    fluid.close()
    _filled(canvas, _FLUID_GRAY, Canvas.drawPath, fluid, stroke=0)
    canvas.circle(x, y, radius)


def _phone(canvas: Canvas, x: float, y: float, height: float) -> None:
    """Draw a phone seen edge-on, its lens to the right."""
    canvas.roundRect(x, y, 2.0, height, 0.7)
    canvas.rect(x + 2.0, y + height / 2 - 1.0, 0.7, 2.0, fill=1)


def _line_of_sight(canvas: Canvas, from_x: float, to_x: float, y: float) -> None:
    canvas.saveState()
    canvas.setStrokeGray(_FAINT_GRAY)
    canvas.setDash(1.0, 1.2)
    canvas.line(from_x, y, to_x, y)
    canvas.restoreState()


def _water(canvas: Canvas, left: float, bottom: float, right: float, surface: float) -> None:
    _filled(canvas, _WATER_GRAY, Canvas.rect, left, bottom, right - left, surface - bottom, stroke=0)
    for y in (bottom, surface):
        canvas.line(left, y, right, y)


def _suction_cup(canvas: Canvas, glass: float, y: float) -> None:
    """Draw a suction cup from the side, flat against the glass on its left."""
    path = canvas.beginPath()
    path.moveTo(glass, y - 1.7)
    path.curveTo(glass + 1.6, y - 1.2, glass + 1.6, y + 1.2, glass, y + 1.7)
    canvas.drawPath(path)


def _span(canvas: Canvas, left: float, right: float, y: float) -> None:
    """Draw a distance between two upright lines."""
    _arrow(canvas, left, y, right, y)
    for x in (left, right):
        _thin_line(canvas, x, y - 1.0, x, y + 1.0)


def _arrow(canvas: Canvas, x0: float, y0: float, x1: float, y1: float) -> None:
    """Draw a thin line along one axis, up or to the right, with a head at both ends."""
    _thin_line(canvas, x0, y0, x1, y1)
    along_x, along_y = float(x1 > x0), float(y1 > y0)
    for x, y, sign in ((x0, y0, 1.2), (x1, y1, -1.2)):
        for side in (-0.5, 0.5):
            _thin_line(canvas, x, y, x + sign * along_x + side * along_y, y + sign * along_y + side * along_x)


def _thin_line(canvas: Canvas, x0: float, y0: float, x1: float, y1: float) -> None:
    canvas.setLineWidth(_THIN)
    canvas.line(x0, y0, x1, y1)
    canvas.setLineWidth(_STROKE)


def _filled(canvas: Canvas, gray: float, shape: Callable[..., None], *arguments: Any, stroke: int = 1) -> None:
    canvas.setFillGray(gray)
    shape(canvas, *arguments, stroke=stroke, fill=1)
    canvas.setFillGray(0)


_SHAPES: dict[str, Callable[..., None]] = {
    "line": Canvas.line,
    "thin line": _thin_line,
    "arrow": _arrow,
    "span": _span,
    "box": Canvas.rect,
    "black box": partial(Canvas.rect, fill=1),
    "circle": Canvas.circle,
    "white disc": lambda canvas, *at: _filled(canvas, 1.0, Canvas.circle, *at),
    "label": Canvas.drawCentredString,
    "water": _water,
    "print": _print_from_the_front,
    "vial": _vial,
    "phone": _phone,
    "line of sight": _line_of_sight,
    "suction cup": _suction_cup,
}
