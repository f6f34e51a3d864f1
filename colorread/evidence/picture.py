"""The evidence picture: what was measured in a photo and what came out, on one page as wide as a phone."""

from __future__ import annotations

import io
import math
import os
from pathlib import Path
from typing import Literal

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from calibration.whole_file import write_whole
from colorread.carbonate import co2_from_ph
from colorread.evidence.canvas import INK, MARGIN_PX, PAPER, SOFT_INK, WIDTH_PX, Page
from colorread.evidence.file import MARK, place_for
from colorread.evidence.photo import draw_photo
from colorread.flags import flag_texts
from colorread.reading import Interval, Reading, Trace
from colorread.words import clean_name, co2_words, input_words, ph_words, time_words

_HUGE_PX, _LARGE_PX, _SMALL_PX = 92, 46, 36
_CAPTION_WIDTH_PX = 236
_STRIP_PX = 84
_PANEL_PX, _PANEL_GRAY = 360, (214, 214, 214)
_JPEG_QUALITY = 90
_SMALL_WIDTH_PX, _SMALL_BYTES = 480, 40_000
_SMALL_QUALITIES = (75, 60, 45, 30)
_EndSign = Literal["closed", "open", "beyond"]
_BADGES = {"no concern read": "circle", "watch": "triangle", "act": "octagon"}


def draw_evidence(reading: Reading, trace: Trace) -> Image.Image:
    """
    Draw the evidence of one reading.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was seen on the way.

    Returns
    -------
    PIL.Image.Image
        sRGB, 1080 px wide.
    """
    page = Page()
    if trace.rgb_u8 is not None:
        page.paste(draw_photo(trace, WIDTH_PX, "fluid" if reading.reason is None else "fluid?"))
    elif reading.reason is not None:
        page.paste(_panel("No photo to show"))
    page.space(24)
    if reading.reason is None:
        _draw_result(page, reading, trace)
    else:
        _draw_refusal(page, reading, trace)
    page.rule()
    for seen, advice in flag_texts(reading):
        page.text(f"Note: {seen}{'; ' + advice if advice else ''}.")
    if reading.reason is None:
        for label, words in zip(("Stated", "Assumed"), input_words(reading), strict=True):
            page.text(f"{label}: {words}." if words else "")
    when = time_words(reading)
    page.text(f"{clean_name(Path(reading.photo).name)}{', taken ' + when if when else ''}", ink=SOFT_INK)
    if reading.verdict is not None:
        for caution in reading.verdict.cautions:
            page.text(caution, size_px=_SMALL_PX, ink=SOFT_INK)
    return page.cut()


