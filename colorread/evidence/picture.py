"""The evidence picture: what was measured in a photo and what came out, on one page as wide as a phone."""

from __future__ import annotations

import hashlib
import io
import itertools
import math
import os
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calibration import write_whole
from colorread.chemistry import co2_from_ph
from colorread.evidence.canvas import INK, MARGIN_PX, PAPER, SOFT_INK, TEXT_PX, WIDTH_PX, Page, font_of
from colorread.evidence.photo import draw_photo
from colorread.result import Interval, Reading, Trace
from colorread.words import (
    REFUSED_SIGN,
    SIGNS_IN_SHORT,
    USUAL_MARKS,
    Bar,
    Marks,
    answer_of,
    bar_of,
    clean_name,
    flag_texts,
    input_words,
    ph_words,
    place_labels,
    time_words,
)

_HUGE_PX, _LARGE_PX, _SMALL_PX = 92, 42, 30
_HEIGHT_MAX_PX = 1600  # a phone shows that in two screens
_PHOTO_HEIGHT_PX = (300, 760)  # at least and at most
_CAPTION_WIDTH_PX = 236
_STRIP_PX = 64
_BAR_PX = 130
_PANEL_PX, _PANEL_GRAY = 360, (214, 214, 214)
_JPEG_QUALITY = 90
_SMALL_WIDTH_PX, _SMALL_HEIGHT_PX, _SMALL_BYTES = 480, 1000, 40_000
_SMALL_QUALITIES = (75, 60, 45, 30)
# The seen color is said to differ where it is this much stronger, lighter or otherwise off the expected one:
# assumptions.
_STRONGER, _LIGHTER, _OTHER = 1.3, 0.12, 0.1
_MARK = b"colorread evidence "  # stands in the head of every such picture
_HEAD_BYTES = 4096
_STEM_MAX_BYTES = 100  # with what is added well below 255, the longest name on most disks: common practice, no source
_EndSign = Literal["closed", "open", "beyond"]


def draw_evidence(reading: Reading, trace: Trace, marks: Marks = USUAL_MARKS) -> Image.Image:
    """
    Draw the evidence of one reading.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was seen on the way.
    marks : Marks, optional
        What the CO2 was judged by, on the bar.

    Returns
    -------
    PIL.Image.Image
        sRGB, 1080 px wide and 1600 px tall at most: the answer, the photo, and what it rests on.
    """
    above, below = Page(), Page()
    above.space(24)
    if reading.reason is None:
        _draw_answer(above, reading, marks)
    else:
        _draw_refusal(above, reading, trace)
    above.space(12)
    if reading.ph is not None and trace.fluid_rgb is not None and trace.scale_rgb:
        below.space(20)
        _draw_scale(below, reading, reading.ph, trace)
    for text in _small_print(reading):
        below.text(text, size_px=_SMALL_PX, ink=SOFT_INK)
    if trace.rgb_u8 is not None:
        least, most = _PHOTO_HEIGHT_PX
        height = min(max(_HEIGHT_MAX_PX - above.y - below.y - 24, least), most)
        above.paste(draw_photo(trace, WIDTH_PX, height, "fluid" if reading.reason is None else "fluid?"))
    elif reading.reason is not None:
        panel = Image.new("RGB", (WIDTH_PX, _PANEL_PX), _PANEL_GRAY)
        middle = (WIDTH_PX / 2, _PANEL_PX / 2)
        ImageDraw.Draw(panel).text(middle, "No photo to show", fill=INK, font=font_of(_LARGE_PX), anchor="mm")
        above.paste(panel)
    above.space(16)
    above.paste(below.cut())
    return above.cut().crop((0, 0, WIDTH_PX, min(above.y + 8, _HEIGHT_MAX_PX)))


def _small_print(reading: Reading) -> tuple[str, ...]:
    stated, assumed = input_words(reading)
    is_read = reading.status == "read"
    when = time_words(reading)
    name = clean_name(Path(reading.photo).name)
    return (
        *(text.sentence for text in flag_texts(reading)[:2]),
        *(f"{label}: {words}" for label, words in (("Entered", stated), ("Assumed", assumed)) if words and is_read),
        f"{name[:60]}{', ' + when if when else ''}",
    )


