"""The command that reads all photos of a folder."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import calibration
from colorread import batch as batch_room, log as log_room, report as report_room, tank as tank_room
from colorread.cli import common, screen

if TYPE_CHECKING:
    from colorread.result import Reading

    _Logged = Callable[..., Iterator[log_room.LogEntry]]

_SAVED = ("new", "known")  # outcomes of photos whose reading is in the log
_JOBS_MAX = 64
_JOBS_HELP = "Photos to read at once; default: one per processor."
_CALENDAR_HELP = "Calendar file with the next photos, refill and new fluid."
_DETAILS_HELP = "Show fitted numbers, simulated changes, notes and all cautions."


def batch(
    folder: Annotated[Path, typer.Argument(help="Folder of photos, including subfolders.", metavar="FOLDER")],
    tank: common.TankName = None,
    profile: common.ProfileFile = None,
    jobs: Annotated[int | None, common.number(_JOBS_HELP, "N", 1, _JOBS_MAX, kind=int)] = None,
    csv: Annotated[
        Path | None, common.output("Table for a spreadsheet, one row per photo.", "FILE.csv", ".csv")
    ] = None,
    report: Annotated[Path | None, common.output("Report as one web page.", "FILE.html", ".html", ".htm")] = None,
    plot: Annotated[Path | None, common.output("Plot of the days, PNG or PDF.", "FILE.png", ".png", ".pdf")] = None,
    summary: Annotated[Path | None, common.output("Numbers for programs.", "FILE.json", ".json")] = None,
    calendar: Annotated[Path | None, common.output(_CALENDAR_HELP, "FILE.ics", ".ics")] = None,
    details: Annotated[bool, typer.Option("--details", help=_DETAILS_HELP)] = False,
    log: common.LogFile = None,
    as_json: common.JsonPerPhoto = False,
    force: common.Force = False,
) -> None:
    """
    Read all photos in a folder, save the readings in the log, and show how the tank is doing.

    Examples
    --------
    colorread batch photos
    colorread batch photos --tank home --csv week.csv --report week.html
    colorread batch photos --tank home --jobs 1 --json

    If interrupted, run it again: it continues where it stopped.
    """
    if not folder.is_dir():
        common.fail(f"{folder} is not a folder; name the one with the photos.")
    named = {"csv": csv, "summary": summary, "report": report, "plot": plot, "calendar": calendar}
    files = {kind: path for kind, path in named.items() if path is not None}
    common.require_outputs(list(files.values()), force, log=common.log_path(log))
    photos = batch_room.find_photos(folder, on_error=_warn_of_unopened)
    if not photos and tank is None:
        common.fail(f"No photos in {folder}.")
    try:
        with common.open_log(log, create=tank is None, tank=tank) as opened:
            owner = _tank_in(opened, tank)
            if not photos and not opened.count(owner.name):
                common.fail(f"No photos in {folder}, and no reading of {owner.name} in the log.")
            if (used := common.prepare_profile(profile, owner, log)) is not None:
                common.require_outputs(list(files.values()), force, profile=used)
            scored = _score(photos, opened, owner, profile, jobs)
            if not photos:
                typer.echo(f"No photos in {folder}; showing the log of {owner.name}.", err=True)
            logged = partial(
                batch_room.logged_entries,
                opened,
                owner,
                {each.sha256: each.photo.name for each in scored if each.outcome in _SAVED},
                with_earlier=tank is not None,  # otherwise they may be of any tank
                without={each.sha256 for each in scored if each.outcome == "calibration"},
            )
            readings, of_tank, events = _results(scored, opened, owner, logged, log)
            # Readings alone do not need the tank's course; fitting it takes as long as several photos.
            week = tank_room.summarize(owner, of_tank, events) if files or not as_json else None
            # Files first: a pager may quit before it has read all the text.
            are_written = week is None or _write_files(files, week, readings, logged)
            if week is None or as_json:
                common.echo_json(readings)
            else:
                _print(scored, readings, week, details, log)
                if tank is None:
                    _explain_default_tank(owner, log)
    except KeyboardInterrupt:
        common.fail("Interrupted. What was read is in the log; run the same command to continue.", common.EXIT_FAILED)
    if not are_written:
        raise typer.Exit(common.EXIT_FAILED)
    if any(reading.status == "refused" for reading in readings):
        raise typer.Exit(common.EXIT_REFUSED)


def _warn_of_unopened(error: OSError) -> None:
    typer.echo(f"{error.filename} could not be opened and was skipped: {error.strerror}.", err=True)


def _tank_in(log: log_room.Log, name: str | None) -> tank_room.Tank:
    if name is not None:
        return log.tank(name)
    with log.transaction():  # another first batch may begin at the same time
        if batch_room.DEFAULT_TANK not in {tank.name for tank in log.tanks()}:
            log.add_tank(tank_room.Tank(name=batch_room.DEFAULT_TANK))
        return log.tank(batch_room.DEFAULT_TANK)


def _score(
    photos: Sequence[batch_room.PhotoFile],
    log: log_room.Log,
    tank: tank_room.Tank,
    profile: Path | None,
    jobs: int | None,
) -> list[batch_room.Scored]:
    """Read the photos that are not in the log; show a bar and name the photos that were not read, on stderr."""
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress

    console = Console(stderr=True, highlight=False)
    say = partial(console.print, markup=False, soft_wrap=True)
    columns = (*Progress.get_default_columns(), MofNCompleteColumn())
    bar = Progress(*columns, console=console, transient=True, disable=not console.is_interactive)
    scored = []
    try:
        with (
            closing(batch_room.score_photos(photos, log=log, tank=tank, profile_path=profile, jobs=jobs)) as results,
            bar,
        ):
            for each in bar.track(results, len(photos), description="Reading photos"):
                scored.append(each)
                if each.outcome == "calibration":
                    say(f"{each.photo.name} was used for the profile and is left out.")
                elif each.reading is None:
                    say(f"{each.photo.name} is a copy of {each.same_as} and counts once.")
                elif each.outcome != "known" and each.reading.reason is not None:
                    say(f"{each.photo.name} was not read: {each.reading.reason.message}")
    except RuntimeError as error:  # no process can be started
        common.fail(f"{error} Close other programs, or read fewer at a time with --jobs 1.", common.EXIT_FAILED)
    return scored


def _results(
    scored: list[batch_room.Scored], log: log_room.Log, tank: tank_room.Tank, logged: _Logged, log_file: Path | None
) -> tuple[list[Reading], list[Reading], list[tank_room.Event]]:
    """Return the folder's readings (all, if it has no photos), and all readings and notes of the tank."""
    damages: list[log_room.Damage] = []
    entries = list(logged(on_damage=damages.append))
    events = list(log.events(tank.name, damages.append).values())
    common.warn_of_damage(damages, log_file)
    failed = [each.reading for each in scored if each.outcome == "failed" and each.reading is not None]
    saved = {each.sha256 for each in scored if each.outcome in _SAVED}
    readings = [entry.reading for entry in entries if entry.sha256 in saved or not scored]
    readings = sorted(readings + failed, key=lambda reading: reading.photo)
    return readings, [*(entry.reading for entry in entries), *failed], events


