"""The command that reads photos."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from colorread.cli.log import LogFile, log_path, open_log
from colorread.cli.options import EXIT_FAILED, EXIT_REFUSED, fail, rectangle, trouble_of
from colorread.cli.profile import load_profile, prepare_defaults
from colorread.cli.tank import with_settings
from colorread.limits import FluidKind

if TYPE_CHECKING:
    from calibration import Profile
    from colorread.reading import Stated
    from colorread.result import Reading
    from colorread.tank import Tank, TankSummary

EPILOG = """\b
Examples:
  colorread read tank.jpg --kh 4 --temperature 25
  colorread read *.jpg --evidence pictures
  colorread read tank.heic --tank window --json

Without --profile, the tank's profile is used, or else the default for the phone."""


def _read(
    photos: Annotated[list[Path], typer.Argument(help="Photos: JPEG, PNG, HEIC, TIFF or WebP.", metavar="PHOTO")],
    given: Mapping[str, Any],
    fluid: Annotated[FluidKind, typer.Option(help="What the vial holds.")] = "reference",
    vial: Annotated[
        str | None,
        typer.Option(
            help="Box around the fluid, in pixels of the upright photo, if it is not found.", metavar="X,Y,W,H"
        ),
    ] = None,
    tank: Annotated[
        str | None,
        typer.Option(help="Tank in the log: uses its KH, temperature, lamp, profile and recent days.", metavar="NAME"),
    ] = None,
    profile: Annotated[
        Path | None,
        typer.Option(help="Calibration profile of this phone, vial and fluid.", metavar="FILE"),
    ] = None,
    no_profile: Annotated[bool, typer.Option("--no-profile", help="Use no profile, not even the default.")] = False,
    evidence: Annotated[
        Path | None, typer.Option(help="Folder for one annotated picture per photo.", metavar="DIR")
    ] = None,
    details: Annotated[bool, typer.Option("--details", help="Show pH, inputs, uncertainty and all cautions.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object per photo instead of text.")] = False,
    log: LogFile = None,
) -> None:
    """
    Read CO2 from photos of the vial in front of the tag or card.

    Nothing is saved; colorread batch saves its readings in the log.
    """
    if all(os.path.isdir(photo) for photo in photos):
        fail(f"{photos[0]} is a folder. Read all its photos with: colorread batch {shlex.quote(str(photos[0]))}")
    if evidence is not None and any(map(_is_file, (evidence, *evidence.parents))):
        fail(f"--evidence must be a folder; {evidence} is a file or inside one.")
    owner = _tank(tank, log)
    tank_kh_dkh = given.get("tank_kh", owner and owner.tank_kh_dkh)
    if fluid == "tank-water" and "kh" not in given and tank_kh_dkh is None:
        fail("Tank water in the vial needs the tank's KH: add --tank-kh X.")
    if profile is not None and no_profile:
        fail("Use either --profile or --no-profile.")
    from colorread.batch import stated_of
    from colorread.reading import Stated
    from colorread.tank import Tank

    stated = Stated(
        kh_dkh=given.get("kh"),
        temperature_c=given.get("temperature"),
        fluid=fluid,
        tank_kh_dkh=tank_kh_dkh,
        light=given.get("light", "unknown"),
        vial_xywh=rectangle("--vial", vial),
    )
    water = owner or Tank(name="photo")
    stated = stated_of(replace(water, sensitive=given.get("sensitive", water.sensitive)), stated)
    if profile is None and owner is not None and owner.profile is not None:
        profile = Path(owner.profile)
    if profile is not None and not no_profile:
        stated = replace(stated, profile=load_profile(profile, log))
    by_phone = stated.profile is None and not no_profile
    if by_phone:
        prepare_defaults(log)
    results = _read_all(photos, stated, evidence, log, by_phone=by_phone)
    readings = _print_json(results) if as_json else _print_text(results, stated, owner, log, details=details)
    if any(reading.status == "refused" for reading in readings):
        raise typer.Exit(EXIT_REFUSED)


read = with_settings(_read, ("kh", "temperature", "tank_kh", "light", "sensitive"))


def _is_file(path: Path) -> bool:
    return os.path.exists(path) and not os.path.isdir(path)  # which never raise, whatever the path is


def _tank(name: str | None, log: Path | None) -> Tank | None:
    if name is None:
        return None
    with open_log(log) as opened:
        return opened.tank(name)


