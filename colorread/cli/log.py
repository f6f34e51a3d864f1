"""The commands for the log of readings and notes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, BinaryIO

import typer

import calibration
from colorread import batch as batch_room, chemistry, log as log_room, tank as tank_room, words
from colorread.cli import common, screen

_TankName = Annotated[str | None, typer.Option("--tank", help="Only this tank.", metavar="NAME")]
_DIGITS_MIN = 6  # of a hash that names a photo or a note
_ENTRY_SCHEMA = "colorread.log-entry/1"
# Tank, hash of the photo or ID of the note, time, and name of the photo; of what is damaged, the time is not known.
_Found = tuple[str, str, datetime | None, str | None]


@common.group()
def app() -> None:
    """
    Show, copy and delete saved readings and notes.

    Examples
    --------
    colorread log show --tank window
    colorread log note --tank window --water-change 30%
    colorread log export backup.jsonl
    colorread log import backup.jsonl
    colorread log forget --tank window --refused
    """


@common.command(app, short_help="Show the readings.")
def show(
    tank: _TankName = None,
    as_json: common.JsonPerLine = False,
    csv: Annotated[Path | None, common.output("Write a spreadsheet table of one tank instead.", "FILE", ".csv")] = None,
    force: common.Force = False,
    log: common.LogFile = None,
) -> None:
    """
    Show the readings by date, refused ones with the reason, and your notes.

    Readings are judged by their tank's current limits.

    Examples
    --------
    colorread log show --tank window --csv window.csv
    """
    if csv is None and tank is None:
        common.exit_without_log(log, "readings", "batch FOLDER", quiet=as_json)
    if as_json and csv is not None:
        common.fail("Use either --json or --csv.")
    if csv is not None:
        common.require_outputs([csv], force, log=common.log_path(log))
    damages: list[log_room.Damage] = []
    with common.open_log(log, tank=tank) as opened:
        tanks = [each for each in opened.tanks(damages.append) if tank in (None, each.name)]
        if csv is not None and len(tanks) > 1:
            common.fail("A CSV table is for one tank; choose it with --tank.")
        if tank is not None:
            opened.require_tank(tank)  # otherwise an unknown name would look like a tank without readings
        marks = {each.name: each.judged_by for each in tanks}
        entries = [
            replace(entry, reading=words.judged(entry.reading, marks[entry.tank]))
            for entry in opened.entries(tank, on_damage=damages.append)
            if entry.tank in marks
        ]
        notes = [(each.name, *note) for each in tanks for note in opened.events(each.name, damages.append).items()]
    if csv is not None:
        _write_csv(csv, tanks, entries, [event for _, _, event in notes])
    elif as_json:
        _print_json(entries, notes)
    elif not entries and not notes:
        named = "" if tank is None else f" --tank {words.as_typed(tank)}"
        typer.echo(f"No readings yet. Add some with: {common.log_command(f'batch FOLDER{named}', log)}")
    else:
        if entries:
            screen.print_entries(screen.Terminal(), entries)
        if notes:
            screen.print_events(screen.Terminal(), notes)
        typer.echo(f"Log: {common.log_path(log)}")
    if common.warn_of_damage(damages, log):
        raise typer.Exit(common.EXIT_FAILED)


def _write_csv(
    path: Path, tanks: Sequence[tank_room.Tank], entries: Sequence[log_room.LogEntry], events: Sequence[tank_room.Event]
) -> None:
    readings = [entry.reading for entry in entries]
    tank_co2 = (tank_room.summarize(tank, readings, events).tank_co2 for tank in tanks)
    common.write(path, batch_room.csv_bytes(readings, *tank_co2))
    typer.echo(f"Wrote {words.plural(len(entries), 'reading')} to {path}.")


def _print_json(entries: Sequence[log_room.LogEntry], notes: Sequence[tuple[str, str, tank_room.Event]]) -> None:
    from colorread.records import plain

    for entry in entries:
        kept = plain(entry)
        del kept["picture"]
        common.echo_json([{"schema": _ENTRY_SCHEMA, **kept}])
    common.echo_json({"tank": name, **plain(event)} for name, _, event in notes)


@common.command(app, "export", short_help="Write everything to a file.")
def export_(
    file: Annotated[Path, typer.Argument(help="File to write, one JSON object per line.", metavar="FILE")],
    force: common.Force = False,
    log: common.LogFile = None,
) -> None:
    """
    Write all tanks, readings, notes and pictures to a file for log import.

    Examples
    --------
    colorread log export backup.jsonl
    """
    import json

    common.require_outputs([file], force, log=common.log_path(log))
    damages: list[log_room.Damage] = []
    line = ""
    with common.open_log(log) as opened, common.writing(file), calibration.atomic_writer(file) as target:
        for line in log_room.export_lines(opened, damages.append):
            target.write(line.encode("ascii"))
    end = json.loads(line)["end"]
    written = words.counts_words(reading=end["readings"], note=end["notes"], tank=end["tanks"])
    typer.echo(f"Wrote {written or 'an empty log'} to {file}.")
    if common.warn_of_damage(damages, log):
        raise typer.Exit(common.EXIT_FAILED)


@common.command(app, "import", short_help="Add an exported file.")
def import_(
    file: Annotated[Path, typer.Argument(help="File written by log export.", metavar="FILE")],
    log: common.LogFile = None,
) -> None:
    """
    Add an exported file, all or nothing. For the same photo, the later reading is kept.

    Examples
    --------
    colorread log import backup.jsonl
    """
    unreadable = common.exit_on(OSError, what=f"{file} could not be read")
    with unreadable, common.exit_on(log_room.LogError), _seekable(file) as opened_file:
        log_room.check_lines(log_room.lines_in(opened_file))  # before a log is created for them
        with common.open_log(log, create=True) as opened:
            done = log_room.import_lines(opened, log_room.lines_in(opened_file))
    added = words.counts_words(reading=done.readings, note=done.notes, tank=done.tanks)
    there = words.counts_words(reading=done.kept_readings, note=done.kept_notes)
    typer.echo(f"Added {added or 'nothing'}{f'; {there} already there' if there else ''}.")
    if done.kept_tanks:
        typer.echo(f"Settings in the file differ; the log kept its own: {', '.join(done.kept_tanks)}.")


@contextmanager
def _seekable(file: Path) -> Iterator[BinaryIO]:
    """Open a file that can be read twice; data from a pipe is written to disk first."""
    with file.open("rb") as opened:
        if opened.seekable():
            yield opened
            return
        from shutil import copyfileobj
        from tempfile import TemporaryFile

        with TemporaryFile() as copy:
            copyfileobj(opened, copy)
            yield copy


@common.command(app, short_help="Delete readings and notes.")
def forget(
    tank: _TankName = None,
    photo: Annotated[
        list[str] | None,
        typer.Option(help="Only this photo: its name, or the first digits of its hash.", metavar="NAME|HASH"),
    ] = None,
    note: Annotated[list[str] | None, typer.Option(help="Only this note, by its ID in log show.", metavar="ID")] = None,
    before: Annotated[str | None, typer.Option(help="Only readings and notes before this day.", metavar="DATE")] = None,
    refused: Annotated[bool, typer.Option("--refused", help="Only photos that were not read.")] = False,
    yes: common.Yes = False,
    log: common.LogFile = None,
) -> None:
    """
    Delete the readings and notes in the log that match all options.

    Your photos stay; copies saved by the page are deleted.

    Examples
    --------
    colorread log forget --tank window --note 5d0c91aa
    colorread log forget --tank window --before 2025-06-01
    colorread log forget --photo IMG_0412.jpg --photo 3fa85c
    colorread log forget --refused --yes
    """
    if tank is None and not photo and not note and before is None and not refused:
        common.fail("Choose what to forget: --tank, --photo, --note, --before or --refused.")
    if note and (photo or refused):
        common.fail("Use --note without --photo and --refused.")
    with common.exit_on(ValueError):
        day = None if before is None else tank_room.parse_day(before)
    with common.open_log(log, tank=tank) as opened:
        if tank is not None:
            opened.require_tank(tank)
        notes = _chosen(() if photo or refused else _notes(opened, tank), note or (), day)
        readings = _chosen(() if note else _readings(opened, tank, refused), photo or (), day)
        what = words.counts_words(reading=sum(map(len, readings.values())), note=sum(map(len, notes.values())))
        if not what:
            typer.echo("No matching reading or note; nothing was forgotten.")
            return
        what += f" of {', '.join(sorted(readings.keys() | notes.keys()))}"
        if not yes and not typer.confirm(f"Forget {what}?"):
            typer.echo("Nothing was forgotten.")
            return
        for name, ids in notes.items():
            opened.forget_events(name, ids)
        if readings:
            log_room.forget_readings(opened, readings)
    typer.echo(f"Forgot {what}.")


def _readings(log: log_room.Log, tank: str | None, only_refused: bool) -> Iterator[_Found]:
    damages: list[log_room.Damage] = []
    for entry in log.entries(tank, on_damage=damages.append):
        if entry.reading.status == "refused" or not only_refused:
            yield entry.tank, entry.sha256, entry.reading.taken_at, entry.reading.photo
    for damage in () if only_refused else damages:
        yield damage.tank, damage.sha256 or "", None, damage.photo


def _notes(log: log_room.Log, tank: str | None) -> Iterator[_Found]:
    for name in [owner.name for owner in log.tanks()] if tank is None else [tank]:
        damages: list[log_room.Damage] = []
        for event_id, event in log.events(name, damages.append).items():
            yield name, event_id, event.at, None
        for damage in damages:
            yield name, damage.sha256 or "", None, None


def _chosen(found: Iterable[_Found], typed: Sequence[str], day: date | None) -> dict[str, list[str]]:
    """Return by tank the hashes and IDs of what was typed, all if nothing was, as far as it is from before a day."""
    starts = tuple(text.lower() for text in typed if len(text) >= _DIGITS_MIN)
    chosen: dict[str, list[str]] = {}
    for tank, identifier, at, photo in found:
        is_named = photo is not None and (photo in typed or Path(photo).name in typed)
        is_before = day is None or (at is not None and at.date() < day)
        if (not typed or is_named or identifier.startswith(starts)) and is_before:
            chosen.setdefault(tank, []).append(identifier)
    return chosen


def _grams(text: str) -> float:
    with suppress(ValueError):
        return float(text)
    with suppress(ValueError):
        return round(chemistry.parse_quantity("mass", text), 1)
    common.fail(f"--refilled may be followed by grams, such as 120 or 4oz, not {text}.")


class _WithGrams(common.Command):
    """A command whose option ``--refilled`` may be followed by grams; the parser has no optional values."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Pass the number after the option to a hidden option."""
        for i in reversed([i for i, word in enumerate(args[:-1]) if word == "--refilled"]):
            if re.fullmatch(r"[\d.]+[a-z]*", args[i + 1]):
                args = [*args[: i + 1], "--refill-g", *args[i + 1 :]]
        return super().parse_args(ctx, args)