def _write_files(
    files: Mapping[str, Path], summary: tank_room.TankSummary, readings: Sequence[Reading], logged: _Logged
) -> bool:
    """Write the files, name those that cannot be written, and return whether all were."""
    writers: dict[str, Callable[[Path], None]] = {
        "csv": lambda path: calibration.write_atomic(path, batch_room.csv_bytes(readings, summary.tank_co2)),
        "summary": lambda path: calibration.write_atomic(path, _summary_json(summary)),
        "report": lambda path: report_room.write_report(path, summary, logged(with_pictures=True)),
        "plot": lambda path: report_room.write_plot(path, summary, logged()),
        "calendar": lambda path: report_room.write_calendar(path, summary),
    }
    are_written = True
    for kind, path in files.items():
        try:
            writers[kind](path)
        except (OSError, ValueError, log_room.LogFailure) as error:  # a ValueError says that there is nothing to draw
            typer.echo(f"{path} could not be written: {common.cause_of(error)}.", err=True)
            are_written = False
        else:
            typer.echo(f"Wrote {path}.", err=True)
    return are_written


def _summary_json(summary: tank_room.TankSummary) -> bytes:
    import json

    return f"{json.dumps(tank_room.summary_to_dict(summary), allow_nan=False, indent=2)}\n".encode("ascii")


def _print(
    scored: list[batch_room.Scored],
    readings: list[Reading],
    week: tank_room.TankSummary,
    details: bool,
    log: Path | None,
) -> None:
    terminal, counts = screen.Terminal(), Counter(each.outcome for each in scored)
    n_known = counts["known"] if scored else len(readings)
    screen.print_batch(terminal, readings, week, n_same=counts["same"], n_known=n_known, details=details)
    screen.print_now(terminal, week, details=details, log=log)


def _explain_default_tank(tank: tank_room.Tank, log: Path | None) -> None:
    typer.echo(
        f'Saved under "{tank.name}", with {tank.fluid_kh_dkh:g} dKH and {tank.water_c:g} degrees C assumed. Describe '
        f"your tank with {common.log_command('tank add NAME', log)}, then use --tank NAME."
    )
