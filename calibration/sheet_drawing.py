"""What is drawn on the print sheets: cards and tags at true size, cut marks, and where vial, print and phone go."""

from __future__ import annotations

import cv2
import numpy as np
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.platypus import Flowable

from calibration.reference import Rect, Reference, ScaleBar, load_card, load_tag

_CUT_MARK_START_MM, _CUT_MARK_END_MM = 0.4, 2.3
_HAIRLINE_MM = 0.15
_BAR_STROKE_MM, _TICK_STEP_MM = 0.6, 10.0  # of the scale bar: stroke of bar and ticks, and how far these stand apart

# Of the line drawings, in units of their fields.
_STROKE, _THIN = 0.35, 0.18
_LABEL = 2.6  # height of the letters
_FAINT_GRAY, _FLUID_GRAY, _WATER_GRAY = 0.55, 0.8, 0.93


def draw_reference(canvas: Canvas, reference: Reference) -> None:
    """Draw a card or tag in black ink; axes run in mm from its top-left corner, x to the right and y down."""
    _fill_grays(canvas, reference)
    for marker_id, rect in reference.markers.items():
        _draw_marker(canvas, reference.marker_dictionary, marker_id, rect)
    _draw_bar(canvas, reference.scale_bar)
    _draw_hole(canvas, reference, _HAIRLINE_MM)


def draw_cut_marks(canvas: Canvas, outline: Rect) -> None:
    """Draw short lines outside the corners of a card or tag; axes as in `draw_reference`."""
    canvas.setStrokeGray(0)
    canvas.setLineWidth(_HAIRLINE_MM)
    for (x, y), (right, down) in zip(outline.corners_mm, ((-1, -1), (1, -1), (1, 1), (-1, 1)), strict=True):
        canvas.line(x + right * _CUT_MARK_START_MM, y, x + right * _CUT_MARK_END_MM, y)
        canvas.line(x, y + down * _CUT_MARK_START_MM, x, y + down * _CUT_MARK_END_MM)


def _fill_rect(canvas: Canvas, rect: Rect) -> None:
    """Fill a rectangle; axes as in `draw_reference`."""
    canvas.rect(rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm, stroke=0, fill=1)


def _fill_grays(canvas: Canvas, reference: Reference) -> None:
    """Fill the patches, and leave the ink black."""
    for patch in reference.gray_patches:
        if patch.black_coverage > 0:
            canvas.setFillGray(1 - patch.black_coverage)
            _fill_rect(canvas, patch.rect)
    canvas.setFillGray(0)


def _draw_hole(canvas: Canvas, reference: Reference, stroke_mm: float) -> None:
    if reference.hole is not None:
        hole, radius_mm = reference.hole, reference.hole.width_mm / 2
        canvas.setLineWidth(stroke_mm)
        canvas.circle(hole.x_mm + radius_mm, hole.y_mm + radius_mm, radius_mm)


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
    canvas.line(bar.x0_mm, bar.y0_mm, bar.x1_mm, bar.y1_mm)
    across_x, across_y = (bar.tick_mm / 2, 0.0) if bar.x0_mm == bar.x1_mm else (0.0, bar.tick_mm / 2)
    n_ticks = round(bar.length_mm / _TICK_STEP_MM) + 1
    for x, y in np.linspace((bar.x0_mm, bar.y0_mm), (bar.x1_mm, bar.y1_mm), n_ticks):
        canvas.line(x - across_x, y - across_y, x + across_x, y + across_y)


