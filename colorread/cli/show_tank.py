"""Tanks as text for a terminal, in words and symbols, never by color alone: now, their settings, log and gas."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from rich.table import Column, Table

from colorread import chemistry, log as log_room, tank as tank_room, words
from colorread.cli.show_reading import answer_rows, print_short_caution
from colorread.cli.terminal import Row, Terminal, listed, table
from colorread.result import Reading

_WIDE = 110  # from here on there is room for a forecast's words beside all of its numbers on one line
_NUMBERS_WIDTH = 10  # for "15 (12 to" over "19)", so that the words of a forecast get the rest
_GAP = 2  # letters between columns
_NAME_WIDTH_MIN = 12  # narrower, and a name of a photo is better read where all columns fold alike


def print_now(
    terminal: Terminal,
    summary: tank_room.TankSummary,
    *,
    details: bool = False,
    brief: bool = False,
    where: str = "--details",
) -> None:
    """
    Print the one verdict for now, and what comes right after it.

    Briefly that is the next photo alone; `where` says where there is more than is printed without details.
    """
    name = f"Tank {summary.tank.name}"
    terminal.say(f"{name} (made-up data)" if summary.tank.made_up else name, "bold underline")
    answer, now = summary.answer, summary.now
    rows: list[Row] = [("CO2", f"{words.REFUSED_SIGN} No photo of this tank was read yet.", "bold")]
    if answer is not None and now is not None:
        rows = answer_rows(terminal, answer, now.co2_mg_l, summary.tank.judged_by)
    today = None if summary.tank.made_up else date.today()
    if not brief:
        rows += listed("Also", summary.more)
        if summary.tank.gas_hours is None:
            rows.append(("", f"colorread tank edit {shlex.quote(summary.tank.name)} --gas HH:MM-HH:MM"))
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
    if summary.told is not None:
        numbers = table("", "", wide=True, show_header=False, caption=tank_room.OF_WHEN)
        numbers.caption_justify = "left"
        for row in tank_room.number_rows(summary):
            numbers.add_row(row.label, row.reason if row.number is None else row.number.short())
        terminal.print(numbers)
        _print_advice(terminal, summary.told.advice)
        if summary.told.source is not None:
            notes.insert(0, summary.told.source.sentence)
    terminal.rows(listed("Notes", filter(None, notes)))
    terminal.print()
    terminal.frame("Cautions", summary.cautions)


def _print_advice(terminal: Terminal, advice: tank_room.Advice) -> None:
    terminal.say(f"What to change, simulated for {words.date_words(advice.day)}", "bold")
    terminal.rows(("", sentence) for sentence in advice.sentences)
    rows = tank_room.forecast_rows(advice)
    labels = [label for label in rows[0].numbers if label != tank_room.HOURS_ABOVE]  # there is no room for it
    width = None if terminal.width >= _WIDE else _NUMBERS_WIDTH
    forecasts = table("", *(Column(label, max_width=width) for label in labels))
    for row in rows:
        label = f"→ {row.words}" if row.role == tank_room.RECOMMENDED else row.words
        numbers = (f"{value} ({span})" if span else value for value, span in map(row.numbers.__getitem__, labels))
        forecasts.add_row(label, *numbers)
    terminal.print(forecasts)


def print_plan(terminal: Terminal, plan: tank_room.GasPlan) -> None:
    """Print a planned charge of gas, the answer first, with its cautions."""
    terminal.say(tank_room.plan_title(plan), "bold underline")
    terminal.rows(listed("Fill" if plan.mix is None else "Mix", tank_room.answer_lines(plan), "bold"))
    terminal.rows(tank_room.plan_rows(plan))
    terminal.print()
    terminal.frame("Cautions", tank_room.plan_cautions(plan))


def print_tanks(terminal: Terminal, tanks: Iterable[tank_room.Tank], counts: Mapping[str, int]) -> None:
    """Print a table of tanks, with how many readings each has, by name."""
    rows = table("tank", Column("volume", justify="right"), "lights", "source", Column("readings", justify="right"))
    for tank in tanks:
        volume = "" if tank.volume_l is None else chemistry.with_other_unit("volume", tank.volume_l)
        rows.add_row(tank.name, volume, str(tank.lights or ""), tank.source_kind or "", str(counts[tank.name]))
    terminal.print(rows)


def print_tank(terminal: Terminal, tank: tank_room.Tank, n_readings: int) -> None:
    """Print all that is known of a tank."""
    terminal.say(f"{tank.name} (made up)" if tank.made_up else tank.name, "bold underline")
    grid = Table.grid(padding=(0, 2, 0, 0))
    for setting, value in tank_room.setting_rows(tank):
        grid.add_row(setting.shown.label, value or "not set")
    grid.add_row("Readings", str(n_readings))
    terminal.print(grid)


def print_entries(terminal: Terminal, entries: Sequence[log_room.LogEntry]) -> None:
    """Print a table of logged readings, refused ones with the reason."""
    first = 0 if len({entry.tank for entry in entries}) > 1 else 1
    headings = ("tank", "taken", "photo", "CO2 mg/L", "90 %", "fish")[first:]
    rows = [(words.clean_name(entry.tank), *_cells(entry.reading))[first:] for entry in entries]
    # In a narrow window every cell folds: a number that is cut off reads as another number.
    widths = _widths(terminal.width, headings, rows)
    readings = table(
        *(
            Column(heading, justify="right" if heading == "CO2 mg/L" else "left", width=width)
            for heading, width in zip(headings, widths, strict=True)
        )
    )
    for row in rows:
        readings.add_row(*row)
    terminal.print(readings)
    n_refused = sum(entry.reading.status == "refused" for entry in entries)
    terminal.say(f"{len(entries) - n_refused} read, {n_refused} not read.")


def _cells(reading: Reading) -> tuple[str, ...]:
    taken = "" if reading.taken_at is None else f"{reading.taken_at:%Y-%m-%d %H:%M}"
    if reading.co2_mg_l is None or reading.verdict is None:
        message = "" if reading.reason is None else words.clean_name(reading.reason.message)
        return taken, words.clean_name(reading.photo), "-", "", f"not read: {message}"
    level = reading.verdict.fish
    fish = f"{words.FISH_SIGNS[level]} {level}"
    return taken, words.clean_name(reading.photo), *words.number_words(reading.co2_mg_l).cells(), fish


def _widths(room: int, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int | None]:
    """Return widths by which a name of a photo folds only where it is too long for the rest; None where none help."""
    columns = list(zip(headings, *rows, strict=True))
    room -= _GAP * len(columns)
    whole = [max(map(len, cells)) for cells in columns]
    longest = [max(len(word) for cell in cells for word in cell.split()) for cells in columns]
    photo = headings.index("photo")
    for unbroken in (("taken", "CO2 mg/L", "90 %"), ("90 %",)):
        widths = [whole[i] if headings[i] in unbroken else width for i, width in enumerate(longest)]
        widths[photo] = min(whole[photo], room - sum(widths) + widths[photo])
        if widths[photo] == whole[photo]:
            break
    if sum(whole) <= room or widths[photo] < _NAME_WIDTH_MIN:
        return [None] * len(columns)
    return [*widths[:-1], widths[-1] + room - sum(widths)]


def print_events(terminal: Terminal, events: Sequence[tuple[str, str, tank_room.Event]]) -> None:
    """Print a table of what was noted: tank, sign and event."""
    first = 0 if len({tank for tank, _, _ in events}) > 1 else 1
    notes = table(*("tank", "noted", "sign", "note")[first:])
    for tank, sign, event in events:
        notes.add_row(
            *(words.clean_name(tank), f"{event.at:%Y-%m-%d %H:%M}", sign, tank_room.event_words(event))[first:]
        )
    terminal.print(notes)
