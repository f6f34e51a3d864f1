"""The command line. It starts without numpy or OpenCV; every command loads its work when it runs."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from colorread import __version__
from colorread.cli import batch, calibrate, demo, fluid, gas, log, log_note, profile, read, serve, sheets, tank
from colorread.cli.options import EXIT_FAILED

# \b keeps the lines of a paragraph as they are.
_EXIT_CODES = """\b
Exit codes:
  0  all photos were read
  3  at least one photo was refused
  2  wrong use
  1  something failed"""
_EXAMPLES = """\b
Examples:
  colorread card --tag
  colorread fluid --kh 4 --volume 1000
  colorread read tank.jpg --kh 4 --temperature 25
  colorread batch photos --tank window --report window.html
  colorread gas --tank window --days 14
  colorread calibrate ends --how
  colorread demo"""

# As a keeper comes to them.
_ORDER = ("card", "fluid", "read", "tank", "batch", "gas", "log", "serve", "calibrate", "chart", "profile", "demo")


class _Commands(TyperGroup):
    """The commands in their order; errors of options are said without words of programmers."""

    def list_commands(self, ctx: Any) -> list[str]:
        return sorted(super().list_commands(ctx), key=_ORDER.index)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            error.message = error.message.removeprefix("Value error, ")  # put there by the library that checks types
            raise


app = typer.Typer(
    name="colorread",
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Read the CO2 of a planted aquarium from a phone photo of its drop checker in front of a printed tag or card.",
    epilog=f"{_EXAMPLES}\n\n{_EXIT_CODES}",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command(
    short_help="Print the card or the tag.", epilog="Example: colorread card --tag --out tag.pdf --paper letter"
)(sheets.card)
app.command(
    short_help="Print a color chart for comparing by eye.",
    epilog="Example: colorread chart --out chart.pdf --kh 4 --temperature 25",
)(sheets.chart)
app.command(
    short_help="Mix the KH fluid and dose its dye.",
    epilog="Example: colorread fluid --kh 4 --volume 1000 --scale-error 0.1",
)(fluid.fluid)
app.command("read", short_help="Read CO2 from photos.", epilog=f"{read.EPILOG}\n\n{_EXIT_CODES}")(read.read)
app.command(short_help="Read a folder and follow the tank.", epilog=f"{batch.EPILOG}\n\n{_EXIT_CODES}")(batch.batch)
app.command("gas", short_help="Plan the gas: what to mix, how to dose it, until when.", epilog=gas.EPILOG)(gas.gas)
app.command(
    short_help="Show a profile, or make it the default.",
    epilog="Example: colorread profile me.toml --picture me.png",
)(profile.profile)
app.command(short_help="Take and read photos with the phone.", epilog=serve.EPILOG)(serve.serve)
app.command(short_help="See it on made-up tanks.", epilog=demo.EPILOG)(demo.demo)
app.add_typer(calibrate.app, name="calibrate", short_help="Calibrate phone, vial and fluid.")
app.add_typer(tank.app, name="tank", short_help="Describe your tanks.")
log.app.command(cls=log_note.WithGrams, short_help="Note what you did.", epilog=log_note.EPILOG)(log_note.note)
app.add_typer(log.app, name="log", short_help="Show, copy and delete saved readings and notes.")


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


def main() -> None:
    """Run the command line."""
    try:
        app()
    except ImportError as error:
        if error.name != "cv2" and "libGL" not in str(error):
            raise
        typer.echo(
            "OpenCV could not be loaded. Run: "
            "pip uninstall -y opencv-python && pip install --force-reinstall opencv-python-headless",
            err=True,
        )
        sys.exit(EXIT_FAILED)
