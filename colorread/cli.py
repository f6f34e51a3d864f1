"""The command line. It starts without numpy or OpenCV; every command loads its work when it runs."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from colorread import __version__

if TYPE_CHECKING:
    from rich.console import Console

    from colorread.reading import Reading

EXIT_USAGE, EXIT_REFUSED = 2, 3
_EXIT_CODES = (
    "Exit codes: 0 every photo was read; 3 at least one was refused (the others are still printed); 2 wrong use; "
    "1 something failed."
)


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


class Fluid(StrEnum):
    """What the vial holds."""

    REFERENCE = "reference"
    TANK_WATER = "tank-water"


class LightClass(StrEnum):
    """Lamps that a photo may be taken under."""

    DAYLIGHT = "daylight"
    WARM_LED = "warm-led"
    COOL_LED = "cool-led"
    FLUORESCENT = "fluorescent"
    TANK_LED = "tank-led"
    UNKNOWN = "unknown"


app = typer.Typer(
    name="colorread",
    help="Read the CO2 of a planted aquarium from a phone photo of its drop checker before the printed card.",
    epilog=_EXIT_CODES,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


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
    from calibration.card_sheet import write_card_sheet

    if out.exists() and not force:
        _fail(f"{out} exists already; choose another name or add --force to replace it.")
    try:
        write_card_sheet(out, paper=paper.value)
    except OSError as error:
        _fail(f"{out} could not be written: {error.strerror or error}.", code=1)
    typer.echo(f"Wrote {out}. Print it at 100 %, then check with a ruler that the scale bar is 30 mm long.")


@app.command(
    epilog="Examples: colorread read tank.jpg --kh 4 --temperature 25 | "
    "colorread read *.jpg --evidence pictures | colorread read tank.heic --json. " + _EXIT_CODES
)
def read(
    photos: Annotated[list[Path], typer.Argument(help="Photos: JPEG, PNG, HEIC, TIFF or WebP.", metavar="PHOTO...")],
    kh: Annotated[
        float | None, typer.Option(help="KH of the fluid in the vial in dKH; 4 is assumed.", metavar="DKH")
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(help="Temperature of the water in degrees C; 25 is assumed.", metavar="C")
    ] = None,
    fluid: Annotated[Fluid, typer.Option(help="What the vial holds.")] = Fluid.REFERENCE,
    tank_kh: Annotated[
        float | None, typer.Option(help="KH of the tank in dKH: adds the pH a probe there should show.", metavar="DKH")
    ] = None,
    light: Annotated[LightClass, typer.Option(help="Lamp of the photo, if known.")] = LightClass.UNKNOWN,
    vial: Annotated[
        str | None,
        typer.Option(
            help="Rectangle around the fluid in pixels of the upright photo, if it is not found.", metavar="X,Y,W,H"
        ),
    ] = None,
    evidence: Annotated[
        Path | None, typer.Option(help="Folder for one annotated picture a photo.", metavar="DIR")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a line instead of text.")] = False,
) -> None:
    """Read pH and CO2 from photos of the vial before the card, each with its 90 % interval."""
    options: dict[str, Any] = {
        "kh_dkh": kh,
        "temperature_c": temperature,
        "fluid": fluid.value,
        "tank_kh_dkh": tank_kh,
        "light": light.value,
        "vial_xywh": None if vial is None else _rectangle(vial),
    }
    if fluid is Fluid.TANK_WATER and kh is None and tank_kh is None:
        _fail("With tank water in the vial, give its KH: add --tank-kh X.")
    readings = []
    console = _console()
    with _progress(len(photos), as_json) as advance:
        for photo in photos:
            reading = _read_one(photo, options, evidence)
            readings.append(reading)
            if as_json:
                from colorread.reading_json import reading_to_json

                typer.echo(reading_to_json(reading))
            else:
                from colorread.terminal import print_reading

                print_reading(console, reading)
            advance()
    if len(readings) > 1 and not as_json:
        from colorread.terminal import print_summary

        print_summary(console, readings)
    if evidence is not None and not as_json:
        typer.echo(f"Evidence pictures are in {evidence}.")
    if any(reading.status == "refused" for reading in readings):
        raise typer.Exit(EXIT_REFUSED)


@app.command(epilog="Example: colorread fluid --kh 4 --volume 1000 --scale-error 0.1")
def fluid(
    kh: Annotated[float, typer.Option(help="KH wanted in dKH.", metavar="DKH")] = 4.0,
    volume: Annotated[float, typer.Option(help="Fluid wanted in mL.", metavar="ML")] = 1000.0,
    scale_error: Annotated[
        float, typer.Option(help="Error of the kitchen scale, plus or minus, in g.", metavar="G")
    ] = 0.1,
    vial_volume: Annotated[float, typer.Option(help="Fluid that the vial takes in mL.", metavar="ML")] = 5.0,
    temperature: Annotated[float, typer.Option(help="Temperature of the room in degrees C.", metavar="C")] = 22.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
) -> None:
    """Give the recipe of the KH fluid, the drops of dye, and the color to expect in room air."""
    from colorread.fluid import CAUTIONS, RENEWAL, color_in_room_air, dye_drops, fluid_recipe

    try:
        recipe = fluid_recipe(kh, volume, scale_error_g=scale_error)
        dose = dye_drops(vial_volume, kh_dkh=kh)
        air = color_in_room_air(kh, temperature)
    except ValueError as error:
        _fail(str(error))
    if as_json:
        import json
        from dataclasses import asdict

        parts = {"recipe": asdict(recipe), "dye": asdict(dose), "room_air": asdict(air)}
        typer.echo(json.dumps({"schema": "colorread.fluid/1", **parts, "renewal": RENEWAL, "cautions": CAUTIONS}))
    else:
        from colorread.terminal import print_fluid

        print_fluid(_console(), recipe, dose, air, vial_volume)


def _read_one(photo: Path, options: dict[str, Any], evidence: Path | None) -> Reading:
    from colorread.pipeline import read_photo_traced

    try:
        reading, trace = read_photo_traced(photo, **options)
    except ValueError as error:
        _fail(str(error))
    if evidence is not None:
        from colorread.evidence import write_evidence

        try:
            write_evidence(reading, trace, evidence)
        except OSError as error:
            _fail(f"The evidence picture could not be written: {error.strerror or error}.", code=1)
    return reading


def _rectangle(text: str) -> tuple[float, float, float, float]:
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        _fail("--vial wants four numbers: left, top, width and height in pixels, such as 1200,800,300,300.")
    return x, y, width, height


def _console() -> Console:
    from rich.console import Console

    return Console(highlight=False)


@contextmanager
def _progress(total: int, quiet: bool) -> Iterator[Callable[[], None]]:
    """Show a progress bar on stderr for several photos, nothing for one."""
    if total < 2 or quiet or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Reading photos", total=total)
        yield lambda: bar.advance(task)


def _fail(message: str, code: int = EXIT_USAGE) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)


def main() -> None:
    """Run the command line."""
    try:
        app()
    except ImportError as error:
        if "libGL" not in str(error) and error.name != "cv2":
            raise
        typer.echo(
            "OpenCV could not be loaded on this machine; install its wheel without window code: "
            "pip uninstall -y opencv-python && pip install --force-reinstall opencv-python-headless",
            err=True,
        )
        sys.exit(1)
    except BrokenPipeError:
        # The reader of our output went away, as with `| head`: end quietly.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
