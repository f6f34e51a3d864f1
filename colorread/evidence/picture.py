"""The evidence picture: what was measured in a photo, and the result, on one page as wide as a phone."""

from __future__ import annotations

import hashlib
import io
import itertools
import math
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from calibration import Floats, write_atomic
from colorread import words
from colorread.chemistry import co2_from_ph
from colorread.evidence.photo import draw_photo, font_of
from colorread.result import Interval, Reading, Trace

Scale = tuple[tuple[float, Floats], ...]
_WIDTH_PX, _MARGIN_PX = 1080, 44
_INK, _SOFT_INK, _PAPER = (17, 17, 17), (85, 85, 85), (255, 255, 255)
_PAGE_MAX_PX = 8000  # far more than any text needs; the page is cut to what was drawn
_TEXT_PX = 36  # on a phone 360 px wide everything is a third as large
_LINE_SPACING = 1.28
_HUGE_PX, _LARGE_PX, _SMALL_PX = 92, 42, 30
_HEIGHT_PX = 2000  # a phone shows that on one screen
_PHOTO_HEIGHT_PX = (500, 760)  # at least and at most
_CAPTION_WIDTH_PX = 236
_STRIP_PX = 64
_BAR_PX = 130
_JPEG_QUALITY = 90
_SMALL_WIDTH_PX, _SMALL_HEIGHT_PX, _SMALL_BYTES = 480, 1000, 40_000
_SMALL_QUALITIES = (75, 60, 45, 30)
# The seen color differs from the expected one if it is this much stronger, lighter or otherwise off: assumptions.
_STRONGER, _LIGHTER, _OTHER = 1.3, 0.12, 0.1
_MARK = b"colorread evidence "  # in the head of every evidence picture
_HEAD_BYTES = 4096
_STEM_MAX_BYTES = 100  # keeps the name well below 255 bytes, the limit of most disks: common practice, no source


class Page:
    """A page that is filled from the top."""

    def __init__(self) -> None:
        self.image = Image.new("RGB", (_WIDTH_PX, _PAGE_MAX_PX), _PAPER)
        self.draw = ImageDraw.Draw(self.image)
        self.y = 0

    def paste(self, image: Image.Image) -> None:
        """Add a picture as wide as the page."""
        self.image.paste(image, (0, self.y))
        self.y += image.height

    def text(self, text: str, *, size_px: int = _TEXT_PX, bold: bool = False, ink: tuple[int, int, int] = _INK) -> None:
        """Add a paragraph, if there is any text."""
        if not text:
            return
        font = font_of(size_px, bold=bold)
        for line in _wrapped(words.bind_units(text), font, _WIDTH_PX - 2 * _MARGIN_PX):
            self.draw.text((_MARGIN_PX, self.y), line.replace(words.NO_BREAK, " "), fill=ink, font=font)
            self.y += round(size_px * _LINE_SPACING)
        self.y += 8

    def cut(self) -> Image.Image:
        """Return the filled part of the page."""
        return self.image.crop((0, 0, _WIDTH_PX, min(self.y + 24, _PAGE_MAX_PX)))


def draw_evidence(reading: Reading, trace: Trace, marks: words.Marks = words.USUAL_MARKS) -> Image.Image:
    """
    Draw the evidence of one reading.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was found in the photo.
    marks : Marks, optional
        Limits to draw on the bar.

    Returns
    -------
    PIL.Image.Image
        sRGB, 1080 px wide and about 2000 px tall: the answer, the photo, and the colors behind the answer.
    """
    above, below = Page(), Page()
    above.y += 24
    if reading.reason is None:
        _draw_answer(above, reading, marks)
    else:
        _draw_refusal(above, reading, trace)
    above.y += 12
    if reading.ph is not None and trace.fluid_rgb is not None and trace.scale_rgb:
        below.y += 20
        _draw_scale(below, reading, reading.ph, trace.fluid_rgb, trace.scale_rgb)
    for text in _small_print(reading):
        below.text(text, size_px=_SMALL_PX, ink=_SOFT_INK)
    if trace.rgb_u8 is not None:
        least, most = _PHOTO_HEIGHT_PX
        height = min(max(_HEIGHT_PX - above.y - below.y - 24, least), most)
        above.paste(draw_photo(trace, _WIDTH_PX, height, "fluid" if reading.reason is None else "fluid?"))
    above.y += 16
    above.paste(below.cut())
    return above.cut()