def write_evidence(
    reading: Reading, trace: Trace, directory: str | os.PathLike[str], marks: Marks = USUAL_MARKS
) -> Path:
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
    marks : Marks, optional
        What the CO2 was judged by.

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
    path, mark = _place_for(reading.photo, folder)
    file = io.BytesIO()
    draw_evidence(reading, trace, marks).save(file, "JPEG", quality=_JPEG_QUALITY, subsampling=0, comment=mark)
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
    picture = draw_photo(trace, _SMALL_WIDTH_PX, _SMALL_HEIGHT_PX, "fluid" if reading.reason is None else "fluid?")
    for quality in _SMALL_QUALITIES:
        file = io.BytesIO()
        picture.save(file, "JPEG", quality=quality, comment=_MARK)
        if file.tell() <= _SMALL_BYTES:
            break
    return file.getvalue()


def is_evidence(path: Path) -> bool:
    """
    Return whether a file is an evidence picture, which must not be read as if it was a photo.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    bool
        By the mark in its head, not by its name.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    return _is_marked(path, _MARK)


def _draw_answer(page: Page, reading: Reading, marks: Marks) -> None:
    assert reading.co2_mg_l is not None
    assert reading.verdict is not None
    answer = answer_of(reading.co2_mg_l, reading.verdict)
    page.text(answer.what, size_px=_SMALL_PX, ink=SOFT_INK)
    baseline = page.y + 0.94 * _HUGE_PX
    page.text(answer.value, size_px=_HUGE_PX, bold=True)
    left = MARGIN_PX + font_of(_HUGE_PX, bold=True).getlength(answer.value) + 32
    if left + font_of(TEXT_PX).getlength(answer.span) <= WIDTH_PX - MARGIN_PX:
        page.draw.text((left, baseline), answer.span, fill=SOFT_INK, font=font_of(TEXT_PX), anchor="ls")
    else:
        page.text(answer.span, ink=SOFT_INK)
    _draw_bar(page, bar_of(reading.co2_mg_l, marks))
    page.text(answer.lead, size_px=_LARGE_PX, bold=True)
    page.text(answer.fish)
    page.text(f"Plants: {answer.plants}")
    page.text(answer.to_do, bold=True)
    if reading.verdict.fish != "no concern":
        page.text(SIGNS_IN_SHORT, size_px=_SMALL_PX)


def _draw_refusal(page: Page, reading: Reading, trace: Trace) -> None:
    assert reading.reason is not None
    page.text(f"{REFUSED_SIGN} Not read", size_px=_LARGE_PX, bold=True)
    page.text(reading.reason.message)
    page.text(reading.reason.next_step, bold=True)
    things = len(trace.vial_outlines_px)
    seen = (
        ("the photo", trace.rgb_u8 is not None),
        (f"the {trace.reference}", trace.card_corners_px is not None),
        ("two colored objects, 1? and 2?" if things > 1 else "something colored", things > 0),
    )
    page.text(f"Found: {', '.join(name for name, is_seen in seen if is_seen) or 'nothing'}.", ink=SOFT_INK)


def _draw_bar(page: Page, bar: Bar) -> None:
    """Draw low, good and high, the interval and the limits."""
    left, right, y = MARGIN_PX + 12, WIDTH_PX - MARGIN_PX - 12, page.y + 58
    font, draw = font_of(_SMALL_PX), page.draw

    def x_of(share: float) -> float:
        return left + share * (right - left)

    for start, end, word in bar.zones:
        draw.text(((x_of(start) + x_of(end)) / 2, y - 26), word, fill=INK, font=font, anchor="ms")
    draw.line((left, y, right, y), fill=SOFT_INK, width=4)
    for share, _ in bar.ticks:
        draw.line((x_of(share), y - 22, x_of(share), y + 22), fill=INK, width=4)
    for at, label in place_labels(bar, x_of, font.getlength, (MARGIN_PX, WIDTH_PX - MARGIN_PX)):
        draw.text((at, y + 30), label, fill=INK, font=font, anchor="la")
    draw.line((x_of(bar.low), y, x_of(bar.high), y), fill=INK, width=20)
    for goes, x, tip in ((bar.goes_left, left, -26), (bar.goes_right, right, 26)):
        if goes:
            draw.polygon([(x, y - 22), (x, y + 22), (x + tip, y)], fill=INK)
    if bar.value is not None:
        draw.circle((x_of(bar.value), y), 18, fill=PAPER, outline=INK, width=8)
    page.space(_BAR_PX + 8)


def _draw_scale(page: Page, reading: Reading, ph: Interval, trace: Trace) -> None:
    """Draw the color of the fluid right below those of the dye, with pH and the CO2 that belongs to it."""
    assert trace.fluid_rgb is not None
    grid, colors = _scale_of(trace)
    left, right = MARGIN_PX + _CAPTION_WIDTH_PX, WIDTH_PX - MARGIN_PX - 24

    def x_of(value: float) -> float:
        return left + float(np.clip((value - grid[0]) / (grid[-1] - grid[0]), 0.0, 1.0)) * (right - left)

    font = font_of(_SMALL_PX)
    ends = _end_sign(ph.low, -1, grid[0]), _end_sign(ph.high, 1, grid[-1])
    # The numbers tell how far the interval goes on beyond the scale.
    text = "pH " + (ph_words(ph).short() if "beyond" in ends else ph_words(ph).value)
    low, high = x_of(-math.inf if ph.low is None else ph.low), x_of(math.inf if ph.high is None else ph.high)
    middle = (low + high) / 2 if ph.value is None else x_of(ph.value)
    half = page.draw.textlength(text, font) / 2
    page.draw.text((min(max(middle, left + half), right - half), page.y), text, fill=INK, font=font, anchor="ma")
    page.space(50)
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
        page.draw.text((x_of(value), page.y + 54), co2, fill=INK, font=font, anchor="ma")
    page.draw.text((MARGIN_PX, page.y + 16), "pH", fill=INK, font=font)
    page.draw.text((MARGIN_PX, page.y + 54), "CO2 mg/L", fill=INK, font=font)
    page.space(104)
    page.text(_difference(trace, ph), size_px=_SMALL_PX)


def _end_sign(end: float | None, outward: int, scale_end: float) -> _EndSign:
    """Return how an end of the interval is drawn; outward is -1 for the lower and 1 for the upper one."""
    if end is None:
        return "open"
    return "beyond" if outward * (end - scale_end) > 0.0 else "closed"


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


def _difference(trace: Trace, ph: Interval) -> str:
    """Return how the seen color differs from the expected one at the reading's place; empty where it does not."""
    seen, at = trace.fluid_rgb, next(number for number in (ph.value, ph.low, ph.high) if number is not None)
    assert seen is not None
    grid, colors = _scale_of(trace)
    expected = np.array([np.interp(at, grid, channel) for channel in colors.T])
    strength = float(np.ptp(seen)) / max(float(np.ptp(expected)), 1e-3)
    lighter = float(np.mean(seen) - np.mean(expected))
    signs = {
        "stronger": strength > _STRONGER,
        "paler": strength < 1 / _STRONGER,
        "lighter": lighter > _LIGHTER,
        "darker": lighter < -_LIGHTER,
    }
    how = " and ".join(word for word, holds in signs.items() if holds)
    if not how and float(np.linalg.norm(seen - expected)) <= _OTHER:
        return ""
    what = f"is {how} than" if how else "has another hue than"
    return f"Seen {what} expected. Phone and lamp do that; the interval includes it."


def _scale_of(trace: Trace) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the pH of the expected colors, and these."""
    return np.array([at for at, _ in trace.scale_rgb]), np.array([rgb for _, rgb in trace.scale_rgb])


def _place_for(photo: str, folder: Path) -> tuple[Path, bytes]:
    """
    Return where the picture of a photo goes, so that it replaces nothing but itself, and the mark for its head.

    That is `_MARK` and a digest of the path of the photo, so that the picture can be given away without telling the
    folders of its owner.
    """
    mark = _MARK + hashlib.sha256(os.fsencode(os.path.abspath(photo))).hexdigest().encode("ascii")
    stem = Path(photo).stem
    while len(os.fsencode(stem)) > _STEM_MAX_BYTES:  # letters of three bytes are not cut within
        stem = stem[:-1]
    names = itertools.chain([f"{stem}-evidence.jpg"], (f"{stem}-evidence-{n}.jpg" for n in itertools.count(2)))
    path = next(path for path in map(folder.joinpath, names) if not path.exists() or _is_marked(path, mark))
    return path, mark


def _is_marked(path: Path, mark: bytes) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return mark in file.read(_HEAD_BYTES)
