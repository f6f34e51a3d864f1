"""The commands about the log of readings, and what other commands need to open it."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, BinaryIO

import typer

from colorread.cli.options import EXIT_FAILED, fail, require_outputs, require_suffix, writing

if TYPE_CHECKING:
    from datetime import date

    from colorread.log import Damage, Log, LogEntry

LogFile = Annotated[
    Path | None,
    typer.Option(
        "--log",
        help="Log file; default: COLORREAD_LOG, or a file in your data folder.",
        metavar="FILE",
    ),
]
_TankName = Annotated[str | None, typer.Option("--tank", help="Only this tank.", metavar="NAME")]
_HASH_DIGITS_MIN = 6
_NOTE_DIGITS = 8  # of its id, by which a note can be forgotten
_ENTRY_SCHEMA = "colorread.log-entry/1"

app = typer.Typer(
    help="Show, copy and delete saved readings and notes.",
    epilog="""\b
Examples:
  colorread log show --tank window
  colorread log note --tank window --water-change 30%
  colorread log export backup.jsonl
  colorread log import backup.jsonl
  colorread log forget --tank window --refused""",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command(short_help="Show the readings.", epilog="Example: colorread log show --tank window --csv window.csv")
def show(
    tank: _TankName = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object per line instead of text.")] = False,
    csv: Annotated[
        Path | None, typer.Option(help="Write a table for spreadsheets instead, of one tank.", metavar="FILE")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
    log: LogFile = None,
) -> None:
    """
    Show the readings by date, refused ones with the reason, and your notes.

    Each is judged by the limits its tank has now.
    """
    if not csv and tank is None and tell_no_log(log, "readings", "batch FOLDER", quiet=as_json):
        return
    if as_json and csv is not None:
        fail("Use either --json or --csv.")
    require_suffix("--csv", csv, ".csv")
    if csv is not None:
        require_outputs([csv], force, {"log": log_path(log)})
    damages: list[Damage] = []
    with open_log(log, tank=tank) as opened:
        tanks = [each for each in opened.tanks(damages.append) if tank in (None, each.name)]
        if csv is not None and len(tanks) > 1:
            fail("A CSV table is for one tank; choose it with --tank.")
        entries = _judged(opened, _entries(opened, tank, damages))
        notes = [
            (each.name, event_id, event)
            for each in tanks
            for event_id, event in opened.events(each.name, damages.append).items()
        ]
    if csv is not None:
        from colorread.batch import write_csv
        from colorread.tank import summarize

        readings = [entry.reading for entry in entries]
        with writing(csv):
            events = [event for _, _, event in notes]
            write_csv(csv, readings, *(summarize(owner, readings, events).tank_co2 for owner in tanks))
        typer.echo(f"Wrote {_plural(len(entries), 'reading')} to {csv}.")
    elif as_json:
        from colorread.records import json_line, plain

        for entry in entries:
            kept = plain(entry)
            del kept["picture"]
            typer.echo(json_line({"schema": _ENTRY_SCHEMA, **kept}))
        for name, _, event in notes:
            typer.echo(json_line({"tank": name, **plain(event)}))
    elif not entries and not notes:
        named = "" if tank is None else f" --tank {shlex.quote(tank)}"
        typer.echo(f"No readings yet. Add some with: {log_command(f'batch FOLDER{named}', log)}")
    else:
        from rich.console import Console

        from colorread.cli.show_log import print_entries, print_events

        console = Console(highlight=False)
        if entries:
            print_entries(console, entries)
        if notes:
            print_events(console, [(name, event_id[:_NOTE_DIGITS], event) for name, event_id, event in notes])
        typer.echo(f"Log: {log_path(log)}")
    if tell_damages(damages, log):
        raise typer.Exit(EXIT_FAILED)


@app.command("export", short_help="Write everything to a file.", epilog="Example: colorread log export backup.jsonl")
def export_(
    file: Annotated[Path, typer.Argument(help="File to write, one JSON object per line.", metavar="FILE")],
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
    log: LogFile = None,
) -> None:
    """Write all tanks, readings, notes and pictures to a file for log import."""
    require_outputs([file], force, {"log": log_path(log)})
    import json

    from calibration import writing_whole
    from colorread.log import export_lines

    damages: list[Damage] = []
    line = ""
    with open_log(log) as opened, writing(file), writing_whole(file) as target:
        for line in export_lines(opened, damages.append):
            target.write(line.encode("ascii"))
    end = json.loads(line)["end"]
    notes = f" and {_plural(end['notes'], 'note')}" if end["notes"] else ""
    typer.echo(f"Wrote {_plural(end['readings'], 'reading')}{notes} of {_plural(end['tanks'], 'tank')} to {file}.")
    if tell_damages(damages, log):
        raise typer.Exit(EXIT_FAILED)


@app.command("import", short_help="Add an exported file.", epilog="Example: colorread log import backup.jsonl")
def import_(
    file: Annotated[Path, typer.Argument(help="File written by log export.", metavar="FILE")],
    log: LogFile = None,
) -> None:
    """Add an exported file, all or nothing. For the same photo, the later reading stays."""
    from colorread.log import LogError, check_lines, import_lines, lines_in

    try:
        with _seekable(file) as opened_file:
            check_lines(lines_in(opened_file))  # before a log is made for them
            with open_log(log, create=True) as opened:
                done = import_lines(opened, lines_in(opened_file))
    except OSError as error:
        fail(f"{file} could not be read: {error.strerror or error}.")
    except LogError as error:
        fail(str(error))
    kept = [(done.kept_readings, "reading"), (done.kept_notes, "note")]
    there = " and ".join(_plural(count, noun) for count, noun in kept if count)
    known = f"; {there} already there" if there else ""
    notes = f", {_plural(done.notes, 'note')}" if done.notes else ""
    typer.echo(f"Added {_plural(done.readings, 'reading')}{notes} and {_plural(done.tanks, 'tank')}{known}.")
    if done.kept_tanks:
        typer.echo(f"Kept as in the log, though the file differs: {', '.join(done.kept_tanks)}.")


@app.command(
    short_help="Delete readings and notes.",
    epilog="""\b
