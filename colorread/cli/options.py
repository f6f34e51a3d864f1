"""What the commands share: exit codes, checked numbers, the lamp classes, and how a command fails."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Any, NoReturn

import typer

EXIT_FAILED, EXIT_USAGE, EXIT_REFUSED = 1, 2, 3
# The same as in the interpretation, which is too heavy to load before the options are checked.


class LightClass(StrEnum):
    """Lamps that a photo may be taken under."""

    DAYLIGHT = "daylight"
    WARM_LED = "warm-led"
    COOL_LED = "cool-led"
    FLUORESCENT = "fluorescent"
    TANK_LED = "tank-led"
    UNKNOWN = "unknown"


def number(help_text: str, metavar: str, low: float = -math.inf, high: float = math.inf) -> Any:
    """
    Return an option that takes a number in a range.

    Parameters
    ----------
    help_text, metavar : str
        For ``--help``.
    low, high : float
        Ends of the range, both included.

    Returns
    -------
    typer option
        For an annotation.
    """

    def check(param: typer.CallbackParam, value: float | None) -> float | None:
        name = param.opts[0]
        if value is not None and not math.isfinite(value):
            fail(f"{name} must be a number, but is {value:g}.")
        if value is not None and not low <= value <= high:
            fail(f"{name} must lie between {low:g} and {high:g}, but is {value:g}.")
        return value

    return typer.Option(help=help_text, metavar=metavar, callback=check)


def require_new(path: Path, force: bool) -> None:
    """
    Fail where a file is there already and may not be replaced.

    Parameters
    ----------
    path : Path
        The file.
    force : bool
        Whether it may be replaced.
    """
    if path.exists() and not force:
        fail(f"{path} exists already; choose another name or add --force to replace it.")


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """
    Fail with one sentence where a file cannot be written in a ``with`` block.

    Parameters
    ----------
    path : Path
        The file.

    Yields
    ------
    None
        For the writing.
    """
    try:
        yield
    except OSError as error:
        fail(f"{path} could not be written: {error.strerror or error}.", EXIT_FAILED)


def fail(message: str, code: int = EXIT_USAGE) -> NoReturn:
    """
    Print one sentence on stderr and stop.

    Parameters
    ----------
    message : str
        What is wrong and what to do.
    code : int, default 2
        Exit code.

    Raises
    ------
    typer.Exit
        Always.
    """
    typer.echo(message, err=True)
    raise typer.Exit(code)