def write_evidence(
    reading: Reading, trace: Trace, directory: str | os.PathLike[str], marks: words.Marks = words.USUAL_MARKS
) -> Path:
    """
    Write the evidence of one reading as a JPEG.

    The file is named after the photo, with ``-evidence`` and, if that name is taken, a number. It replaces only an
    earlier evidence picture of the same photo, and appears whole or not at all.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was found in the photo.
    directory : path
        Folder for the file; made if missing.
    marks : Marks, optional
        Limits to draw on the bar.

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
    path, mark = _path_for(reading.photo, folder)
    file = io.BytesIO()
    draw_evidence(reading, trace, marks).save(file, "JPEG", quality=_JPEG_QUALITY, subsampling=0, comment=mark)
    write_atomic(path, file.getvalue())
    return path


def small_evidence(reading: Reading, trace: Trace) -> bytes | None:
    """
    Return a small picture of what was found in a photo, for the log.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    trace : Trace
        What was found in the photo.

    Returns
    -------
    bytes or None
        JPEG 480 px wide of about 40 kB at most, without metadata of the photo; None if the photo could not be decoded.
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
    Return whether a file is an evidence picture, which must not be read as a photo.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    bool
        True if it has the mark of one, whatever its name.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    return _is_marked(path, _MARK)


def _small_print(reading: Reading) -> tuple[str, ...]:
    entered, assumed = words.input_words(reading)
    is_read = reading.status == "read"
    when = words.time_words(reading)
    name = words.clean_name(Path(reading.photo).name)
    return (
        *(text.sentence for text in words.flag_texts(reading)[:2]),
        *(f"{label}: {inputs}" for label, inputs in (("Entered", entered), ("Assumed", assumed)) if inputs and is_read),
        f"{name[:60]}{', ' + when if when else ''}",
    )


def _draw_answer(page: Page, reading: Reading, marks: words.Marks) -> None:
    assert reading.co2_mg_l is not None
    assert reading.verdict is not None
    answer = words.answer_of(reading.co2_mg_l, reading.verdict)
    page.text(answer.what, size_px=_SMALL_PX, ink=_SOFT_INK)
    baseline = page.y + 0.94 * _HUGE_PX
    page.text(answer.value, size_px=_HUGE_PX, bold=True)
    left = _MARGIN_PX + font_of(_HUGE_PX, bold=True).getlength(answer.value) + 32
    if left + font_of(_TEXT_PX).getlength(answer.span) <= _WIDTH_PX - _MARGIN_PX:
        page.draw.text((left, baseline), answer.span, fill=_SOFT_INK, font=font_of(_TEXT_PX), anchor="ls")
    else:
        page.text(answer.span, ink=_SOFT_INK)
    _draw_bar(page, words.bar_of(reading.co2_mg_l, marks))
    page.text(answer.lead, size_px=_LARGE_PX, bold=True)
    page.text(answer.fish)
    page.text(f"Plants: {answer.plants}")
    page.text(answer.to_do, bold=True)
    if reading.verdict.fish != "no concern":
        page.text(words.SIGNS_IN_SHORT, size_px=_SMALL_PX)


