"""Tanks and logged readings as text for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich import box
from rich.console import Console
from rich.table import Table

from colorread.chemistry import with_other_unit
from colorread.cli.console_text import shown
from colorread.log import LogEntry
from colorread.result import Reading
from colorread.tank import Event, Tank, event_words, setting_rows
from colorread.words import clean_name, number_words

_GAP = 2  # letters between columns
_NAME_WIDTH_MIN = 12  # narrower, and a name of a photo is better read where all columns fold alike


def print_entries(console: Console, entries: Sequence[LogEntry]) -> None:
    """
    Print a table of logged readings, refused ones with the reason.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    entries : sequence of LogEntry
        In the order of the rows.
    """
    several = len({entry.tank for entry in entries}) > 1
    first = 0 if several else 1
    headings = ("tank", "taken", "photo", "CO2 mg/L", "90 %", "fish")[first:]
    rows = [(clean_name(entry.tank), *_cells(entry.reading))[first:] for entry in entries]
    table = _table()
    # In a narrow window every cell folds: a number that is cut off reads as another number.
    for heading, width in zip(headings, _widths(console, headings, rows), strict=True):
        right = heading == "CO2 mg/L"
        table.add_column(heading, justify="right" if right else "left", overflow="fold", width=width)
    for row in rows:
        table.add_row(*(shown(console, cell) for cell in row))
    console.print(table)
    n_refused = sum(entry.reading.status == "refused" for entry in entries)
    console.print(shown(console, f"{len(entries) - n_refused} read, {n_refused} not read."))


def print_events(console: Console, events: Sequence[tuple[str, str, Event]]) -> None:
    """
    Print a table of what was noted.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    events : sequence of (str, str, Event)
        Tank, sign and event, in the order of the rows.
    """
    first = 0 if len({tank for tank, _, _ in events}) > 1 else 1
    table = _table()
    for heading in ("tank", "noted", "sign", "note")[first:]:
        table.add_column(heading, overflow="fold")
    for tank, sign, event in events:
        cells = (clean_name(tank), f"{event.at:%Y-%m-%d %H:%M}", sign, event_words(event))[first:]
        table.add_row(*(shown(console, cell) for cell in cells))
    console.print(table)


def print_tanks(console: Console, tanks: Sequence[Tank], counts: Mapping[str, int]) -> None:
    """
    Print a table of tanks.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    tanks : sequence of Tank
        In the order of the rows.
    counts : mapping of str to int
        How many readings each has, by name.
    """
    table = _table()
    table.add_column("tank", overflow="fold")
    table.add_column("volume", justify="right", no_wrap=True)
    table.add_column("lights", no_wrap=True)
    table.add_column("source", no_wrap=True)
    table.add_column("readings", justify="right", no_wrap=True)
    for tank in tanks:
        cells = (
            tank.name,
            "" if tank.volume_l is None else with_other_unit("volume", tank.volume_l),
            "" if tank.lights is None else str(tank.lights),
            "" if tank.source is None else tank.source.kind,
            str(counts[tank.name]),
        )
        table.add_row(*(shown(console, cell) for cell in cells))
    console.print(table)


def print_tank(console: Console, tank: Tank, n_readings: int) -> None:
    """
    Print all that is known of a tank.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    tank : Tank
        Any tank.
    n_readings : int
        How many readings it has.
    """
    rows = [(setting.shown.label, words or "not set") for setting, words in setting_rows(tank)]
    title = f"{tank.name} (made up)" if tank.made_up else tank.name
    console.print(shown(console, title, "bold underline"))
    grid = Table.grid(padding=(0, 2, 0, 0))
    for label, words in (*rows, ("Readings", str(n_readings))):
        grid.add_row(label, shown(console, words))
    console.print(grid)


def _widths(console: Console, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int | None]:
    """Return widths by which a name of a photo folds only where it is too long for the rest; None where none help."""
    columns = list(zip(headings, *rows, strict=True))
    room = console.width - _GAP * len(columns)
    whole = [max(map(len, cells)) for cells in columns]
    words = [max(len(word) for cell in cells for word in cell.split()) for cells in columns]
    photo = headings.index("photo")
    for unbroken in (("taken", "CO2 mg/L", "90 %"), ("90 %",)):
        widths = [whole[i] if headings[i] in unbroken else width for i, width in enumerate(words)]
        widths[photo] = min(whole[photo], room - sum(widths) + widths[photo])
        if widths[photo] == whole[photo]:
            break
    if sum(whole) <= room or widths[photo] < _NAME_WIDTH_MIN:
        return [None] * len(columns)
    return [*widths[:-1], widths[-1] + room - sum(widths)]


def _cells(reading: Reading) -> list[str]:
    taken = "" if reading.taken_at is None else f"{reading.taken_at:%Y-%m-%d %H:%M}"
    name = clean_name(reading.photo)
    if reading.co2_mg_l is None or reading.verdict is None:
        message = "" if reading.reason is None else clean_name(reading.reason.message)
        return [taken, name, "-", "", f"not read: {message}"]
    return [taken, name, *number_words(reading.co2_mg_l).cells(), reading.verdict.fish]


def _table() -> Table:
    return Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
