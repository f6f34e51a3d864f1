"""The photo in an evidence picture: cropped around card and fluid, with outlines that need no color."""

from __future__ import annotations

import functools
from importlib.metadata import distribution

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from calibration import Floats
from colorread.result import Trace

_CROP_RIM = 0.08  # of the size of the part to show
_STROKE_PX, _EDGE_PX = 4, 9  # a light line in a dark one is visible on any background; smoothing adds a pixel
_DASH_PX, _GAP_PX = 19, 17  # with round ends
_DOT_STEP_PX, _DOT_PX, _DOT_EDGE_PX = 14, 1.5, 3.0
_LABEL_PX, _PAD_PX = 36, 8
_DARK, _LIGHT = (0, 0, 0), (255, 255, 255)
_SHIFT = 4  # fractional bits of the positions in OpenCV


@functools.cache
def font_of(size_px: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return a font for most languages, with a true bold; it comes with the plotting library."""
    file = f"matplotlib/mpl-data/fonts/ttf/DejaVuSans{'-Bold' if bold else ''}.ttf"
    return ImageFont.truetype(str(distribution("matplotlib").locate_file(file)), size_px)


def draw_photo(trace: Trace, width_px: int, height_px: int, fluid_label: str) -> Image.Image:
    """
    Draw the photo with what was found in it.

    Parameters
    ----------
    trace : Trace
        What was found, with `rgb_u8`.
    width_px, height_px : int
        Maximum size of the picture.
    fluid_label : str
        Word beside the outline of the fluid.

    Returns
    -------
    PIL.Image.Image
        With a solid outline of the card or tag, a dashed one of the fluid, and dots on the pixels used.
    """
    assert trace.rgb_u8 is not None
    left, top, right, bottom = _crop(trace)
    scale = min(width_px / (right - left), height_px / (bottom - top))
    size = (round((right - left) * scale), round((bottom - top) * scale))
    # Via twice the size: averaging over fractions of pixels takes five times as long.
    twice = cv2.resize(trace.rgb_u8[top:bottom, left:right], (2 * size[0], 2 * size[1]))
    picture = np.asarray(cv2.resize(twice, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)

    def drawn(points_px: Floats) -> Floats:
        return (points_px + 0.5 - (left, top)) * scale - 0.5

    labels: list[tuple[str, float, float]] = []
    if trace.used_px is not None:
        _draw_dots(picture, drawn(trace.used_px))
    if trace.card_corners_px is not None:
        corners = drawn(trace.card_corners_px)
        _draw_outline(picture, corners, dashed=False)
        x, y = corners[np.argmin(corners.sum(axis=1))]
        labels.append((trace.reference, x, y - _LABEL_PX))
    outlines = [drawn(outline_px) for outline_px in trace.vial_outlines_px]
    fluid_labels = [fluid_label] if len(outlines) == 1 else [f"{number}?" for number in range(1, len(outlines) + 1)]
    for outline, label in zip(outlines, fluid_labels, strict=True):
        _draw_outline(picture, outline, dashed=True)
        labels.append((label, outline[:, 0].max() + 2 * _EDGE_PX, outline[:, 1].mean()))
    image = Image.fromarray(picture)
    for text, x, y in labels:
        _draw_label(ImageDraw.Draw(image), text, x, y, size)
    page = Image.new("RGB", (width_px, size[1]), _DARK)
    page.paste(image, ((width_px - size[0]) // 2, 0))
    return page


def _crop(trace: Trace) -> tuple[int, int, int, int]:
    """Return left, top, right and bottom of the part to show, in pixel edges."""
    assert trace.rgb_u8 is not None
    height_px, width_px = trace.rgb_u8.shape[:2]
    found = [points for points in (trace.card_corners_px, *trace.vial_outlines_px) if points is not None]
    if not found:
        return 0, 0, width_px, height_px
    points = np.concatenate(found)
    low, high = points.min(axis=0), points.max(axis=0)
    rim = _CROP_RIM * float((high - low).max())
    left, top = np.maximum(np.floor(low - rim), 0.0)
    right, bottom = np.minimum(np.ceil(high + rim), (width_px, height_px))
    return int(left), int(top), int(right), int(bottom)


def _draw_outline(picture: NDArray[np.uint8], points: Floats, *, dashed: bool) -> None:
    cv2.polylines(picture, [_fixed(points)], True, _DARK, _EDGE_PX, cv2.LINE_AA, _SHIFT)
    lines = [_fixed(line) for line in (_dashes(points) if dashed else [points])]
    cv2.polylines(picture, lines, not dashed, _LIGHT, _STROKE_PX, cv2.LINE_AA, _SHIFT)


def _fixed(length_px: Floats | float) -> NDArray[np.int32]:
    """Return fixed-point numbers for OpenCV."""
    return np.rint(np.multiply(length_px, 1 << _SHIFT)).astype(np.int32)


def _dashes(points: Floats) -> list[Floats]:
    closed = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(int(along[-1] / (_DASH_PX + _GAP_PX)), 3)
    step = along[-1] / count
    starts = step * np.arange(count)
    at = np.linspace(starts, starts + step * _DASH_PX / (_DASH_PX + _GAP_PX), 6, axis=1)
    return list(np.stack([np.interp(at, along, closed[:, axis]) for axis in range(2)], axis=-1))


def _draw_dots(picture: NDArray[np.uint8], points: Floats) -> None:
    """Draw dots on a coarse grid of the pixels used, so that their color stays visible."""
    cells = np.unique(points // _DOT_STEP_PX, axis=0)
    for center in _fixed((cells + 0.5) * _DOT_STEP_PX):
        for color, radius_px in ((_DARK, _DOT_EDGE_PX), (_LIGHT, _DOT_PX)):
            cv2.circle(picture, center, int(_fixed(radius_px)), color, cv2.FILLED, cv2.LINE_AA, _SHIFT)


def _draw_label(draw: ImageDraw.ImageDraw, text: str, x: float, y: float, size: tuple[int, int]) -> None:
    """Draw a label whose left edge is at x, y, moved into the picture."""
    font = font_of(_LABEL_PX)
    width, height = draw.textlength(text, font) + 2 * _PAD_PX, 1.2 * _LABEL_PX + _PAD_PX
    x = min(max(x, 0.0), size[0] - width)
    y = min(max(y - height / 2, 0.0), size[1] - height)
    draw.rounded_rectangle((x, y, x + width, y + height), radius=_PAD_PX, fill=_DARK)
    draw.text((x + width / 2, y + height / 2), text, fill=_LIGHT, font=font, anchor="mm")
