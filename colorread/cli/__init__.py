"""The command line. It starts without numpy or OpenCV; each command loads what it needs when it runs."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Sequence
from io import TextIOWrapper
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from colorread import __version__
from colorread.cli import batch, calibrate, common, log, read, start, tank

# \b keeps the lines of a paragraph as they are.
_EXIT_CODES = """\b
Exit codes:
  0  all photos were read
  3  at least one photo was refused
  2  usage error
  1  something failed"""
# Each command with its line in the list and the paragraphs below its examples, in the order a keeper needs them.
_COMMANDS: dict[str, tuple[Callable[..., None] | typer.Typer, str, Sequence[str]]] = {
    "card": (start.card, "Print the card or the tag.", ()),
    "fluid": (start.fluid, "Mix the KH fluid and dose its dye.", ()),
    "read": (read.read, "Read CO2 from photos.", [_EXIT_CODES]),
    "tank": (tank.app, "Describe your tanks.", ()),
    "batch": (batch.batch, "Read a folder and follow the tank.", [_EXIT_CODES]),
    "gas": (tank.gas, "Plan the gas: what to mix, how to dose it, how long it lasts.", tank.CAUTIONS),
    "log": (log.app, "Show, copy and delete saved readings and notes.", ()),
    "serve": (start.serve, "Take and read photos with your phone.", ()),
    "calibrate": (calibrate.app, "Calibrate phone, vial and fluid.", ()),
    "chart": (start.chart, "Print a color chart for comparing by eye.", ()),
    "profile": (calibrate.profile, "Show a profile, or make it the default.", ()),
    "demo": (start.demo, "See how it works on made-up tanks.", ()),
}


class _Commands(TyperGroup):
    """The commands in the order of the table; error messages without programmers' terms."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(_COMMANDS)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            error.message = error.message.removeprefix("Value error, ")  # added by the library that checks types
            raise


def _version(show: bool) -> None:
    if show:
        typer.echo(f"colorread {__version__}")
        raise typer.Exit


@common.group(
    name="colorread",
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    below=[_EXIT_CODES],
)
def app(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """
    Read the CO2 of a planted aquarium from a phone photo of its drop checker in front of a printed tag or card.

    Examples
    --------
    colorread card --tag
    colorread fluid --kh 4 --volume 1000
    colorread read tank.jpg --kh 4 --temperature 25
    colorread batch photos --tank window --report window.html
    colorread gas --tank window --days 14
    colorread calibrate ends --how
    colorread demo
    """


for _name, (_command, _short_help, _below) in _COMMANDS.items():
    if isinstance(_command, typer.Typer):
        app.add_typer(_command, name=_name, short_help=_short_help)
    else:
        common.command(app, _name, short_help=_short_help, below=_below)(_command)


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # file names it cannot encode, as on older Windows
    if os.environ.get("COLUMNS") == "0":  # means unknown, but would be taken for a width that holds nothing
        del os.environ["COLUMNS"]
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # like Ctrl-C, so that no unfinished file is left behind
    try:
        app()
    except OSError as error:  # a folder without rights, a name too long, a drive that is gone, a full disk
        typer.echo(f"{error.filename or 'A file'} cannot be used: {common.cause_of(error)}.", err=True)
        sys.exit(common.EXIT_FAILED)
    except ImportError as error:
        if error.name != "cv2" and "libGL" not in str(error):
            raise
        typer.echo(
            "OpenCV could not be loaded. Run: "
            "pip uninstall -y opencv-python && pip install --force-reinstall opencv-python-headless",
            err=True,
        )
        sys.exit(common.EXIT_FAILED)
