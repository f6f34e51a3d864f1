"""What days of readings tell of a tank, as text for a terminal; words and symbols, never color alone."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table

from colorread.cli.console_text import shown
from colorread.tank.results import Advice, TankSummary
from colorread.tank.words import HOURS_ABOVE, OF_WHEN, RECOMMENDED, forecast_rows, number_rows

_INDENT = "  "
_WIDE = 110  # from here on there is room for a forecast's words beside all of its numbers on one line
_NUMBERS_WIDTH = 10  # for "15 (12 to" over "19)", so that the words of a forecast get the rest


def print_tank_summary(console: Console, summary: TankSummary) -> None:
    """
    Print the verdict in words, the fitted numbers, and what to change.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    summary : TankSummary
        Of one tank.
    """
    console.print(shown(console, f"Tank {summary.tank.name}", "bold underline"))
    if summary.tank.made_up:
        console.print(shown(console, "Made-up data, for demonstration only.", "bold"))
    _print_lines(console, summary.headline)
    if summary.told is not None:
        _print_lines(console, [OF_WHEN])
        console.print(_numbers(console, summary))
        _print_advice(console, summary.told.advice)
    _print_lines(console, [f"Caution: {caution}" for caution in summary.cautions])
    outlook = None if summary.told is None else summary.told.source
    source = "" if outlook is None else outlook.sentence
    _print_lines(console, [f"Note: {note}" for note in (source, summary.fluid_advice, *summary.notes) if note])


def _numbers(console: Console, summary: TankSummary) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_header=False)
    table.add_column(overflow="fold")
    table.add_column(overflow="fold")
    for row in number_rows(summary):
        table.add_row(row.label, shown(console, row.reason if row.number is None else row.number.short()))
    return table


def _print_advice(console: Console, advice: Advice) -> None:
    console.print(shown(console, f"What to change, simulated for {advice.day:%d %B %Y}", "bold"))
    _print_lines(console, [_INDENT + sentence for sentence in advice.sentences])
    rows = forecast_rows(advice)
    labels = [label for label in rows[0].numbers if label != HOURS_ABOVE]  # there is no room for it
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    table.add_column(overflow="fold")
    for label in labels:
        table.add_column(label, overflow="fold", max_width=None if console.width >= _WIDE else _NUMBERS_WIDTH)
    for row in rows:
        words = f"→ {row.words}" if row.role == RECOMMENDED else row.words
        numbers = (f"{value} ({span})" if span else value for value, span in map(row.numbers.__getitem__, labels))
        table.add_row(*(shown(console, cell) for cell in (words, *numbers)))
    console.print(table)


def _print_lines(console: Console, lines: Sequence[str]) -> None:
    for line in lines:
        console.print(shown(console, line))
