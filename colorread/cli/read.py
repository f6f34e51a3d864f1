"""The command that reads photos."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from colorread import batch, evidence as evidence_room, limits, reading as reading_room, tank as tank_room, words
from colorread.cli import common, screen
from colorread.cli.tank import with_settings

if TYPE_CHECKING:
    from colorread.result import Reading

    _Result = tuple[Reading, Path | None]  # a reading and its evidence picture

_VIAL_HELP = "Box around the fluid, in pixels of the upright photo, if it is not found."


@with_settings("kh", "temperature", "tank_kh", "light", "sensitive")
def read(
    photos: Annotated[list[Path], typer.Argument(help="Photos: JPEG, PNG, HEIC, TIFF or WebP.", metavar="PHOTO")],
    given: Mapping[str, Any],
    fluid: Annotated[limits.FluidKind, typer.Option(help="What the vial holds.")] = "reference",
    vial: Annotated[str | None, typer.Option(help=_VIAL_HELP, metavar="X,Y,W,H")] = None,
    tank: common.TankName = None,
    profile: common.ProfileFile = None,
    no_profile: Annotated[bool, typer.Option("--no-profile", help="Use no profile, not even the default.")] = False,
    evidence: Annotated[
        Path | None, typer.Option(help="Folder for one annotated picture per photo.", metavar="DIR")
    ] = None,
    details: Annotated[bool, typer.Option("--details", help="Show pH, inputs, uncertainty and all cautions.")] = False,
    as_json: common.JsonPerPhoto = False,
    log: common.LogFile = None,
) -> None:
    """
    Read CO2 from photos of the vial in front of the tag or card.

    Nothing is saved; colorread batch saves its readings in the log.

    Examples
    --------
    colorread read tank.jpg --kh 4 --temperature 25
    colorread read *.jpg --evidence pictures
    colorread read tank.heic --tank window --json
    """
    if all(os.path.isdir(photo) for photo in photos):
        folder = words.as_typed(str(photos[0]))
        common.fail(f"{photos[0]} is a folder. Read all its photos with: colorread batch {folder}")
    if evidence is not None and any(map(os.path.isfile, (evidence, *evidence.parents))):
        common.fail(f"--evidence must be a folder; {evidence} is a file or inside one.")
    owner = None
    if tank is not None:
        with common.open_log(log, tank=tank) as opened:
            owner = opened.tank(tank)
    if profile is not None and no_profile:
        common.fail("Use either --profile or --no-profile.")
    adjusted = _with_options(owner or tank_room.Tank(name="photo"), given, fluid)
    box, settings = common.rectangle("--vial", vial), _settings(adjusted, profile, no_profile, log)
    jobs = ((photo, replace(settings(photo), fluid=fluid, vial_xywh=box)) for photo in photos)
    marks, terminal = adjusted.judged_by, screen.Terminal()
    readings: list[Reading] = []
    for reading, picture in _read_all(jobs, len(photos), evidence):
        if as_json:
            common.echo_json([reading])
        else:
            if readings:
                terminal.print()
            screen.print_reading(terminal, reading, picture, marks=marks, details=details, brief=owner is not None)
        readings.append(reading)
    if as_json:
        pass
    elif owner is not None and any(reading.status == "read" for reading in readings):
        summary = _summary(replace(owner, marks=marks), readings, log)
        screen.print_now(terminal, summary, details=details, brief=not details, log=log)
    else:
        screen.print_summary(terminal, readings)
        screen.print_cautions(terminal, readings, details=details)
    if any(reading.status == "refused" for reading in readings):
        raise typer.Exit(common.EXIT_REFUSED)


def _with_options(tank: tank_room.Tank, given: Mapping[str, Any], fluid: limits.FluidKind) -> tank_room.Tank:
    """Return a tank with the settings given, as far as they apply to the fluid in the vial."""
    tank = tank_room.changed_tank(tank, given)
    if fluid == "reference":
        return tank
    if "kh" not in given and tank.tank_kh_dkh is None:
        common.fail("Tank water in the vial needs the tank's KH: add --tank-kh X.")
    # The tank's KH for the vial is that of the reference fluid.
    return replace(tank, kh_dkh=given.get("kh"))


def _settings(
    tank: tank_room.Tank, profile: Path | None, no_profile: bool, log: Path | None
) -> Callable[[Path], reading_room.PhotoInputs]:
    """Return a function that chooses the inputs for a photo."""
    if no_profile:
        return lambda photo: batch.inputs_of(tank)
    common.prepare_profile(profile, tank, log)
    settings_for = batch.settings_by_phone(tank, profile, common.log_path(log))
    return lambda photo: settings_for(photo).inputs


def _read_all(
    jobs: Iterable[tuple[Path, reading_room.PhotoInputs]], count: int, evidence: Path | None
) -> Iterator[_Result]:
    """
    Yield the readings in order, with their evidence pictures; show a bar on stderr if there are several.

    Photos are read in another process: one that hangs the decoder or uses up the memory does not harm the others.
    """
    from rich.console import Console
    from rich.progress import Progress

    from colorread.workers import run_in_workers

    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=count == 1 or not console.is_interactive)
    task = bar.add_task("Reading photos", total=count)
    with closing(run_in_workers(partial(_read_one, evidence=evidence), jobs, count=1)) as results:
        for _ in range(count):
            try:
                with bar:  # only while a photo is read, so that it never mixes with the text on stdout
                    done = next(results)
            except RuntimeError as error:  # no process can be started
                common.fail(f"{error} Close other programs.", common.EXIT_FAILED)
            bar.advance(task)
            if isinstance(done.result, str):
                common.fail(done.result, common.EXIT_FAILED)
            if done.result is None:
                photo, inputs = done.job
                unread = reading_room.blank_reading(os.fspath(photo), inputs)
                yield replace(unread, reason=batch.broke_off(done.trouble)), None
            else:
                yield done.result


def _read_one(job: tuple[Path, reading_room.PhotoInputs], *, evidence: Path | None) -> _Result | str:
    """Return a reading with its evidence picture, or a sentence on what failed; for a worker process."""
    photo, inputs = job
    what = f"{photo} could not be read"
    try:
        reading, trace = reading_room.read_photo_traced(photo, inputs)
        if evidence is None:
            return reading, None
        what = f"The evidence picture could not be written to {evidence}"
        return reading, evidence_room.write_evidence(reading, trace, evidence, inputs.marks)
    except (OSError, MemoryError) as error:
        return f"{what}: {common.cause_of(error)}."


def _summary(tank: tank_room.Tank, readings: Sequence[Reading], log: Path | None) -> tank_room.TankSummary:
    """Return the summary of a tank, including photos that are not in its log."""
    with common.open_log(log) as opened:
        logged = [entry.reading for entry in batch.logged_entries(opened, tank, {}, with_earlier=True)]
        events = opened.events(tank.name).values()
    taken = {reading.taken_at for reading in logged if reading.taken_at is not None}
    return tank_room.summarize(tank, [*logged, *(each for each in readings if each.taken_at not in taken)], events)
