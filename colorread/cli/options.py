"""What the commands share: exit codes, checked numbers, the lamp classes, and how a command fails."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer

if TYPE_CHECKING:
    from colorread.chemistry import Quantity

EXIT_FAILED, EXIT_USAGE, EXIT_REFUSED = 1, 2, 3

# By what stands for the number in the help: its unit, what else a number too high may be, and of which quantity it is,
# whose other units may be typed behind it.
_UNITS: Mapping[str, tuple[str, str, Quantity | None]] = {
    "DKH": (" dKH", "If that is ppm (mg/L CaCO3), write it such as 71caco3.", "kh"),
    "C": (" degrees C", "If that is degrees F, write it such as 77F.", "temperature"),
    "MG_L": (" mg/L", "", None),
    "ML": (" mL", "", "fluid"),
    "L": (" L", "If that is not L, write it such as 15gal.", "volume"),
    "G": (" g", "If that is not g, write it such as 5oz.", "mass"),
    "GRAMS": (" g", "If that is not g, write it such as 20oz.", "mass"),
}


def number(
    help_text: str,
    metavar: str,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    if_low: str = "",
    kind: type[float] | type[int] = float,
) -> Any:
    """
    Return an option that takes a number in a range.

    Parameters
    ----------
    help_text, metavar : str
        For ``--help``.
    low, high : float
        Ends of the range, both included.
    if_low : str, default ''
        What to do with a number below the range, a sentence.
    kind : type, default float
        Or int.

    Returns
    -------
    typer option
        For an annotation.
    """

    def check(param: typer.CallbackParam, text: str | float | None) -> float | None:
        if text is None:
            return None
        name = param.opts[0]
        unit, if_high, quantity = _UNITS.get(metavar, ("", "", None))
        try:
            value = _typed(str(text), quantity) if quantity is not None else kind(text)
            is_number = math.isfinite(value)
        except (ValueError, OverflowError):
            is_number = False
        if not is_number:
            hint = " Write decimals with a point, such as 4.5." if "," in str(text) and kind is float else ""
            fail(f"{name} must be a {'whole ' if kind is int else ''}number, not {text}.{hint}")
        if not low <= value <= high:
            to_do = if_low if value < low else if_high
            fail(f"{name} must be between {low:g} and {high:g}{unit}, not {value:g}. {to_do}".rstrip())
        return value

    # Left as text until the check, which tells the option and what was given for it.
    return typer.Option(help=help_text, metavar=metavar, callback=check, parser=str)


def _typed(text: str, quantity: Quantity) -> float:
    """Return a number, with another unit of its quantity behind it or without."""
    try:
        return float(text)
    except ValueError:
        from colorread.chemistry import own_of_typed

        return own_of_typed(quantity, text)


def rectangle(option: str, text: str | None) -> tuple[float, float, float, float] | None:
    """
    Return a rectangle in a photo, or fail with one sentence.

    Parameters
    ----------
    option : str
        By which it was given.
    text : str or None
        ``X,Y,W,H`` [px].

    Returns
    -------
    tuple of float, or None
        Left, top, width, height; None where nothing was given [px].
    """
    if text is None:
        return None
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        fail(f"{option} needs four numbers: left, top, width and height in pixels, such as 1200,800,300,300.")
    if not all(map(math.isfinite, (x, y, width, height))) or min(width, height) <= 0.0:
        fail(f"{option} needs width and height above zero, after left and top, such as 1200,800,300,300.")
    return x, y, width, height


def require_suffix(option: str, path: Path | None, *suffixes: str) -> None:
    """
    Fail where the name of a file to write promises something else than what is written.

    Parameters
    ----------
    option : str
        By which it was given.
    path : Path or None
        The file, if one was named.
    suffixes : str
        What its name may end in, in small letters.
    """
    if path is not None and path.suffix.lower() not in suffixes:
        fail(f"{option} must end in {' or '.join(suffixes)}, not {path.name}.")


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
        fail(f"{path} already exists. Choose another name, or add --force to replace it.")


def require_outputs(outputs: Sequence[Path], force: bool, used: Mapping[str, Path]) -> None:
    """
    Fail where files to write are one and the same, are ones that the command uses, or may not be replaced.

    Parameters
    ----------
    outputs : sequence of Path
        The files to write.
    force : bool
        Whether files that exist may be replaced.
    used : mapping of str to Path
        Files that the command uses, such as the log, by what they are.
    """
    for i, path in enumerate(outputs):
        for what, other in used.items():
            if _is_same(path, other):
                fail(f"{path} is the {what} itself; choose another file.")
        if any(_is_same(path, other) for other in outputs[:i]):
            fail(f"{path} is named twice; choose another file for one of them.")
        require_new(path, force)


def _is_same(path: Path, other: Path) -> bool:
    """Whether two names lead to one file, there or not; some file systems take letters of either case for the same."""
    return os.path.realpath(path) == os.path.realpath(other) or (
        path.exists() and other.exists() and path.samefile(other)
    )


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


def trouble_of(error: OSError | MemoryError) -> str:
    """
    Return in a few words what the machine ran into.

    Parameters
    ----------
    error : OSError or MemoryError
        As it was raised.

    Returns
    -------
    str
        Without a full stop.
    """
    return "memory ran out" if isinstance(error, MemoryError) else error.strerror or str(error)


def echo_lines(lines: Iterable[str]) -> None:
    """
    Print lines as they are, in signs that the terminal knows.

    Parameters
    ----------
    lines : iterable of str
        Not wrapped.
    """
    from rich.console import Console

    from colorread.cli.console_text import printable

    console = Console()
    for line in lines:
        typer.echo(printable(console, line))


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
