"""The command line. It starts without numpy or OpenCV; every command loads its work when it runs."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from colorread import __version__, cli_calibrate
from colorread.cli_options import (
    EXIT_FAILED,
    EXIT_REFUSED,
    KH_RANGE_DKH,
    TEMPERATURE_RANGE_C,
    LightClass,
    fail,
    number,
)

if TYPE_CHECKING:
    from rich.console import Console

    from colorread.reading import Reading

# \b keeps the lines of a paragraph as they are.
_EXIT_CODES = """\b
Exit codes:
  0  every photo was read
  3  at least one photo was refused (the others are still printed)
  2  wrong use
  1  something failed"""
_EXAMPLES = """\b
Examples:
  colorread card --out card.pdf
  colorread fluid --kh 4 --volume 1000
  colorread read tank.jpg --kh 4 --temperature 25
  colorread calibrate ends --how"""
_READ_EXAMPLES = """\b
Examples:
  colorread read tank.jpg --kh 4 --temperature 25
  colorread read *.jpg --evidence pictures
  colorread read tank.heic --json"""


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


class Fluid(StrEnum):
    """What the vial holds."""

    REFERENCE = "reference"
    TANK_WATER = "tank-water"


app = typer.Typer(
    name="colorread",
    help="Read the CO2 of a planted aquarium from a phone photo of its drop checker before the printed card.",
    epilog=f"{_EXAMPLES}\n\n{_EXIT_CODES}",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


app.add_typer(cli_calibrate.app, name="calibrate")
app.command(epilog="Example: colorread profile me.toml --picture me.png")(cli_calibrate.profile)


def _version(show: bool) -> None:
    if show:
        typer.echo(f"colorread {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


@app.command(epilog="Example: colorread card --out card.pdf --paper letter")
def card(
    out: Annotated[Path, typer.Option(help="PDF file to write.", metavar="FILE")],
    paper: Annotated[Paper, typer.Option(help="Size of the sheet.")] = Paper.A4,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
) -> None:
    """Write a print-ready sheet of cards at true size, in black ink only."""
    if out.exists() and not force:
        fail(f"{out} exists already; choose another name or add --force to replace it.")
    from calibration.card_sheet import write_card_sheet

    try:
        write_card_sheet(out, paper=paper.value)
    except OSError as error:
        fail(f"{out} could not be written: {error.strerror or error}.", EXIT_FAILED)
    typer.echo(f"Wrote {out}. Print it at 100 %, then check with a ruler that the scale bar is 30 mm long.")


def _rectangle(text: str | None) -> tuple[float, float, float, float] | None:
    if text is None:
        return None
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        fail("--vial wants four numbers: left, top, width and height in pixels, such as 1200,800,300,300.")
    if not all(map(math.isfinite, (x, y, width, height))) or min(width, height) <= 0.0:
        fail("--vial wants a width and a height above zero, after left and top, such as 1200,800,300,300.")
    return x, y, width, height


@app.command(epilog=f"{_READ_EXAMPLES}\n\n{_EXIT_CODES}")
def read(
    photos: Annotated[list[Path], typer.Argument(help="Photos: JPEG, PNG, HEIC, TIFF or WebP.", metavar="PHOTO")],
    kh: Annotated[
        float | None, number("KH of the fluid in the vial in dKH; 4 is assumed.", "DKH", *KH_RANGE_DKH)
    ] = None,
    temperature: Annotated[
        float | None, number("Temperature of the water in degrees C; 25 is assumed.", "C", *TEMPERATURE_RANGE_C)
    ] = None,
    fluid: Annotated[Fluid, typer.Option(help="What the vial holds.")] = Fluid.REFERENCE,
    tank_kh: Annotated[
        float | None,
        number("KH of the tank in dKH: adds the pH a probe there should show.", "DKH", *KH_RANGE_DKH),
    ] = None,
    light: Annotated[LightClass, typer.Option(help="Lamp of the photo, if known.")] = LightClass.UNKNOWN,
    vial: Annotated[
        str | None,
        typer.Option(
            help="Rectangle around the fluid in pixels of the upright photo, if it is not found.", metavar="X,Y,W,H"
        ),
    ] = None,
    profile: Annotated[
        Path | None,
        typer.Option(help="Calibration profile of this phone, vial, fluid and light.", metavar="FILE"),
    ] = None,
    evidence: Annotated[
        Path | None, typer.Option(help="Folder for one annotated picture a photo.", metavar="DIR")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a line instead of text.")] = False,
) -> None:
    """Read pH and CO2 from photos of the vial before the card, each with its 90 % interval."""
    if fluid is Fluid.TANK_WATER and kh is None and tank_kh is None:
        fail("With tank water in the vial its KH is that of the tank: add --tank-kh X.")
    options = {
        "kh_dkh": kh,
        "temperature_c": temperature,
        "fluid": fluid.value,
        "tank_kh_dkh": tank_kh,
        "light": light.value,
        "vial_xywh": _rectangle(vial),
        "profile": None if profile is None else cli_calibrate.load_profile(profile),
    }
    results = _read_all(photos, options, evidence)
    readings = _print_json(results) if as_json else _print_text(results)
    if any(reading.status == "refused" for reading in readings):
        raise typer.Exit(EXIT_REFUSED)


@app.command(epilog="Example: colorread fluid --kh 4 --volume 1000 --scale-error 0.1")
def fluid(
    kh: Annotated[float, number("KH wanted in dKH.", "DKH")] = 4.0,
    volume: Annotated[float, number("Fluid wanted in mL.", "ML")] = 1000.0,
    scale_error: Annotated[float, number("Error of the scale, plus or minus, in g.", "G")] = 0.1,
    vial_volume: Annotated[float, number("Fluid that the vial takes in mL.", "ML")] = 5.0,
    temperature: Annotated[float, number("Temperature of the room in degrees C.", "C")] = 22.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
) -> None:
    """Give the recipe of the KH fluid, the drops of dye, and the color to expect in room air."""
    from colorread.fluid import CAUTIONS, RENEWAL, color_in_room_air, dye_drops, fluid_recipe

    try:
        recipe = fluid_recipe(kh, volume, scale_error_g=scale_error)
        dose = dye_drops(vial_volume, kh_dkh=kh)
        air = color_in_room_air(kh, temperature)
    except ValueError as error:
        fail(str(error))
    if as_json:
        import json
        from dataclasses import asdict

        parts = {"recipe": asdict(recipe), "dye": asdict(dose), "room_air": asdict(air)}
        typer.echo(json.dumps({"schema": "colorread.fluid/1", **parts, "renewal": RENEWAL, "cautions": CAUTIONS}))
    else:
        from colorread.terminal import print_fluid

        print_fluid(_console(), recipe, dose, air, vial_volume)


def _read_all(
    photos: list[Path], options: dict[str, Any], evidence: Path | None
) -> Iterator[tuple[Reading, Path | None]]:
    """Yield one reading after the other with its evidence picture; a bar on stderr tells of several."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    shows_bar = len(photos) > 1 and console.is_interactive
    # The bar stands only while a photo is read, so that it never mixes with what is printed on stdout.
    bar = Progress(console=console, transient=True)
    task = bar.add_task("Reading photos", total=len(photos))
    for photo in photos:
        if shows_bar:
            bar.start()
        try:
            result = _read_one(photo, options, evidence)
        finally:
            if shows_bar:
                bar.stop()
        bar.advance(task)
        yield result


