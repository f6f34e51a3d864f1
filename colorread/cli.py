"""The command line. It starts without numpy or OpenCV; every command loads its work when it runs."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from colorread import __version__, cli_batch, cli_calibrate, cli_demo, cli_log, cli_print, cli_read, cli_serve, cli_tank
from colorread.cli_options import EXIT_FAILED, fail, number

if TYPE_CHECKING:
    from rich.console import Console

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


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


app = typer.Typer(
    name="colorread",
    help="Read the CO2 of a planted aquarium from a phone photo of its drop checker before the printed card.",
    epilog=f"{_EXAMPLES}\n\n{_EXIT_CODES}",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command(epilog=f"{cli_read.EPILOG}\n\n{_EXIT_CODES}")(cli_read.read)
app.add_typer(cli_calibrate.app, name="calibrate")
app.add_typer(cli_tank.app, name="tank")
app.add_typer(cli_log.app, name="log")
app.command(epilog="Example: colorread profile me.toml --picture me.png")(cli_calibrate.profile)
app.command(epilog="Example: colorread chart --out chart.pdf --kh 4 --temperature 25")(cli_print.chart)
app.command(epilog=f"{cli_batch.EPILOG}\n\n{_EXIT_CODES}")(cli_batch.batch)
app.command(epilog=cli_demo.EPILOG)(cli_demo.demo)
app.command(epilog=cli_serve.EPILOG)(cli_serve.serve)


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