def _read_all(
    photos: list[Path], stated: Stated, evidence: Path | None, log: Path | None, *, by_phone: bool
) -> Iterator[tuple[Reading, Path | None]]:
    """
    Yield one reading after the other with its evidence picture; a bar on stderr tells of several.

    They are read in a process of its own: a photo that hangs its decoder or takes all memory harms none of the others.
    """
    from rich.console import Console
    from rich.progress import Progress

    from colorread.workers import run_in_workers

    console = Console(stderr=True)
    shows_bar = len(photos) > 1 and console.is_interactive
    # The bar stands only while a photo is read, so that it never mixes with what is printed on stdout.
    bar = Progress(console=console, transient=True)
    task = bar.add_task("Reading photos", total=len(photos))
    jobs = ((photo, replace(stated, profile=_default_profile(photo, log)) if by_phone else stated) for photo in photos)
    with closing(run_in_workers(partial(_read_one, evidence=evidence), jobs, count=1)) as results:
        for _ in photos:
            if shows_bar:
                bar.start()
            try:
                done = next(results)
            except RuntimeError as error:  # no process can be started
                fail(f"{error} Close other programs.", EXIT_FAILED)
            finally:
                if shows_bar:
                    bar.stop()
            bar.advance(task)
            photo, used = done.job
            if isinstance(done.result, ImportError):
                raise done.result
            if isinstance(done.result, str):
                fail(done.result, EXIT_FAILED)
            yield _broken_off(photo, used, done.trouble) if done.result is None else done.result


def _broken_off(photo: Path, stated: Stated, trouble: str) -> tuple[Reading, None]:
    from colorread.batch import broke_off
    from colorread.reading import without_numbers

    return replace(without_numbers(os.fspath(photo), stated), reason=broke_off(trouble)), None


def _default_profile(photo: Path, log: Path | None) -> Profile | None:
    """Return the default profile of the phone that took a photo, if there is one."""
    from colorread.profiles import default_profile, has_defaults

    if not has_defaults(log_path(log)):
        return None
    from colorread.photo import camera_model_of

    path = default_profile(camera_model_of(photo), log_path(log))
    return None if path is None else load_profile(path, log)


def _read_one(job: tuple[Path, Stated], *, evidence: Path | None) -> tuple[Reading, Path | None] | str | ImportError:
    """Return a reading with its evidence picture, or why there can be none, in a process of its own."""
    photo, stated = job
    try:
        from colorread.reading import read_photo_traced

        reading, trace = read_photo_traced(photo, stated)
    except (OSError, MemoryError) as error:
        return f"{photo} could not be read: {trouble_of(error)}."
    except ImportError as error:
        return error
    if evidence is None:
        return reading, None
    from colorread.evidence import write_evidence

    try:
        return reading, write_evidence(reading, trace, evidence, stated.marks)
    except OSError as error:
        return f"The evidence picture could not be written to {evidence}: {error.strerror or error}."


def _print_json(results: Iterator[tuple[Reading, Path | None]]) -> list[Reading]:
    from colorread.records import json_line

    readings = []
    for reading, _ in results:
        typer.echo(json_line(reading))
        readings.append(reading)
    return readings


def _print_text(
    results: Iterator[tuple[Reading, Path | None]],
    stated: Stated,
    owner: Tank | None,
    log: Path | None,
    *,
    details: bool,
) -> list[Reading]:
    from rich.console import Console

    from colorread.cli.show_reading import print_cautions, print_reading, print_summary
    from colorread.cli.show_tank import print_now

    console = Console(highlight=False)
    readings: list[Reading] = []
    for reading, picture in results:
        if readings:
            console.print()
        print_reading(console, reading, picture, marks=stated.marks, details=details, brief=owner is not None)
        readings.append(reading)
    if owner is not None and any(reading.status == "read" for reading in readings):
        print_now(console, _summary(owner, stated, readings, log), details=details, brief=not details)
        return readings
    if len(readings) > 1:
        print_summary(console, readings)
    print_cautions(console, readings, details=details)
    return readings


def _summary(owner: Tank, stated: Stated, readings: list[Reading], log: Path | None) -> TankSummary:
    """Return what the days of the tank tell together with photos that are not in its log."""
    from colorread.batch import kept
    from colorread.tank import summarize

    tank = replace(owner, marks=stated.marks)
    with open_log(log) as opened:
        logged = [entry.reading for entry in kept(opened, owner, {}, with_earlier=True)]
        events = opened.events(owner.name).values()
    taken = {reading.taken_at for reading in logged if reading.taken_at is not None}
    return summarize(tank, [*logged, *(reading for reading in readings if reading.taken_at not in taken)], events)
