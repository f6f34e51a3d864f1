"""Line drawings on the print sheets: where vial, card or tag, and phone go."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from calibration.reference import Rect, Reference, load_card, load_tag

# Both drawings are laid out on fields of this size, x to the right and y up, and scaled to their places.
TAG_FIELD = (100.0, 68.0)
CARD_FIELD = (44.0, 48.5)

_STROKE, _THIN = 0.35, 0.18
_LABEL = 2.6  # height of the letters
_FAINT_GRAY, _FLUID_GRAY, _WATER_GRAY = 0.55, 0.8, 0.93


def draw_tag_in_use(canvas: Canvas, page_height_mm: float, place: Rect) -> None:
    """
    Draw the tag in the tank: from the front and from the side.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Its axes as reportlab has them, in points from the lower left corner.
    page_height_mm : float
        Height of the sheet [mm].
    place : Rect
        Where, from the upper left corner of the sheet; the drawing is as wide, and keeps its shape.
    """
    with _field(canvas, page_height_mm, place, TAG_FIELD):
        _tank_from_the_front(canvas)
        _tank_from_the_side(canvas)


def draw_card_in_use(canvas: Canvas, page_height_mm: float, place: Rect) -> None:
    """
    Draw the card behind the vial: from the front and from the side.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Its axes as reportlab has them, in points from the lower left corner.
    page_height_mm : float
        Height of the sheet [mm].
    place : Rect
        Where, from the upper left corner of the sheet; the drawing is as wide, and keeps its shape.
    """
    with _field(canvas, page_height_mm, place, CARD_FIELD):
        _print_from_the_front(canvas, load_card(), 5.0, 21.5, 34.0)
        _vial(canvas, 22.0, 33.5, 3.0, stem_to=48.0)
        _phone(canvas, 2.0, 5.5, 10.5)
        _line_of_sight(canvas, 5.5, 33.0, 10.75)
        _vial(canvas, 36.0, 10.75, 2.6, stem_to=17.5)
        canvas.rect(40.5, 4.5, 0.7, 13.0, fill=1)
        _span(canvas, 4.7, 36.0, 3.6, "20 to 30 cm")
        _label(canvas, 40.8, 0.2, "card")
        _label(canvas, 3.6, 17.0, "phone")


def drawing_height_mm(field: tuple[float, float], width_mm: float) -> float:
    """Return how tall a drawing gets that is as wide as its place."""
    return width_mm * field[1] / field[0]


@contextmanager
def _field(canvas: Canvas, page_height_mm: float, place: Rect, size: tuple[float, float]) -> Iterator[None]:
    width, height = size
    scale = mm * place.width_mm / width
    canvas.saveState()
    canvas.translate(place.x_mm * mm, (page_height_mm - place.y_mm) * mm - height * scale)
    canvas.scale(scale, scale)
    canvas.setStrokeGray(0)
    canvas.setFillGray(0)
    canvas.setLineWidth(_STROKE)
    canvas.setLineCap(1)
    canvas.setLineJoin(1)
    yield
    canvas.restoreState()


def _tank_from_the_front(canvas: Canvas) -> None:
    left, right, floor, surface, middle = 2.0, 52.0, 10.0, 58.0, 27.0
    _water(canvas, left, right, floor, surface)
    canvas.rect(left, 6.0, right - left, 56.0, fill=0)
    canvas.line(left, floor, right, floor)
    for n, (x, y) in enumerate(
        ((8.0, 17.0), (8.8, 22.0), (7.6, 27.5), (9.0, 33.0), (8.0, 39.0), (8.8, 45.5), (7.8, 52.0))
    ):
        canvas.circle(x, y, 0.45 + 0.06 * n, fill=0)
    canvas.rect(6.4, 11.5, 3.6, 2.2, fill=0)
    _label(canvas, 10.8, 11.9, "diffuser", centered=False)
    canvas.line(middle, 47.0, middle, 42.0)
    _print_from_the_front(canvas, load_tag(), middle - 7.0, 23.5, 14.0)
    _vial(canvas, middle, 33.0, 2.9, stem_to=46.5)
    canvas.setFillGray(1)
    canvas.circle(middle, 48.0, 1.7, fill=1)
    canvas.circle(middle, 48.0, 0.7, fill=1)
    canvas.setFillGray(0)
    for low, high in ((floor, 34.0), (34.0, surface)):
        _arrow(canvas, 45.0, low, 45.0, high)
    canvas.setLineWidth(_THIN)
    canvas.line(36.0, 34.0, 46.5, 34.0)
    canvas.setLineWidth(_STROKE)
    _label(canvas, 48.3, 33.0, "½")
    _label(canvas, middle, 1.5, "from the front")


def _tank_from_the_side(canvas: Canvas) -> None:
    glass, floor, surface, tag = 71.0, 10.0, 58.0, 86.0
    _water(canvas, glass + 1.6, 98.0, floor, surface)
    canvas.rect(glass, 6.0, 1.6, 56.0, fill=0)
    canvas.line(glass + 1.6, floor, 98.0, floor)
    canvas.line(glass + 1.6, 6.0, 98.0, 6.0)
    path = canvas.beginPath()  # the suction cup, flat against the glass
    path.moveTo(glass + 1.6, 46.3)
    path.curveTo(glass + 3.2, 46.8, glass + 3.2, 49.2, glass + 1.6, 49.7)
    canvas.drawPath(path, stroke=1, fill=0)
    canvas.line(glass + 2.8, 48.0, 79.0, 48.0)
    canvas.line(79.0, 48.0, tag + 0.3, 42.5)
    _vial(canvas, 79.0, 33.0, 2.9, stem_to=48.0)
    canvas.rect(tag, 23.5, 0.7, 19.9, fill=1)
    _span(canvas, 81.9, tag, 21.0, "")
    _label(canvas, 84.0, 17.0, "1 to 12 mm")
    _label(canvas, 90.5, 38.0, "tag")
    _phone(canvas, 60.0, 26.0, 14.0)
    _line_of_sight(canvas, 63.2, 76.0, 33.0)
    _label(canvas, 61.3, 22.0, "phone")
    _label(canvas, 80.0, 1.5, "from the side")


def _print_from_the_front(canvas: Canvas, reference: Reference, x: float, y: float, width: float) -> None:
    """Draw card or tag small, its lower left corner at a point."""
    scale = width / reference.outline.width_mm
    canvas.saveState()
    canvas.translate(x, y + reference.outline.height_mm * scale)
    canvas.scale(scale, -scale)
    canvas.setLineWidth(_STROKE / scale)
    canvas.setFillGray(1)
    canvas.rect(0, 0, reference.outline.width_mm, reference.outline.height_mm, fill=1)
    for patch in reference.gray_patches:
        canvas.setFillGray(1 - patch.black_coverage)
        canvas.rect(patch.rect.x_mm, patch.rect.y_mm, patch.rect.width_mm, patch.rect.height_mm, stroke=0, fill=1)
    canvas.setFillGray(0)
    for rect in reference.markers.values():
        canvas.rect(rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm, stroke=0, fill=1)
    if reference.hole is not None:
        canvas.setLineWidth(_THIN / scale)
        canvas.circle(reference.hole.x_mm, reference.hole.y_mm, reference.hole.diameter_mm / 2, fill=0)
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
    canvas.line(left, surface, right, surface)


def _span(canvas: Canvas, left: float, right: float, y: float, text: str) -> None:
    """Draw a distance between two upright lines."""
    canvas.setLineWidth(_THIN)
    for x in (left, right):
        canvas.line(x, y - 1.0, x, y + 1.0)
    _arrow(canvas, left, y, right, y)
    canvas.setLineWidth(_STROKE)
    _label(canvas, (left + right) / 2, y - 3.4, text)


def _arrow(canvas: Canvas, x0: float, y0: float, x1: float, y1: float) -> None:
    """Draw a thin line along one axis with a head at both ends."""
    canvas.setLineWidth(_THIN)
    canvas.line(x0, y0, x1, y1)
    length = abs(x1 - x0) + abs(y1 - y0)
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    for x, y, sign in ((x0, y0, 1.0), (x1, y1, -1.0)):
        for side in (-0.5, 0.5):
            canvas.line(x, y, x + sign * 1.2 * along_x + side * along_y, y + sign * 1.2 * along_y + side * along_x)
    canvas.setLineWidth(_STROKE)


def _label(canvas: Canvas, x: float, y: float, text: str, *, centered: bool = True) -> None:
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", _LABEL)
    (canvas.drawCentredString if centered else canvas.drawString)(x, y, text)