def write_evidence(reading: Reading, trace: Trace, directory: str | os.PathLike[str]) -> Path:
    """
    Write the evidence of one reading as a JPEG.

    The name is that of the photo with ``-evidence``, and a number where it is taken. Only the evidence picture
    of the same photo is ever replaced; the file appears whole or not at all.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was seen on the way.
    directory : path
        Folder, made where it does not exist.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    folder = Path(directory)
    folder.mkdir(parents=True, exist_ok=True)
    path, mark = place_for(reading.photo, folder)
    file = io.BytesIO()
    draw_evidence(reading, trace).save(file, "JPEG", quality=_JPEG_QUALITY, subsampling=0, comment=mark)
    write_whole(path, file.getvalue())
    return path


def small_evidence(reading: Reading, trace: Trace) -> bytes | None:
    """
    Return a small picture of what was found in a photo, for keeping many.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was seen on the way.

    Returns
    -------
    bytes or None
        JPEG 480 px wide of about 40 kB at most, without anything of the photo's metadata; None where there is no photo.
    """
    if trace.rgb_u8 is None:
        return None
    picture = draw_photo(trace, _SMALL_WIDTH_PX, "fluid" if reading.reason is None else "fluid?")
    for quality in _SMALL_QUALITIES:
        file = io.BytesIO()
        picture.save(file, "JPEG", quality=quality, comment=MARK)
        if file.tell() <= _SMALL_BYTES:
            break
    return file.getvalue()


def _draw_result(page: Page, reading: Reading, trace: Trace) -> None:
    assert reading.co2_mg_l is not None
    assert reading.ph is not None
    assert reading.verdict is not None
    if trace.fluid_rgb is not None and trace.scale_rgb:
        _draw_scale(page, reading, reading.ph, trace)
    value, interval = co2_words(reading.co2_mg_l).pair()
    page.text(f"CO2 {value}", size_px=_HUGE_PX, bold=True)
    page.text(interval, size_px=_LARGE_PX)
    page.text(f"pH {', '.join(ph_words(reading.ph).pair())}")
    page.rule()
    plants, fish, advice = reading.verdict.sentences
    top = page.y
    page.text(f"Fish: {reading.verdict.fish}", size_px=_LARGE_PX, bold=True, left_px=MARGIN_PX + 92)
    _draw_badge(page.draw, _BADGES[reading.verdict.fish], MARGIN_PX + 36, top + 28)
    page.space(6)
    for sentence in (fish, plants, advice):
        page.text(sentence)


def _draw_refusal(page: Page, reading: Reading, trace: Trace) -> None:
    assert reading.reason is not None
    top = page.y
    page.text("Not read", size_px=_LARGE_PX, bold=True, left_px=MARGIN_PX + 92)
    _draw_badge(page.draw, "cross", MARGIN_PX + 36, top + 28)
    page.space(6)
    page.text(reading.reason.message, bold=True)
    things = len(trace.vial_outlines_px)
    seen = (
        ("the photo", trace.rgb_u8 is not None),
        (f"the {trace.reference}", trace.card_corners_px is not None),
        ("two colored things before the card, marked 1? and 2?" if things > 1 else "something colored", things > 0),
    )
    page.text(f"Found: {', '.join(name for name, is_seen in seen if is_seen) or 'nothing'}.")
    page.text(f"What to do: {reading.reason.next_step}")


def _panel(words: str) -> Image.Image:
    panel = Image.new("RGB", (WIDTH_PX, _PANEL_PX), _PANEL_GRAY)
    font = ImageFont.load_default(_LARGE_PX)
    ImageDraw.Draw(panel).text((WIDTH_PX / 2, _PANEL_PX / 2), words, fill=INK, font=font, anchor="mm")
    return panel


def _draw_scale(page: Page, reading: Reading, ph: Interval, trace: Trace) -> None:
    """Draw the color of the fluid right below those of the dye, with pH and the CO2 that belongs to it."""
    assert trace.fluid_rgb is not None
    grid = np.array([at for at, _ in trace.scale_rgb])
    colors = np.array([rgb for _, rgb in trace.scale_rgb])
    left, right = MARGIN_PX + _CAPTION_WIDTH_PX, WIDTH_PX - MARGIN_PX - 24

    def x_of(value: float) -> float:
        return left + float(np.clip((value - grid[0]) / (grid[-1] - grid[0]), 0.0, 1.0)) * (right - left)

    font = ImageFont.load_default(_SMALL_PX)
    low_ph, high_ph = -math.inf if ph.low is None else ph.low, math.inf if ph.high is None else ph.high
    ends = _end_sign(ph.low, low_ph < grid[0]), _end_sign(ph.high, high_ph > grid[-1])
    # The numbers tell how far the interval goes on beyond the scale.
    text = "pH " + (ph_words(ph).short() if "beyond" in ends else ph_words(ph).value)
    low, high = x_of(low_ph), x_of(high_ph)
    middle = (low + high) / 2 if ph.value is None else x_of(ph.value)
    half = page.draw.textlength(text, font) / 2
    page.draw.text((min(max(middle, left + half), right - half), page.y), text, fill=INK, font=font, anchor="ma")
    page.space(58)
    _draw_bracket(page.draw, low, high, page.y, ends)
    if ph.value is not None:
        page.draw.polygon([(middle - 17, page.y - 4), (middle + 17, page.y - 4), (middle, page.y + 24)], fill=INK)
    page.space(28)

    at = np.linspace(grid[0], grid[-1], right - left)
    expected = np.stack([np.interp(at, grid, channel) for channel in colors.T], axis=-1)
    seen = np.broadcast_to(trace.fluid_rgb, expected.shape)
    for caption, row in (("expected", expected), ("seen", seen)):
        strip_u8 = np.round(np.clip(row, 0.0, 1.0) * 255.0).astype(np.uint8)[None].repeat(_STRIP_PX, axis=0)
        page.image.paste(Image.fromarray(np.ascontiguousarray(strip_u8)), (left, page.y))
        page.draw.text((MARGIN_PX, page.y + _STRIP_PX / 2), caption, fill=INK, font=font, anchor="lm")
        page.space(_STRIP_PX)
    page.draw.rectangle((left - 2, page.y - 2 * _STRIP_PX - 2, right + 1, page.y + 1), outline=INK, width=2)
    for value in grid[:: max(1, (len(grid) - 1) // 4)]:
        page.draw.line((x_of(value), page.y, x_of(value), page.y + 12), fill=INK, width=3)
        page.draw.text((x_of(value), page.y + 16), f"{value:.1f}", fill=INK, font=font, anchor="ma")
        co2_mg_l = float(co2_from_ph(value, reading.kh_dkh, temperature_c=reading.temperature_c))
        co2 = f"{co2_mg_l:.{0 if co2_mg_l >= 10.0 else 1}f}"
        page.draw.text((x_of(value), page.y + 62), co2, fill=INK, font=font, anchor="ma")
    page.draw.text((MARGIN_PX, page.y + 16), "pH", fill=INK, font=font)
    page.draw.text((MARGIN_PX, page.y + 62), "CO2 mg/L", fill=INK, font=font)
    page.space(130)


def _end_sign(end: float | None, is_beyond: bool) -> _EndSign:
    return "open" if end is None else "beyond" if is_beyond else "closed"


def _draw_bracket(
    draw: ImageDraw.ImageDraw, low: float, high: float, y: float, ends: tuple[_EndSign, _EndSign]
) -> None:
    """Draw the interval with a stroke at a known end, an arrow at an open one, and a break where the scale ends."""
    draw.line((low, y, high, y), fill=INK, width=7)
    for x, outward, sign in ((low, -1, ends[0]), (high, 1, ends[1])):
        if sign == "open":
            draw.polygon([(x, y - 16), (x, y + 16), (x + outward * 24, y)], fill=INK)
        elif sign == "beyond":
            for away in (5, 19):
                middle = x + outward * away
                draw.line((middle - 5, y + 16, middle + 5, y - 16), fill=INK, width=5)
        else:
            draw.line((x, y - 14, x, y + 22), fill=INK, width=7)


def _draw_badge(draw: ImageDraw.ImageDraw, shape: str, x: int, y: int) -> None:
    """Draw a sign that is told by its shape."""
    font = ImageFont.load_default(_LARGE_PX)
    if shape == "circle":
        draw.circle((x, y), 30, outline=INK, width=6)
    elif shape == "triangle":
        draw.polygon([(x - 36, y + 30), (x + 36, y + 30), (x, y - 34)], outline=INK, width=6)
        draw.text((x, y + 12), "!", fill=INK, font=font, anchor="mm", stroke_width=1, stroke_fill=INK)
    elif shape == "octagon":
        draw.regular_polygon((x, y, 37), 8, rotation=22, fill=INK)
        draw.text((x, y), "!!", fill=PAPER, font=font, anchor="mm", stroke_width=1, stroke_fill=PAPER)
    else:
        draw.line((x - 24, y - 24, x + 24, y + 24), fill=INK, width=10)
        draw.line((x - 24, y + 24, x + 24, y - 24), fill=INK, width=10)