@common.command(app, short_help="Note what you did.", cls=_WithGrams)
def note(
    tank: Annotated[str, typer.Option("--tank", help="Tank that the note is about.", metavar="NAME")],
    text: Annotated[str, typer.Argument(help="In your own words.", metavar="TEXT")] = "",
    at: Annotated[
        str, typer.Option(help="When, such as 18:30 or '2025-06-04 18:30'; default: now.", metavar="TIME")
    ] = "",
    water_change: Annotated[str | None, typer.Option(help="Share of the water changed.", metavar="30%")] = None,
    refilled: Annotated[
        bool, typer.Option("--refilled", help="Bottle refilled or cylinder changed; grams may follow.")
    ] = False,
    refill_g: Annotated[str | None, typer.Option("--refill-g", hidden=True, metavar="GRAMS")] = None,
    gas_changed: Annotated[bool, typer.Option("--gas-changed", help="Gas turned up or down.")] = False,
    fluid_renewed: Annotated[bool, typer.Option("--fluid-renewed", help="New fluid in the vial.")] = False,
    diffuser: Annotated[bool, typer.Option("--diffuser", help="Diffuser cleaned, moved or replaced.")] = False,
    bubbles: Annotated[float | None, typer.Option(help="Bubbles a minute, counted afterward.", metavar="60")] = None,
    log: common.LogFile = None,
) -> None:
    """
    Note what you did to a tank. The figure shows it, and the calculated CO2 accounts for it.

    Without a note, it looks as if the gas changed.

    Examples
    --------
    colorread log note --tank window --water-change 30%
    colorread log note --tank window "new bottle" --refilled 120 --at 18:30
    colorread log note --tank window --gas-changed --bubbles 51
    """
    with common.exit_on(ValueError):
        typed = {
            "at": at,
            "text": text,
            "water_change": None if water_change is None else tank_room.parse_share(water_change),
            "refilled": refilled or refill_g is not None,
            "refill_g": None if refill_g is None else _grams(refill_g),
            "gas_changed": gas_changed,
            "fluid_renewed": fluid_renewed,
            "diffuser": diffuser,
            "bubbles": bubbles,
        }
        event = tank_room.typed_event(typed, datetime.now())
    with common.open_log(log, tank=tank) as opened:
        is_new = opened.add_event(tank, event)
    words = f"{event.at:%Y-%m-%d %H:%M}, {tank_room.event_words(event)}"
    typer.echo(f"Noted for {tank}: {words}" if is_new else f"The log of {tank} already has this note: {words}")