def _read_one(photo: Path, options: dict[str, Any], evidence: Path | None) -> tuple[Reading, Path | None]:
    from colorread.pipeline import read_photo_traced

    reading, trace = read_photo_traced(photo, **options)
    if evidence is None:
        return reading, None
    from colorread.evidence import write_evidence

    try:
        return reading, write_evidence(reading, trace, evidence)
    except OSError as error:
        fail(f"The evidence picture could not be written to {evidence}: {error.strerror or error}.", EXIT_FAILED)


def _print_json(results: Iterator[tuple[Reading, Path | None]]) -> list[Reading]:
    from colorread.reading_json import reading_to_json

    readings = []
    for reading, _ in results:
        typer.echo(reading_to_json(reading))
        readings.append(reading)
    return readings


def _print_text(results: Iterator[tuple[Reading, Path | None]]) -> list[Reading]:
    from colorread.terminal import print_cautions, print_reading, print_summary

    console = _console()
    readings = []
    for reading, picture in results:
        print_reading(console, reading, picture)
        readings.append(reading)
    if len(readings) > 1:
        print_summary(console, readings)
    print_cautions(console, readings)
    return readings


def _console() -> Console:
    from rich.console import Console

    return Console(highlight=False)


def main() -> None:
    """Run the command line."""
    try:
        app()
    except ImportError as error:
        if error.name != "cv2" and "libGL" not in str(error):
            raise
        typer.echo(
            "OpenCV could not be loaded on this machine; install its wheel without window code: "
            "pip uninstall -y opencv-python && pip install --force-reinstall opencv-python-headless",
            err=True,
        )
        sys.exit(EXIT_FAILED)