class _InUse(Flowable):  # type: ignore[misc]
    """A line drawing on a field of its own, x to the right and y up, scaled to the width of its place."""

    field: tuple[float, float]

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Return its size where so much is left."""
        self._scale = width / self.field[0]
        return width, self.field[1] * self._scale

    def begin(self) -> Canvas:
        """Return the canvas with axes in units of the field."""
        self.canv.scale(self._scale, self._scale)
        self.canv.setStrokeGray(0)
        self.canv.setFillGray(0)
        self.canv.setLineWidth(_STROKE)
        self.canv.setLineCap(1)
        self.canv.setLineJoin(1)
        return self.canv


class CardInUse(_InUse):
    """The card behind the vial: from the front and from the side."""

    field = (44.0, 48.5)

    def draw(self) -> None:
        """Draw it."""
        canvas = self.begin()
        _print_from_the_front(canvas, load_card(), 5.0, 21.5, 34.0)
        _vial(canvas, 22.0, 33.5, 3.0, stem_to=48.0)
        _phone(canvas, 2.0, 5.5, 10.5)
        _line_of_sight(canvas, 5.5, 33.0, 10.75)
        _vial(canvas, 36.0, 10.75, 2.6, stem_to=17.5)
        canvas.rect(40.5, 4.5, 0.7, 13.0, fill=1)
        _span(canvas, 4.7, 36.0, 3.6)
        _label(canvas, 20.35, 0.2, "20 to 30 cm")
        _label(canvas, 40.8, 0.2, "card")
        _label(canvas, 3.6, 17.0, "phone")


class TagInUse(_InUse):
    """The tag in the tank: from the front and from the side."""

    field = (100.0, 68.0)

    def draw(self) -> None:
        """Draw it."""
        canvas = self.begin()
        floor, surface = 10.0, 58.0
        _tank_from_the_front(canvas, floor, surface)
        _tank_from_the_side(canvas, floor, surface)


def _tank_from_the_front(canvas: Canvas, floor: float, surface: float) -> None:
    left, right, middle = 2.0, 52.0, 27.0
    _water(canvas, left, right, floor, surface)
    canvas.rect(left, 6.0, right - left, 56.0, fill=0)
    bubbles = ((8.0, 17.0), (8.8, 22.0), (7.6, 27.5), (9.0, 33.0), (8.0, 39.0), (8.8, 45.5), (7.8, 52.0))
    for n, (x, y) in enumerate(bubbles):
        canvas.circle(x, y, 0.45 + 0.06 * n, fill=0)
    canvas.rect(6.4, 11.5, 3.6, 2.2, fill=0)
    _label(canvas, 15.0627, 11.9, "diffuser")
    canvas.line(middle, 47.0, middle, 42.0)
    _print_from_the_front(canvas, load_tag(), middle - 7.0, 23.5, 14.0)
    _vial(canvas, middle, 33.0, 2.9, stem_to=46.5)
    canvas.setFillGray(1)
    for radius in (1.7, 0.7):  # the suction cup
        canvas.circle(middle, 48.0, radius, fill=1)
    for low, high in ((floor, 34.0), (34.0, surface)):
        _arrow(canvas, 45.0, low, 45.0, high)
    canvas.setLineWidth(_THIN)
    canvas.line(36.0, 34.0, 46.5, 34.0)
    canvas.setLineWidth(_STROKE)
    _label(canvas, 48.3, 33.0, "½")
    _label(canvas, middle, 1.5, "from the front")


def _tank_from_the_side(canvas: Canvas, floor: float, surface: float) -> None:
    glass, water, right, tag = 71.0, 72.6, 98.0, 86.0
    _water(canvas, water, right, floor, surface)
    canvas.rect(glass, 6.0, water - glass, 56.0, fill=0)
    canvas.line(water, 6.0, right, 6.0)
    path = canvas.beginPath()  # the suction cup, flat against the glass
    path.moveTo(water, 46.3)
    path.curveTo(water + 1.6, 46.8, water + 1.6, 49.2, water, 49.7)
    canvas.drawPath(path, stroke=1, fill=0)
    canvas.line(water + 1.2, 48.0, 79.0, 48.0)
    canvas.line(79.0, 48.0, tag + 0.3, 42.5)
    _vial(canvas, 79.0, 33.0, 2.9, stem_to=48.0)
    canvas.rect(tag, 23.5, 0.7, 19.9, fill=1)
    _span(canvas, 81.9, tag, 21.0)
    _label(canvas, 84.0, 17.0, "1 to 12 mm")
    _label(canvas, 90.5, 38.0, "tag")
    _phone(canvas, 60.0, 26.0, 14.0)
    _line_of_sight(canvas, 63.2, 76.0, 33.0)
    _label(canvas, 61.3, 22.0, "phone")
    _label(canvas, 80.0, 1.5, "from the side")


def _print_from_the_front(canvas: Canvas, reference: Reference, x: float, y: float, width: float) -> None:
    """Draw card or tag small, its lower left corner at a point."""
    outline = reference.outline
    scale = width / outline.width_mm
    canvas.saveState()
    canvas.transform(scale, 0, 0, -scale, x, y + outline.height_mm * scale)
    canvas.setLineWidth(_STROKE / scale)
    canvas.setFillGray(1)
    canvas.rect(0, 0, outline.width_mm, outline.height_mm, fill=1)
    _fill_grays(canvas, reference)
    for rect in reference.markers.values():
        _fill_rect(canvas, rect)
    _draw_hole(canvas, reference, _THIN / scale)
    canvas.restoreState()


def _vial(canvas: Canvas, x: float, y: float, radius: float, *, stem_to: float) -> None:
    """Draw a bulb half full, with the stem that it hangs by."""
    canvas.line(x, y + radius, x, stem_to)
    canvas.setFillGray(1)
    canvas.circle(x, y, radius, stroke=0, fill=1)
    canvas.setFillGray(_FLUID_GRAY)
    fluid = canvas.beginPath()
    fluid.arc(x - radius, y - radius, x + radius, y + radius, 175, 190)
    fluid.close()
    canvas.drawPath(fluid, stroke=0, fill=1)
    canvas.circle(x, y, radius, fill=0)
    canvas.setFillGray(0)


def _phone(canvas: Canvas, x: float, y: float, height: float) -> None:
    """Draw a phone on edge, its lens to the right."""
    canvas.roundRect(x, y, 2.0, height, 0.7, fill=0)
    canvas.rect(x + 2.0, y + height / 2 - 1.0, 0.7, 2.0, fill=1)


def _line_of_sight(canvas: Canvas, from_x: float, to_x: float, y: float) -> None:
    canvas.saveState()
    canvas.setStrokeGray(_FAINT_GRAY)
    canvas.setDash(1.0, 1.2)
    canvas.line(from_x, y, to_x, y)
    canvas.restoreState()


def _water(canvas: Canvas, left: float, right: float, floor: float, surface: float) -> None:
    canvas.setFillGray(_WATER_GRAY)
    canvas.rect(left, floor, right - left, surface - floor, stroke=0, fill=1)
    canvas.setFillGray(0)
    for y in (floor, surface):
        canvas.line(left, y, right, y)


def _span(canvas: Canvas, left: float, right: float, y: float) -> None:
    """Draw a distance between two upright lines."""
    _arrow(canvas, left, y, right, y)
    canvas.setLineWidth(_THIN)
    for x in (left, right):
        canvas.line(x, y - 1.0, x, y + 1.0)
    canvas.setLineWidth(_STROKE)


def _arrow(canvas: Canvas, x0: float, y0: float, x1: float, y1: float) -> None:
    """Draw a thin line along one axis, up or to the right, with a head at both ends."""
    canvas.setLineWidth(_THIN)
    canvas.line(x0, y0, x1, y1)
    along_x, along_y = float(x1 > x0), float(y1 > y0)
    for x, y, sign in ((x0, y0, 1.2), (x1, y1, -1.2)):
        for side in (-0.5, 0.5):
            canvas.line(x, y, x + sign * along_x + side * along_y, y + sign * along_y + side * along_x)
    canvas.setLineWidth(_STROKE)


def _label(canvas: Canvas, x: float, y: float, text: str) -> None:
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", _LABEL)
    canvas.drawCentredString(x, y, text)
