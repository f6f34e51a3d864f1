"""The command that reads all photos of a folder."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
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

_JOBS_MAX = 64
_JOBS_HELP = "Photos to read at once; default: one per processor."
_CALENDAR_HELP = "Next photos, refill and new fluid for a calendar."
_DETAILS_HELP = "Show fitted numbers, simulated changes, notes and all cautions."


@dataclass(slots=True)
class _Run:
    """Outcomes of the photos."""

    names: dict[str, str] = field(default_factory=dict)  # names of the photos in the log, by hash
    calibration: set[str] = field(default_factory=set)  # hashes of the photos that the profile was made from
    failed: list[Reading] = field(default_factory=list)
    outcomes: Counter[str] = field(default_factory=Counter)


def batch(
    folder: Annotated[Path, typer.Argument(help="Folder with photos, subfolders included.", metavar="FOLDER")],
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
            run = _score(photos, opened, owner, profile, jobs)
            if not photos:
                typer.echo(f"No photos in {folder}; showing the log of {owner.name}.", err=True)
            # Without --tank, earlier photos may be of any tank.
            logged = partial(
                batch_room.logged_entries,
                opened,
                owner,
                run.names,
                with_earlier=tank is not None,
                without=run.calibration,
            )
            readings, of_tank, events = _results(run, opened, owner, logged, log)
            # Readings alone do not need the tank's course; fitting it takes as long as several photos.
            week = tank_room.summarize(owner, of_tank, events) if files or not as_json else None
            # Files first: a pager may quit before it has read all the text.
            are_written = week is None or _write_files(files, week, readings, logged)
            if week is None or as_json:
                common.echo_json(readings)
            else:
                _print(run, readings, week, details=details, log=log)
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
) -> _Run:
    """Read the photos that are not in the log; show a bar and name the photos that were not read, on stderr."""
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress

    console = Console(stderr=True, highlight=False)
    say = partial(console.print, markup=False, soft_wrap=True)
    columns = (*Progress.get_default_columns(), MofNCompleteColumn())
    bar = Progress(*columns, console=console, transient=True, disable=not console.is_interactive)
    run = _Run()
    try:
        with (
            closing(batch_room.score_photos(photos, log=log, tank=tank, profile_path=profile, jobs=jobs)) as results,
            bar,
        ):
            for scored in bar.track(results, len(photos), description="Reading photos"):
                name, reading = scored.photo.name, scored.reading
                run.outcomes[scored.outcome] += 1
                if scored.outcome == "calibration":
                    run.calibration.add(scored.sha256)
                    say(f"{name} was used for the profile and is left out.")
                elif reading is None:
                    say(f"{name} is a copy of {scored.same_as} and counts once.")
                else:
                    if scored.outcome == "failed":
                        run.failed.append(reading)
                    else:
                        run.names[scored.sha256] = name
                    if scored.outcome != "known" and reading.reason is not None:
                        say(f"{name} was not read: {reading.reason.message}")
    except RuntimeError as error:  # no process can be started
        common.fail(f"{error} Close other programs, or read fewer at a time with --jobs 1.", common.EXIT_FAILED)
    return run


def _results(
    run: _Run, log: log_room.Log, tank: tank_room.Tank, logged: _Logged, log_file: Path | None
) -> tuple[list[Reading], list[Reading], list[tank_room.Event]]:
    """Return the folder's readings (all, if it has no photos), and all readings and notes of the tank."""
    damages: list[log_room.Damage] = []
    entries = list(logged(on_damage=damages.append))
    events = list(log.events(tank.name, damages.append).values())
    common.warn_of_damage(damages, log_file)
    readings = [entry.reading for entry in entries if entry.sha256 in run.names or not run.outcomes]
    readings = sorted(readings + run.failed, key=lambda reading: reading.photo)
    return readings, [*(entry.reading for entry in entries), *run.failed], events


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
    run: _Run, readings: Sequence[Reading], week: tank_room.TankSummary, *, details: bool, log: Path | None
) -> None:
    terminal = screen.Terminal()
    n_known = run.outcomes["known"] if run.outcomes else len(readings)
    screen.print_batch(terminal, readings, week, n_same=run.outcomes["same"], n_known=n_known, details=details)
    screen.print_now(terminal, week, details=details, log=log)


def _explain_default_tank(tank: tank_room.Tank, log: Path | None) -> None:
    typer.echo(
        f'Saved under "{tank.name}", with {tank.fluid_kh_dkh:g} dKH and {tank.water_c:g} degrees C assumed. Describe '
        f"your tank with {common.log_command('tank add NAME', log)}, then use --tank NAME."
    )
