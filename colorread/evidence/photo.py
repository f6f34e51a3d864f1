"""The photo of an evidence picture: cropped around card and fluid, with outlines told apart without color."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from colorread.reading import Trace

_HEIGHT_MAX_PX = 1000
_CROP_RIM = 0.08  # of the size of what is shown
_OVERSAMPLING = 2  # drawn larger and reduced, for smooth lines
_STROKE_PX, _EDGE_PX = 5, 11  # light line within a dark one: seen on any ground
_DASH_PX, _GAP_PX = 22, 14
_DOT_STEP_PX, _DOT_PX, _DOT_EDGE_PX = 14, 2, 3.5
_LABEL_PX = 36
_DARK, _LIGHT = (0, 0, 0), (255, 255, 255)

Floats = NDArray[np.float64]


def draw_photo(trace: Trace, width_px: int, fluid_label: str) -> Image.Image:
    """
    Draw the photo with what was found in it.

    Parameters
    ----------
    trace : Trace
        What was seen; `rgb_u8` must be there.
    width_px : int
        Width of the picture.
    fluid_label : str
        Word beside the outline of the fluid.

    Returns
    -------
    PIL.Image.Image
        The card with a solid outline, the fluid with a dashed one, the used pixels dotted.
    """
    assert trace.rgb_u8 is not None
    left, top, right, bottom = _crop(trace)
    scale = min(width_px / (right - left), _HEIGHT_MAX_PX / (bottom - top)) * _OVERSAMPLING
    size = (round((right - left) * scale), round((bottom - top) * scale))
    image = Image.fromarray(trace.rgb_u8).resize(size, Image.Resampling.BICUBIC, box=(left, top, right, bottom))
    draw = ImageDraw.Draw(image)

    def drawn(points_px: Floats) -> Floats:
        return (points_px + 0.5 - (left, top)) * scale

    if trace.used_px is not None:
        _draw_dots(draw, drawn(trace.used_px))
    if trace.card_corners_px is not None:
        corners = drawn(trace.card_corners_px)
        _draw_outline(draw, corners, dashed=False)
        x, y = corners[np.argmin(corners.sum(axis=1))]
        _draw_label(draw, "card", x, y - _LABEL_PX * _OVERSAMPLING, size)
    if trace.vial_outline_px is not None:
        outline = drawn(trace.vial_outline_px)
        _draw_outline(draw, outline, dashed=True)
        gap = 2 * _EDGE_PX * _OVERSAMPLING
        _draw_label(draw, fluid_label, outline[:, 0].max() + gap, outline[:, 1].mean(), size)
    image = image.reduce(_OVERSAMPLING)
    page = Image.new("RGB", (width_px, image.height), _DARK)
    page.paste(image, ((width_px - image.width) // 2, 0))
    return page


def _crop(trace: Trace) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of what is shown, in edges of pixels."""
    assert trace.rgb_u8 is not None
    height_px, width_px = trace.rgb_u8.shape[:2]
    found = [points for points in (trace.card_corners_px, trace.vial_outline_px) if points is not None]
    if not found:
        return 0.0, 0.0, float(width_px), float(height_px)
    points = np.concatenate(found)
    low, high = points.min(axis=0), points.max(axis=0)
    rim = _CROP_RIM * float((high - low).max())
    left, top = np.maximum(low - rim, 0.0)
    right, bottom = np.minimum(high + rim, (width_px, height_px))
    return float(left), float(top), float(right), float(bottom)


def _draw_outline(draw: ImageDraw.ImageDraw, points: Floats, *, dashed: bool) -> None:
    closed = [(float(x), float(y)) for x, y in np.concatenate([points, points[:2]])]
    draw.line(closed, fill=_DARK, width=_EDGE_PX * _OVERSAMPLING, joint="curve")
    lines = _dashes(points) if dashed else [closed]
    for line in lines:
        draw.line(line, fill=_LIGHT, width=_STROKE_PX * _OVERSAMPLING, joint="curve")


def _dashes(points: Floats) -> list[list[tuple[float, float]]]:
    closed = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(int(along[-1] / ((_DASH_PX + _GAP_PX) * _OVERSAMPLING)), 3)
    step = along[-1] / count
    dashes = []
    for start in step * np.arange(count):
        at = np.linspace(start, start + step * _DASH_PX / (_DASH_PX + _GAP_PX), 6)
        xs, ys = np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])
        dashes.append([(float(x), float(y)) for x, y in zip(xs, ys, strict=True)])
    return dashes


def _draw_dots(draw: ImageDraw.ImageDraw, points: Floats) -> None:
    """Dot a coarse grid where pixels were used, so that the color stays visible between."""
    cells = np.unique((points // (_DOT_STEP_PX * _OVERSAMPLING)).astype(int), axis=0)
    for x, y in (cells + 0.5) * _DOT_STEP_PX * _OVERSAMPLING:
        draw.circle((x, y), _DOT_EDGE_PX * _OVERSAMPLING, fill=_DARK)
        draw.circle((x, y), _DOT_PX * _OVERSAMPLING, fill=_LIGHT)


def _draw_label(draw: ImageDraw.ImageDraw, text: str, x: float, y: float, size: tuple[int, int]) -> None:
    """Draw a dark tag whose left edge is near x, y and which lies within the picture."""
    font = ImageFont.load_default(_LABEL_PX * _OVERSAMPLING)
    pad = 8 * _OVERSAMPLING
    width, height = draw.textlength(text, font) + 2 * pad, (_LABEL_PX * _OVERSAMPLING) * 1.2 + pad
    x = min(max(x, 0.0), size[0] - width)
    y = min(max(y - height / 2, 0.0), size[1] - height)
    draw.rounded_rectangle((x, y, x + width, y + height), radius=pad, fill=_DARK)
    draw.text((x + width / 2, y + height / 2), text, fill=_LIGHT, font=font, anchor="mm")
