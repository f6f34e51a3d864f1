"""The terminal: text in signs that it knows, in labelled rows, tables and frames."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

from rich import box
from rich.console import Console
from rich.panel import Panel
from rich.table import Column, Table
from rich.text import Text

from colorread.words import NO_BREAK, bind_units

_ASCII = str.maketrans("○▲✗─━┼╋●◀▶→−", "o!x-=++O<>>-") | {ord("°"): "", ord("±"): "+-"}
LABEL_WIDTH = 8
TEXT_WIDTH_MIN, _TEXT_WIDTH_MAX = 16, 96  # longer lines are hard to follow

Row = tuple[str, ...]
"""Label, text and, where it has one, the style of the text."""


class Terminal(Console):
    """A console that shows any text as it is: brackets are no markup, and what is too long folds."""

    def __init__(self, **options: Any) -> None:
        super().__init__(markup=False, emoji=False, highlight=False, **options)

    def render_str(self, text: str, **options: Any) -> Text:
        """Return text with letters for signs where the terminal knows no Unicode, and ``?`` for what is left."""
        if self.options.ascii_only:
            text = text.translate(_ASCII)
        known = text.encode(self.encoding, "replace").decode(self.encoding)
        return super().render_str(known, **{"overflow": "fold", **options})

    def say(self, text: str, style: str = "") -> None:
        """Print a line in a style."""
        self.print(self.render_str(text, style=style))

    def rows(self, rows: Iterable[Row]) -> None:
        """Print labels and texts in two columns; rows without text are left out."""
        width = max(min(self.width - LABEL_WIDTH - 2, _TEXT_WIDTH_MAX), TEXT_WIDTH_MIN)
        for label, text, *style in rows:
            lines = [text] if len(text) <= width else textwrap.wrap(bind_units(text), width)
            for i, line in enumerate(filter(None, lines)):
                self.say(f"{'' if i else label:{LABEL_WIDTH}}  {line}".rstrip().replace(NO_BREAK, " "), *style)

    def frame(self, title: str, lines: Iterable[str]) -> None:
        """Print a list in a frame."""
        grid = Table.grid(padding=(0, 1, 0, 0))
        for line in lines:
            grid.add_row("-", line)
        width = min(self.width, LABEL_WIDTH + _TEXT_WIDTH_MAX)
        self.print(Panel(grid, title=title, title_align="left", width=width))


def listed(label: str, lines: Iterable[str], *style: str) -> list[Row]:
    """Return lines as rows of which the first has the label."""
    return [("" if i else label, line, *style) for i, line in enumerate(lines)]


def table(*columns: Column | str, wide: bool = False, **options: Any) -> Table:
    """Return a table without lines between its columns, wide or narrow between them."""
    return Table(*columns, box=box.SIMPLE_HEAD, padding=(0, 1) if wide else (0, 1, 0, 0), pad_edge=False, **options)
