"""Draws cards, tags and cut marks at true size, and the line drawings that show how to use them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import cv2
import numpy as np
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.platypus import Flowable

from calibration.reference import Rect, Reference, ScaleBar, load_references

_CUT_MARK_START_MM, _CUT_MARK_END_MM = 0.4, 2.3
_HAIRLINE_MM = 0.15
_BAR_STROKE_MM, _TICK_STEP_MM = 0.6, 10.0  # of the scale bar: stroke of bar and ticks, and spacing of the ticks

# For the line drawings, in their own units.
_STROKE, _THIN = 0.35, 0.18
_LABEL_SIZE = 2.6
_FAINT_GRAY, _FLUID_GRAY, _WATER_GRAY = 0.55, 0.8, 0.93


def draw_reference(canvas: Canvas, reference: Reference) -> None:
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


def draw_cut_marks(canvas: Canvas, outline: Rect) -> None:
    """Draw short lines outside the corners of a card or tag; axes as in `draw_reference`."""
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
    canvas.line(bar.x0_mm, bar.y0_mm, bar.x1_mm, bar.y1_mm)
    across_x, across_y = (bar.tick_mm / 2, 0.0) if bar.x0_mm == bar.x1_mm else (0.0, bar.tick_mm / 2)
    n_ticks = round(bar.length_mm / _TICK_STEP_MM) + 1
    for x, y in np.linspace((bar.x0_mm, bar.y0_mm), (bar.x1_mm, bar.y1_mm), n_ticks):
        canvas.line(x - across_x, y - across_y, x + across_x, y + across_y)


class LineDrawing(Flowable):  # type: ignore[misc]
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
    (reference,) = (one for one in load_references() if one.name == name)
    outline = reference.outline
    scale = width / outline.width_mm
    canvas.saveState()
    canvas.transform(scale, 0, 0, -scale, x, y + outline.height_mm * scale)
    canvas.setLineWidth(_STROKE / scale)
    _filled(canvas, 1.0, Canvas.rect, 0, 0, outline.width_mm, outline.height_mm)
    draw_reference(canvas, reference)
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
