"""What days of readings tell of a tank, as text for a terminal; words and symbols, never color alone."""

from __future__ import annotations

import shlex
from datetime import date

from rich import box
from rich.console import Console
from rich.table import Table

from colorread.cli.console_text import shown
from colorread.cli.show_reading import Row, answer_rows, print_panel, print_rows, print_short_caution
from colorread.tank import (
    HOURS_ABOVE,
    OF_WHEN,
    RECOMMENDED,
    Advice,
    TankSummary,
    forecast_rows,
    moment_words,
    number_rows,
    plan_lines,
)
from colorread.words import REFUSED_SIGN, date_words

_WIDE = 110  # from here on there is room for a forecast's words beside all of its numbers on one line
_NUMBERS_WIDTH = 10  # for "15 (12 to" over "19)", so that the words of a forecast get the rest


def print_now(
    console: Console, summary: TankSummary, *, details: bool = False, brief: bool = False, where: str = "--details"
) -> None:
    """
    Print the one verdict for now, and what comes right after it.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    summary : TankSummary
        Of one tank.
    details : bool, default False
        Whether to print all that is known.
    brief : bool, default False
        Whether to print no more than the verdict and the next photo.
    where : str, optional
        Where that is to be found else.
    """
    name = f"Tank {summary.tank.name}"
    console.print(shown(console, f"{name} (made-up data)" if summary.tank.made_up else name, "bold underline"))
    answer, now = summary.answer, summary.now
    rows = [("CO2", f"{REFUSED_SIGN} No photo of this tank was read yet.", "bold")]
    if answer is not None and now is not None:
        rows = answer_rows(console, answer, now.co2_mg_l, summary.tank.judged_by)
    today = None if summary.tank.made_up else date.today()
    if brief and summary.plan.photos:
        rows.append(("Plan", f"Next photo: {moment_words(summary.plan.photos[0].at, today)}.", ""))
    elif not brief:
        rows += _further_rows(summary, today)
    print_rows(console, rows, gap=False)
    if not details:
        if now is not None:
            print_short_caution(console, now.verdict.fish, where)
        return
    if summary.told is not None:
        console.print(_numbers(console, summary))
        _print_advice(console, summary.told.advice)
    outlook = None if summary.told is None else summary.told.source
    source = "" if outlook is None else outlook.sentence
    notes = [note for note in (source, summary.fluid_advice, *summary.notes) if note]
    print_rows(console, [("" if i else "Notes", note, "") for i, note in enumerate(notes)])
    print_panel(console, "Cautions", summary.cautions)


def _further_rows(summary: TankSummary, today: date | None) -> list[Row]:
    rows = [("" if i else "Also", sentence, "") for i, sentence in enumerate(summary.more)]
    if summary.tank.gas_hours is None:
        rows.append(("", f"colorread tank edit {shlex.quote(summary.tank.name)} --gas HH:MM-HH:MM", ""))
    return rows + [("" if i else "Plan", line, "") for i, line in enumerate(plan_lines(summary.plan, today))]


def _numbers(console: Console, summary: TankSummary) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_header=False, caption=OF_WHEN)
    table.caption_justify = "left"
    table.add_column(overflow="fold")
    table.add_column(overflow="fold")
    for row in number_rows(summary):
        table.add_row(row.label, shown(console, row.reason if row.number is None else row.number.short()))
    return table


def _print_advice(console: Console, advice: Advice) -> None:
    console.print(shown(console, f"What to change, simulated for {date_words(advice.day)}", "bold"))
    print_rows(console, [("", sentence, "") for sentence in advice.sentences], gap=False)
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