Examples:
  colorread log forget --tank window --note 5d0c91aa
  colorread log forget --tank window --before 2025-06-01
  colorread log forget --photo IMG_0412.jpg --photo 3fa85c
  colorread log forget --refused --yes""",
)
def forget(
    tank: _TankName = None,
    photo: Annotated[
        list[str] | None,
        typer.Option(help="Only this photo: its name, or the first digits of its hash.", metavar="NAME|HASH"),
    ] = None,
    note: Annotated[
        list[str] | None, typer.Option(help="Only this note, by its sign in log show.", metavar="SIGN")
    ] = None,
    before: Annotated[str | None, typer.Option(help="Only what is dated before this day.", metavar="DATE")] = None,
    refused: Annotated[bool, typer.Option("--refused", help="Only photos that were not read.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    log: LogFile = None,
) -> None:
    """
    Delete the readings and notes from the log that match all options.

    Your photos stay; copies the page saved are deleted.
    """
    if tank is None and not photo and not note and before is None and not refused:
        fail("Choose what to forget: --tank, --photo, --note, --before or --refused.")
    if note and (photo or refused):
        fail("Use --note without --photo and --refused.")
    from colorread.cli.log_note import chosen_notes
    from colorread.log import forget_readings
    from colorread.tank import parse_day

    try:
        day = None if before is None else parse_day(before)
    except ValueError as error:
        fail(str(error))
    damages: list[Damage] = []
    with open_log(log, tank=tank) as opened:
        notes = {} if photo or refused else chosen_notes(opened, tank, note or [], day)
        chosen: list[LogEntry | Damage] = [
            entry
            for entry in _entries(opened, tank, damages)
            if not note
            and (not photo or _is_photo(entry.sha256, entry.reading.photo, photo))
            and (day is None or _is_before(entry, day))
            and (not refused or entry.reading.status == "refused")
        ]
        if day is None and not refused and not note:  # nothing is known of these but tank and photo
            chosen += [each for each in damages if not photo or _is_photo(each.sha256 or "", each.photo, photo)]
        n_notes = sum(map(len, notes.values()))
        if not chosen and not n_notes:
            typer.echo("No matching reading or note; nothing was forgotten.")
            return
        names = sorted({entry.tank for entry in chosen} | {name for name, ids in notes.items() if ids})
        counts = ((len(chosen), "reading"), (n_notes, "note"))
        what = " and ".join(_plural(count, noun) for count, noun in counts if count) + f" of {', '.join(names)}"
        if not yes and not typer.confirm(f"Forget {what}?"):
            typer.echo("Nothing was forgotten.")
            return
        for name, ids in notes.items():
            opened.forget_events(name, ids)
        if chosen:
            forget_readings(
                opened, {name: [entry.sha256 or "" for entry in chosen if entry.tank == name] for name in names}
            )
    typer.echo(f"Forgot {what}.")


@contextmanager
def _seekable(file: Path) -> Iterator[BinaryIO]:
    """Open a file to be read twice; what comes through a pipe is put on the disk first."""
    with file.open("rb") as opened:
        if opened.seekable():
            yield opened
            return
        from shutil import copyfileobj
        from tempfile import TemporaryFile

        with TemporaryFile() as copy:
            copyfileobj(opened, copy)
            yield copy


def log_path(file: Path | None) -> Path:
    """
    Return where the log is.

    Parameters
    ----------
    file : Path or None
        As the user named it.

    Returns
    -------
    Path
        That file, else the usual one.
    """
    from colorread.log import default_log_path

    return default_log_path() if file is None else file


def log_command(words: str, file: Path | None) -> str:
    """
    Return a command about the log as it is to be typed.

    Parameters
    ----------
    words : str
        Such as ``tank add NAME``.
    file : Path or None
        The log as the user named it; the command is to use the same.

    Returns
    -------
    str
        With the name of the program, and of the log where it was given.
    """
    return f"colorread {words}" if file is None else f"colorread {words} --log {shlex.quote(str(file))}"


def tell_no_log(file: Path | None, what: str, command: str, *, quiet: bool) -> bool:
    """
    Say that nothing is kept yet, where that is so and no log was named.

    Parameters
    ----------
    file : Path or None
        As the user named it; a name may be misspelt, so that `open_log` is to tell of it.
    what, command : str
        What there is none of, and what adds some.
    quiet : bool
        Whether it is not to be said.

    Returns
    -------
    bool
        Whether there is none.
    """
    if file is not None or (path := log_path(None)).exists():
        return False
    if not quiet:
        typer.echo(f"No {what} yet. Add some with: colorread {command} (log: {path})")
    return True


def tell_damages(damages: Sequence[Damage], file: Path | None) -> bool:
    """
    Say on stderr what of the log could not be read back, and what can be done about it.

    Parameters
    ----------
    damages : sequence of Damage
        As `Log.entries` and `Log.tanks` told of them.
    file : Path or None
        The log as the user named it.

    Returns
    -------
    bool
        Whether there was any.
    """
    for damage in damages:
        name = shlex.quote(damage.tank)
        if damage.sha256 is None:
            what, cure = f"The tank {damage.tank} and its readings are", f"tank remove {name} --with-readings"
        else:
            what = f"The {f'reading of {damage.photo}' if damage.photo else 'note'} in {damage.tank} is"
            cure = f"log forget --tank {name} --{'photo' if damage.photo else 'note'} {damage.sha256[:12]}"
        typer.echo(f"{what} left out, for the log is damaged there: {damage.trouble}", err=True)
        typer.echo(f"Import an older export to mend it, or remove it with: {log_command(cure, file)}", err=True)
    return bool(damages)


@contextmanager
def open_log(file: Path | None, *, create: bool = False, tank: str | None = None) -> Iterator[Log]:
    """
    Open the log for a ``with`` block; what is wrong in it ends the command with one sentence.

    Parameters
    ----------
    file : Path or None
        As the user named it.
    create : bool, default False
        Whether it is made where there is none.
    tank : str, optional
        Asked for, to name it in the command that makes a log.

    Yields
    ------
    Log
        Open until the end of the block.

    Raises
    ------
    typer.Exit
        If it cannot be opened, or what is asked of it cannot be done.
    """
    from colorread.log import Log, LogError, LogFailure

    path = log_path(file)
    if not create and not path.exists():
        name = "NAME" if tank is None else shlex.quote(tank)
        fail(f"No log at {path} yet. Create it with: {log_command(f'tank add {name}', file)}")
    try:
        with Log(path) as log:
            yield log
    except LogFailure as error:
        fail(str(error), EXIT_FAILED)
    except LogError as error:
        fail(str(error))


def _entries(log: Log, tank: str | None, damages: list[Damage]) -> list[LogEntry]:
    if tank is not None:
        log.require_tank(tank)  # a name that is not known must not look like a tank without readings
    return list(log.entries(tank, on_damage=damages.append))


def _judged(log: Log, entries: list[LogEntry]) -> list[LogEntry]:
    """Return entries judged by the limits that their tanks have now, as all that shows them does."""
    from dataclasses import replace

    from colorread.words import judged

    marks = {tank.name: tank.judged_by for tank in log.tanks()}
    return [
        replace(entry, reading=judged(entry.reading, marks[entry.tank])) for entry in entries if entry.tank in marks
    ]


def _is_photo(sha256: str, photo: str, texts: list[str]) -> bool:
    names = (photo, Path(photo).name)
    return any(text in names or (len(text) >= _HASH_DIGITS_MIN and sha256.startswith(text.lower())) for text in texts)


def _is_before(entry: LogEntry, day: date) -> bool:
    return entry.reading.taken_at is not None and entry.reading.taken_at.date() < day


def _plural(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