def _draw_refusal(page: Page, reading: Reading, trace: Trace) -> None:
    assert reading.reason is not None
    page.text(f"{words.REFUSED_SIGN} Not read", size_px=_LARGE_PX, bold=True)
    page.text(reading.reason.message)
    page.text(reading.reason.next_step, bold=True)
    things = len(trace.vial_outlines_px)
    seen = (
        ("the photo", trace.rgb_u8 is not None),
        (f"the {trace.reference}", trace.card_corners_px is not None),
        ("two colored objects, 1? and 2?" if things > 1 else "something colored", things > 0),
    )
    page.text(f"Found: {', '.join(name for name, is_seen in seen if is_seen) or 'nothing'}.", ink=_SOFT_INK)


def _draw_bar(page: Page, bar: words.Bar) -> None:
    """Draw low, good and high, the interval and the limits."""
    left, right, y = _MARGIN_PX + 12, _WIDTH_PX - _MARGIN_PX - 12, page.y + 58
    font, draw = font_of(_SMALL_PX), page.draw

    def x_of(share: float) -> float:
        return left + share * (right - left)

    for start, end, word in bar.zones:
        draw.text(((x_of(start) + x_of(end)) / 2, y - 26), word, fill=_INK, font=font, anchor="ms")
    draw.line((left, y, right, y), fill=_SOFT_INK, width=4)
    for share, _ in bar.ticks:
        draw.line((x_of(share), y - 22, x_of(share), y + 22), fill=_INK, width=4)
    for at, label in words.place_labels(bar, x_of, font.getlength, (_MARGIN_PX, _WIDTH_PX - _MARGIN_PX)):
        draw.text((at, y + 30), label, fill=_INK, font=font, anchor="la")
    draw.line((x_of(bar.low), y, x_of(bar.high), y), fill=_INK, width=20)
    for goes, x, tip in ((bar.goes_left, left, -26), (bar.goes_right, right, 26)):
        if goes:
            draw.polygon([(x, y - 22), (x, y + 22), (x + tip, y)], fill=_INK)
    if bar.value is not None:
        draw.circle((x_of(bar.value), y), 18, fill=_PAPER, outline=_INK, width=8)
    page.y += _BAR_PX + 8


