"""Tanks as text for a terminal, in words and symbols, never by color alone: now, settings, notes and gas."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path

from rich.table import Column

from colorread import chemistry, tank as tank_room, words
from colorread.cli.common import log_command
from colorread.cli.screen.readings import answer_rows, print_short_caution
from colorread.cli.screen.terminal import Terminal, listed

_WIDE, _NARROW = 110, 72  # from the first up, a forecast fits on one line; below the second, in no table
_ID_DIGITS = 8  # of a note's ID, enough to identify it
_NAME_WIDTH = 16  # fits most of a tank's name
_NUMBERS_WIDTH = 10  # fits "15 (12 to" above "19)" and leaves the rest for the words of a forecast


def print_now(
    terminal: Terminal,
    summary: tank_room.TankSummary,
    *,
    details: bool = False,
    brief: bool = False,
    where: str = "--details",
    log: Path | None = None,
) -> None:
    """
    Print the verdict for now, and what to do next.

    If `brief`, only the next photo is named; `where` says where the details are if they are not printed;
    commands name the file `log` if it is not the usual one.
    """
    name = f"Tank {summary.tank.name}"
    terminal.say(f"{name} (made-up data)" if summary.tank.made_up else name, "bold underline")
    answer, now = summary.answer, summary.now
    if answer is not None and now is not None:
        rows = answer_rows(terminal, answer, now.co2_mg_l, summary.tank.judged_by)
    elif summary.n_read:
        rows = [("CO2", f"{words.REFUSED_SIGN} No reading of this tank has a plausible date.", "bold")]
        rows += listed("Also", summary.more[:1]) if brief else []
    else:
        rows = [("CO2", f"{words.REFUSED_SIGN} No photo of this tank has been read yet.", "bold")]
    today = None if summary.tank.made_up else date.today()
    if not brief:
        rows += listed("Also", summary.more)
        if summary.tank.gas_hours is None:
            command = f"tank edit {words.as_typed(summary.tank.name)} --gas HH:MM-HH:MM"
            rows.append(("", log_command(command, log)))
        rows += listed("Plan", tank_room.plan_lines(summary.plan, today))
    elif summary.plan.photos:
        rows.append(("Plan", f"Next photo: {tank_room.moment_words(summary.plan.photos[0].at, today)}."))
    terminal.rows(rows)
    if details:
        _print_details(terminal, summary)
    elif now is not None:
        print_short_caution(terminal, now.verdict.fish, where)


def _print_details(terminal: Terminal, summary: tank_room.TankSummary) -> None:
    notes = [summary.fluid_advice, *summary.notes]
    if summary.findings is not None:
        rows = (
            (row.label, row.reason if row.number is None else row.number.short())
            for row in tank_room.number_rows(summary)
        )
        terminal.table(("", ""), rows, show_header=False, caption=tank_room.NUMBERS_CAPTION, caption_justify="left")
        _print_advice(terminal, summary.findings.advice, summary.advice_title)
        if summary.findings.source is not None:
            notes.insert(0, summary.findings.source.sentence)
    terminal.rows(listed("Notes", filter(None, notes)))
    terminal.cautions(summary.cautions)


def _print_advice(terminal: Terminal, advice: tank_room.Advice, title: str) -> None:
    terminal.say(f"{title}, simulated for {words.date_words(advice.day)}", "bold")
    terminal.rows(("", sentence) for sentence in advice.sentences)
    forecasts = tank_room.forecast_rows(advice)
    labels = [label for label in forecasts[0].numbers if label != tank_room.HOURS_ABOVE]  # no room for it
    rows = []
    for forecast in forecasts:
        name = f"→ {forecast.words}" if forecast.role == tank_room.RECOMMENDED else forecast.words
        numbers = map(forecast.numbers.__getitem__, labels)
        rows.append((name, *(f"{value} ({span})" if span else value for value, span in numbers)))
    if terminal.width < _NARROW:
        for name, *cells in rows:
            terminal.say(name, "bold")
            terminal.table(("", ""), zip(labels, cells, strict=True), show_header=False)
        return
    width = None if terminal.width >= _WIDE else _NUMBERS_WIDTH
    terminal.table(("", *(Column(label, max_width=width) for label in labels)), rows)


def print_plan(terminal: Terminal, plan: tank_room.GasPlan) -> None:
    """Print a planned charge of gas, the answer first, with its cautions."""
    terminal.say(tank_room.plan_title(plan), "bold underline")
    terminal.rows(listed("Fill" if plan.mix is None else "Mix", tank_room.answer_lines(plan), "bold"))
    terminal.rows(tank_room.plan_rows(plan))
    terminal.cautions(tank_room.plan_cautions(plan))


def print_tanks(terminal: Terminal, tanks: Iterable[tank_room.Tank], counts: Mapping[str, int]) -> None:
    """Print a table of tanks with their number of readings."""
    rows = []
    for tank in tanks:
        volume = "" if tank.volume_l is None else chemistry.with_other_unit("volume", tank.volume_l)
        rows.append((tank.name, volume, str(tank.lights or ""), tank.source_kind or "", str(counts[tank.name])))
    headings = ("tank", "volume", "lights", "source", "readings")
    terminal.table_or_rows(headings, rows, right=("volume", "readings"), folded_to={"tank": _NAME_WIDTH})


def print_tank(terminal: Terminal, tank: tank_room.Tank, n_readings: int) -> None:
    """Print all settings of a tank."""
    terminal.say(f"{tank.name} (made up)" if tank.made_up else tank.name, "bold underline")
    settings = ((setting.label, value or "not set") for setting, value in tank_room.setting_rows(tank))
    terminal.table(("", ""), (*settings, ("Readings", str(n_readings))), show_header=False)


def print_events(terminal: Terminal, events: Sequence[tuple[str, str, tank_room.Event]]) -> None:
    """Print a table of notes, given as tank, ID and event; name tanks only if there are several."""
    first = 0 if len({tank for tank, _, _ in events}) > 1 else 1
    rows = []
    for tank, event_id, event in events:
        noted, short_id = f"{event.at:%Y-%m-%d %H:%M}", event_id[:_ID_DIGITS]
        rows.append((words.clean_name(tank), noted, short_id, tank_room.event_words(event))[first:])
    terminal.table(("tank", "noted", "ID", "note")[first:], rows)
