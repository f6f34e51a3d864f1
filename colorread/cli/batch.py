"""The command that reads all photos of a folder."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from colorread.cli.log import LogFile, log_command, log_path, open_log, tell_damages
from colorread.cli.options import EXIT_FAILED, EXIT_REFUSED, fail, number, require_outputs, require_suffix, writing
from colorread.cli.profile import load_profile, prepare_defaults

if TYPE_CHECKING:
    from rich.console import Console

    from colorread.batch import PhotoFile
    from colorread.log import Damage, Log, LogEntry
    from colorread.result import Reading
    from colorread.tank import Tank, TankSummary

EPILOG = """\b
Examples:
  colorread batch photos
  colorread batch photos --tank home --csv week.csv --report week.html
  colorread batch photos --tank home --jobs 1 --json

If interrupted, run it again: it continues where it stopped."""
_JOBS_MAX = 64


@dataclass(slots=True, kw_only=True)
class _Run:
    """What became of the photos so far."""

    names: dict[str, str] = field(default_factory=dict)  # of the photos in the log, by hash
    calibration: set[str] = field(default_factory=set)  # hashes of those that the profile was made of
    failed: list[Reading] = field(default_factory=list)
    n_same: int = 0
    n_known: int = 0


def batch(
    folder: Annotated[Path, typer.Argument(help="Folder with photos, subfolders included.", metavar="FOLDER")],
    tank: Annotated[
        str | None,
        typer.Option(help="Tank in the log: uses its KH, temperature, lamp and profile.", metavar="NAME"),
    ] = None,
    profile: Annotated[
        Path | None, typer.Option(help="Calibration profile; default: the tank's.", metavar="FILE")
    ] = None,
    jobs: Annotated[
        int | None,
        number("Photos to read at once; default: one per processor.", "N", 1, _JOBS_MAX, kind=int),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(help="Table for a spreadsheet, one row per photo.", metavar="FILE.csv"),
    ] = None,
    report: Annotated[Path | None, typer.Option(help="Report as one web page.", metavar="FILE.html")] = None,
    plot: Annotated[Path | None, typer.Option(help="Plot of the days, PNG or PDF.", metavar="FILE.png")] = None,
    summary: Annotated[Path | None, typer.Option(help="Numbers for programs.", metavar="FILE.json")] = None,
    calendar: Annotated[
        Path | None, typer.Option(help="Next photos, refill and new fluid for a calendar.", metavar="FILE.ics")
    ] = None,
    details: Annotated[
        bool, typer.Option("--details", help="Show fitted numbers, simulated changes, notes and all cautions.")
    ] = False,
    log: LogFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object per photo instead of text.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace existing files.")] = False,
) -> None:
    """
    Read all photos in a folder, save the readings in the log, and show what the tank is doing.

    With --tank, its earlier readings in the log count too.
    """
    require_suffix("--csv", csv, ".csv")
    require_suffix("--report", report, ".html", ".htm")
    require_suffix("--plot", plot, ".png", ".pdf")
    require_suffix("--summary", summary, ".json")
    require_suffix("--calendar", calendar, ".ics")
    if not folder.is_dir():
        fail(f"{folder} is not a folder; name the one with the photos.")
    outputs = [path for path in (csv, report, plot, summary, calendar) if path is not None]
    _require_folders(outputs)
    require_outputs(outputs, force, {"log": log_path(log)})
    from colorread.batch import find_photos, kept
    from colorread.tank import summarize

    photos = find_photos(folder, on_error=_tell_unopened)
    no_photo = f"No photos in {folder}"
    if not photos and tank is None:
        fail(f"{no_photo}.")
    try:
        with open_log(log, create=bool(photos), tank=tank) as opened:
            owner = _tank_in(opened, tank)
            if not photos and not opened.count(owner.name):
                fail(f"{no_photo}, and no reading of {owner.name} in the log.")
            if (path := profile or owner.profile) is not None:
                load_profile(Path(path), log)  # to tell what is wrong with it before the work
                require_outputs(outputs, force, {"profile": Path(path)})
            else:
                prepare_defaults(log)
            try:
                run = _score(photos, opened, owner, profile, jobs)
            except RuntimeError as error:  # no process can be started
                fail(f"{error} Close other programs, or read fewer at a time with --jobs 1.", EXIT_FAILED)
            # The tank without a name is where photos of any tank gather.
            of_tank = partial(kept, opened, owner, run.names, with_earlier=tank is not None, without=run.calibration)
            damages: list[Damage] = []
            entries = list(of_tank(on_damage=damages.append))
            events = opened.events(owner.name, damages.append).values()
            tell_damages(damages, log)
            everything = _by_name([entry.reading for entry in entries] + run.failed)
            readings = _by_name([entry.reading for entry in entries if entry.sha256 in run.names] + run.failed)
            if not photos:
                readings, run.n_known = everything, len(everything)
                typer.echo(f"{no_photo}; showing the log of {owner.name}.", err=True)
            # Files first: what reads the text, such as a pager, may stop before its end.
            if as_json and not outputs:
                _print_json(readings)
            else:
                told = summarize(owner, everything, events)
                if csv is not None:
                    _write_csv(csv, readings, told)
                _write_files(told, of_tank, (summary, report, plot, calendar))
                if as_json:
                    _print_json(readings)
                else:
                    n_earlier = told.n_read - sum(reading.status == "read" for reading in readings)
                    _print_text(readings, n_earlier, run, told, details=details)
                    if tank is None:
                        _tell_unnamed(owner, log)
    except KeyboardInterrupt:
        fail("Interrupted. What was read is in the log; run the same command to continue.", EXIT_FAILED)
    if any(reading.status == "refused" for reading in readings):
        raise typer.Exit(EXIT_REFUSED)


def _require_folders(paths: Sequence[Path]) -> None:
    """Fail before the work, not after it."""
    for path in paths:
        if path.is_dir() or not path.absolute().parent.is_dir():
            fail(f"{path} cannot be written; name a file in an existing folder.")


def _tell_unopened(error: OSError) -> None:
    typer.echo(f"{error.filename} could not be opened and was skipped: {error.strerror}.", err=True)


def _tank_in(log: Log, name: str | None) -> Tank:
    from colorread.batch import DEFAULT_TANK
    from colorread.tank import Tank

    if name is not None:
        return log.tank(name)
    with log.transaction():  # another first batch may begin at the same time
        if DEFAULT_TANK not in {tank.name for tank in log.tanks()}:
            log.add_tank(Tank(name=DEFAULT_TANK))
        return log.tank(DEFAULT_TANK)


def _score(photos: Sequence[PhotoFile], log: Log, tank: Tank, profile: Path | None, jobs: int | None) -> _Run:
    """Read what is not in the log; on stderr a bar, and a line for each photo that cannot be read."""
    from contextlib import closing

    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress

    from colorread.batch import score_photos

    console = Console(stderr=True, highlight=False)
    columns = (*Progress.get_default_columns(), MofNCompleteColumn())
    say = partial(console.print, markup=False, soft_wrap=True)
    run = _Run()
    with (
        closing(score_photos(photos, log=log, tank=tank, profile_path=profile, jobs=jobs)) as results,
        Progress(*columns, console=console, transient=True, disable=not console.is_interactive) as bar,
    ):
        task = bar.add_task("Reading photos", total=len(photos))
        for scored in results:
            bar.advance(task)
            if scored.outcome == "calibration":
                run.calibration.add(scored.sha256)
                say(f"{scored.photo.name} was used for the profile and is left out.")
                continue
            if scored.reading is None:
                run.n_same += 1
                say(f"{scored.photo.name} is a copy of {scored.same_as} and counts once.")
                continue
            if scored.outcome == "known":
                run.n_known += 1
            elif scored.reading.reason is not None:
                say(f"{scored.photo.name} was not read: {scored.reading.reason.message}")
            if scored.outcome == "failed":
                run.failed.append(scored.reading)
            else:
                run.names[scored.sha256] = scored.photo.name
    return run


def _by_name(readings: Iterable[Reading]) -> list[Reading]:
    return sorted(readings, key=lambda reading: reading.photo)


def _print_json(readings: Iterable[Reading]) -> None:
    from colorread.records import json_line

    for reading in readings:
        typer.echo(json_line(reading))


def _print_text(readings: Sequence[Reading], n_earlier: int, run: _Run, summary: TankSummary, *, details: bool) -> None:
    from colorread.cli.show_batch import print_batch
    from colorread.cli.show_tank import print_now

    print_batch(_console(), readings, n_same=run.n_same, n_known=run.n_known, n_earlier=n_earlier, details=details)
    print_now(_console(), summary, details=details)


def _tell_unnamed(tank: Tank, log: Path | None) -> None:
    typer.echo(
        f'Saved under "{tank.name}", with {tank.fluid_kh_dkh:g} dKH and {tank.water_c:g} degrees C assumed. Describe '
        f"your tank with {log_command('tank add NAME', log)}, then use --tank NAME."
    )


def _write_csv(path: Path, readings: Iterable[Reading], summary: TankSummary) -> None:
    from colorread.batch import write_csv

    with _saying(path):
        write_csv(path, readings, summary.tank_co2)


def _write_files(
    summary: TankSummary,
    of_tank: Callable[..., Iterator[LogEntry]],
    files: tuple[Path | None, Path | None, Path | None, Path | None],
) -> None:
    """Write summary, report, plot and calendar, as far as they are asked for."""
    summary_file, report, plot, calendar = files
    if summary_file is not None:
        import json

        from calibration import write_whole
        from colorread.tank import summary_to_dict

        with _saying(summary_file):
            text = json.dumps(summary_to_dict(summary), allow_nan=False, indent=2)
            write_whole(summary_file, f"{text}\n".encode("ascii"))
    if report is not None:
        from colorread.report import write_report

        with _saying(report):
            write_report(report, summary, of_tank(with_pictures=True))
    if plot is not None:
        from colorread.report import write_plot

        with _saying(plot):
            write_plot(plot, summary, of_tank())
    if calendar is not None:
        from colorread.report import write_calendar

        with _saying(calendar):
            write_calendar(calendar, summary)


@contextmanager
def _saying(path: Path) -> Iterator[None]:
    """Tell what was written, or why it could not be."""
    try:
        with writing(path):
            yield
    except ValueError as error:  # there is nothing to draw
        fail(f"{path} could not be written: {error}", EXIT_FAILED)
    typer.echo(f"Wrote {path}.", err=True)


def _console() -> Console:
    from rich.console import Console

    return Console(highlight=False)