def _draw_scale(page: Page, reading: Reading, ph: Interval, seen: Floats, scale_rgb: Scale) -> None:
    """Draw the color of the fluid right below the colors of the dye, with pH and the CO2 at each."""
    grid, colors = np.array([at for at, _ in scale_rgb]), np.array([rgb for _, rgb in scale_rgb])
    left, right = _MARGIN_PX + _CAPTION_WIDTH_PX, _WIDTH_PX - _MARGIN_PX - 24
    draw, font = page.draw, font_of(_SMALL_PX)

    def x_of(value: float) -> float:
        return left + float(np.clip((value - grid[0]) / (grid[-1] - grid[0]), 0.0, 1.0)) * (right - left)

    _draw_interval(page, ph, x_of, (grid[0], grid[-1]))
    at = np.linspace(grid[0], grid[-1], right - left)
    expected = np.stack([np.interp(at, grid, channel) for channel in colors.T], axis=-1)
    for caption, row in (("expected", expected), ("seen", np.broadcast_to(seen, expected.shape))):
        strip_u8 = np.round(np.clip(row, 0.0, 1.0) * 255.0).astype(np.uint8)[None].repeat(_STRIP_PX, axis=0)
        page.image.paste(Image.fromarray(np.ascontiguousarray(strip_u8)), (left, page.y))
        draw.text((_MARGIN_PX, page.y + _STRIP_PX / 2), caption, fill=_INK, font=font, anchor="lm")
        page.y += _STRIP_PX
    draw.rectangle((left - 2, page.y - 2 * _STRIP_PX - 2, right + 1, page.y + 1), outline=_INK, width=2)
    for value in grid[:: max(1, (len(grid) - 1) // 4)]:
        co2_mg_l = float(co2_from_ph(value, reading.kh_dkh, temperature_c=reading.temperature_c))
        co2 = f"{co2_mg_l:.{0 if co2_mg_l >= 10.0 else 1}f}"
        draw.line((x_of(value), page.y, x_of(value), page.y + 12), fill=_INK, width=3)
        draw.text((x_of(value), page.y + 16), f"{value:.1f}", fill=_INK, font=font, anchor="ma")
        draw.text((x_of(value), page.y + 54), co2, fill=_INK, font=font, anchor="ma")
    draw.text((_MARGIN_PX, page.y + 16), "pH", fill=_INK, font=font)
    draw.text((_MARGIN_PX, page.y + 54), "CO2 mg/L", fill=_INK, font=font)
    page.y += 104
    read = next(number for number in (ph.value, ph.low, ph.high) if number is not None)
    page.text(_difference(seen, np.array([np.interp(read, grid, channel) for channel in colors.T])), size_px=_SMALL_PX)


def _draw_interval(page: Page, ph: Interval, x_of: Callable[[float], float], scale: tuple[float, float]) -> None:
    """Draw pH and interval above the scale: a stroke at an end on the scale, an arrow at one open or beyond it."""
    draw, font = page.draw, font_of(_SMALL_PX)
    is_on_scale = [end is not None and scale[0] <= end <= scale[1] for end in (ph.low, ph.high)]
    ends = [x_of(sign * math.inf if end is None else end) for sign, end in ((-1, ph.low), (1, ph.high))]
    middle = sum(ends) / 2 if ph.value is None else x_of(ph.value)
    # Where the scale does not show the interval, the text does.
    text = f"pH {words.ph_words(ph).value if all(is_on_scale) else words.ph_words(ph).short()}"
    half = draw.textlength(text, font) / 2
    x = min(max(middle, x_of(scale[0]) + half), x_of(scale[1]) - half)
    draw.text((x, page.y), text, fill=_INK, font=font, anchor="ma")
    page.y += 50
    y = page.y
    draw.line((ends[0], y, ends[1], y), fill=_INK, width=7)
    for x, outward, is_shown in zip(ends, (-1, 1), is_on_scale, strict=True):
        if is_shown:
            draw.line((x, y - 14, x, y + 22), fill=_INK, width=7)
        else:
            draw.polygon([(x, y - 16), (x, y + 16), (x + outward * 24, y)], fill=_INK)
    if ph.value is not None:
        draw.polygon([(middle - 17, y - 4), (middle + 17, y - 4), (middle, y + 24)], fill=_INK)
    page.y += 28


def _difference(seen: Floats, expected: Floats) -> str:
    """Return a sentence on how the seen color differs from the expected one; empty if it does not."""
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
    what = f"is {how} than expected" if how else "has an unexpected hue"
    return f"The color seen {what}. Phones and lamps cause that; the interval includes it."


def _path_for(photo: str, folder: Path) -> tuple[Path, bytes]:
    """
    Return a path at which the picture of a photo replaces only itself, and the mark for its head.

    The mark ends with a digest of the photo's path, so that the picture does not reveal the folders of its owner.
    """
    mark = _MARK + hashlib.sha256(os.fsencode(os.path.abspath(photo))).hexdigest().encode("ascii")
    stem = os.fsencode(Path(photo).stem)[:_STEM_MAX_BYTES].decode(errors="ignore")
    suffixes = itertools.chain([""], (f"-{n}" for n in itertools.count(2)))
    paths = (folder / f"{stem}-evidence{suffix}.jpg" for suffix in suffixes)
    return next(path for path in paths if not path.exists() or _is_marked(path, mark)), mark


def _is_marked(path: Path, mark: bytes) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return mark in file.read(_HEAD_BYTES)


def _wrapped(text: str, font: ImageFont.FreeTypeFont, width_px: float) -> list[str]:
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(longer) <= width_px:
            lines[-1] = longer
            continue
        while font.getlength(word) > width_px:  # such as a file name without a space
            fits = next(n for n in range(len(word), 0, -1) if font.getlength(word[:n]) <= width_px)
            lines.append(word[:fits])
            word = word[fits:]
        lines.append(word)
    return lines
