"""A page of an evidence picture: text and pictures one below the other, large enough for a phone."""

from __future__ import annotations

import functools
import importlib.util
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from colorread.words import NO_BREAK, bind_units

WIDTH_PX = 1080
MARGIN_PX = 44
INK, SOFT_INK, PAPER = (17, 17, 17), (85, 85, 85), (255, 255, 255)
_HEIGHT_MAX_PX = 8000  # far more than any text needs; the page is cut to what was drawn
TEXT_PX = 36  # on a phone 360 px wide everything is a third as large
_LINE_SPACING = 1.28


@functools.cache
def font_of(size_px: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return a font with real bold letters and those of most languages; it comes with the library that plots."""
    found = importlib.util.find_spec("matplotlib")
    assert found is not None
    assert found.submodule_search_locations is not None
    folder = Path(found.submodule_search_locations[0]) / "mpl-data/fonts/ttf"
    return ImageFont.truetype(folder / f"DejaVuSans{'-Bold' if bold else ''}.ttf", size_px)


class Page:
    """A page that is filled from the top."""

    def __init__(self) -> None:
        self.image = Image.new("RGB", (WIDTH_PX, _HEIGHT_MAX_PX), PAPER)
        self.draw = ImageDraw.Draw(self.image)
        self.y = 0

    def paste(self, image: Image.Image) -> None:
        """Put a picture as wide as the page."""
        self.image.paste(image, (0, self.y))
        self.y += image.height

    def text(self, text: str, *, size_px: int = TEXT_PX, bold: bool = False, ink: tuple[int, int, int] = INK) -> None:
        """Write a paragraph, nothing where there is no text."""
        if not text:
            return
        font = font_of(size_px, bold=bold)
        for line in _wrapped(bind_units(text), font, WIDTH_PX - 2 * MARGIN_PX):
            self.draw.text((MARGIN_PX, self.y), line.replace(NO_BREAK, " "), fill=ink, font=font)
            self.y += round(size_px * _LINE_SPACING)
        self.y += 8

    def cut(self) -> Image.Image:
        """Return the page as long as it was filled."""
        return self.image.crop((0, 0, WIDTH_PX, min(self.y + 24, _HEIGHT_MAX_PX)))


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
