"""The terminal: plain text in characters that it can show, as labeled rows, paragraphs, tables and frames."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Mapping, Sequence
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
_COLUMN_GAP = 2
_PAGE_WIDTH_MAX = LABEL_WIDTH + _TEXT_WIDTH_MAX

Row = tuple[str, ...]
"""Label, text and, optionally, the style of the text."""


class Terminal(Console):
    """A console that shows text as it is: brackets are not markup, and long lines fold."""

    def __init__(self, **options: Any) -> None:
        super().__init__(markup=False, emoji=False, highlight=False, **options)

    def render_str(self, text: str, **options: Any) -> Text:
        """Return text with ASCII signs if the terminal has no Unicode, and ``?`` for what it cannot show."""
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

    def paragraph(self, text: str, indent: str = "") -> None:
        """Print a text whose lines break between words only, all but the first indented."""
        wrapped = textwrap.fill(
            bind_units(text),
            min(self.width, _PAGE_WIDTH_MAX),
            subsequent_indent=indent,
            break_on_hyphens=False,
            break_long_words=False,
        )
        self.print(wrapped.replace(NO_BREAK, " "), soft_wrap=True)

    def table(self, columns: Iterable[Column | str], rows: Iterable[Sequence[str | Text]], **options: Any) -> None:
        """Print a table without lines between its columns."""
        table = Table(*columns, box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, **options)
        for row in rows:
            table.add_row(*row)
        self.print(table)

    def table_or_rows(
        self,
        headings: Sequence[str],
        rows: Sequence[Sequence[str]],
        *,
        right: Collection[str],
        folded_to: Mapping[str, int],
    ) -> None:
        """
        Print a table without cutting words or numbers or, where the window is too narrow, labeled rows.

        Parameters
        ----------
        headings : sequence of str
            Headings of the columns, or labels of the rows.
        rows : sequence of sequences of str
            Cells.
        right : collection of str
            Headings of the columns that are aligned to the right.
        folded_to : mapping of str to int
            Minimum width of the columns that may fold, in the order in which they fold [characters].
        """
        widths = {heading: max(map(len, (heading, *cells))) for heading, *cells in zip(headings, *rows, strict=True)}
        room = self.width - _COLUMN_GAP * len(widths)
        # Fold no more columns than needed.
        for heading, least_width in folded_to.items():
            if heading in widths:
                excess = sum(widths.values()) - room
                widths[heading] -= max(min(excess, widths[heading] - least_width), 0)
        if sum(widths.values()) <= room:
            columns = (
                Column(heading, width=width, justify="right" if heading in right else "left")
                for heading, width in widths.items()
            )
            self.table(columns, rows)
        else:
            for row in rows:
                self.rows(zip(headings, row, strict=True))
                self.print()

    def cautions(self, lines: Iterable[str]) -> None:
        """Print cautions as a list in a frame, below a blank line."""
        self.print()
        grid = Table.grid(padding=(0, 1, 0, 0))
        for line in lines:
            grid.add_row("-", line)
        self.print(Panel(grid, title="Cautions", title_align="left", width=min(self.width, _PAGE_WIDTH_MAX)))


def listed(label: str, lines: Iterable[str], *style: str) -> list[Row]:
    """Return lines as rows, the first with a label."""
    return [("" if i else label, line, *style) for i, line in enumerate(lines)]
