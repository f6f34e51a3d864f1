"""What the commands share: checked options, the log and the profiles that they open, and how they fail."""

from __future__ import annotations

import math
import os
import re
import shlex
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import wraps
from inspect import Parameter, getdoc, signature
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

import calibration

# Rooms are loaded when a name of theirs is first used.
from colorread import chemistry, log as log_room, profiles, tank as tank_room

EXIT_FAILED, EXIT_USAGE, EXIT_REFUSED = 1, 2, 3

LogFile = Annotated[
    Path | None,
    typer.Option("--log", help="Log file; default: COLORREAD_LOG, or a file in your data folder.", metavar="FILE"),
]
JsonObject = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
JsonPerPhoto = Annotated[bool, typer.Option("--json", help="Print one JSON object per photo instead of text.")]
JsonPerLine = Annotated[bool, typer.Option("--json", help="Print one JSON object per line instead of text.")]
Force = Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")]
Yes = Annotated[bool, typer.Option("--yes", help="Do not ask.")]

# By what stands for the number in the help: its unit, what else a number too high or of no known unit may be, and of
# which quantity it is, whose other units may be typed behind it.
_UNITS: Mapping[str, tuple[str, str, chemistry.Quantity | None]] = {
    "DKH": (" dKH", "If that is ppm (mg/L CaCO3), write it such as 71caco3.", "kh"),
    "C": (" degrees C", "If that is degrees F, write it such as 77F.", "temperature"),
    "MG_L": (" mg/L", "", None),
    "ML": (" mL", "", "fluid"),
    "L": (" L", "If that is not L, write it such as 15gal.", "volume"),
    "G": (" g", "If that is not g, write it such as 5oz.", "mass"),
    "GRAMS": (" g", "If that is not g, write it such as 20oz.", "mass"),
}


def number(
    help_text: str, metavar: str, low: float, high: float, *, if_low: str = "", kind: type[float] | type[int] = float
) -> Any:
    """Return an option that takes a number in a range; `if_low` says what to do with one below it."""
    unit, if_high, quantity = _UNITS.get(metavar, ("", "", None))

    def check(param: typer.CallbackParam, text: str | float | None) -> float | None:
        if text is None:
            return None
        name = param.opts[0]
        try:
            value = kind(text) if quantity is None else _typed(str(text), quantity)
            is_number = math.isfinite(value)
        except (ValueError, OverflowError):
            is_number = False
        if not is_number:
            has_comma, has_unit = "," in str(text) and kind is float, str(text)[:1].isdigit()
            hint = "Write decimals with a point, such as 4.5." if has_comma else if_high if has_unit else ""
            fail(f"{name} must be a {'whole ' if kind is int else ''}number, not {text}. {hint}".rstrip())
        if not low <= value <= high:
            to_do = if_low if value < low else if_high
            fail(f"{name} must be between {low:g} and {high:g}{unit}, not {value:g}. {to_do}".rstrip())
        return value

    # Left as text until the check, which tells the option and what was given for it.
    return typer.Option(help=help_text, metavar=metavar, callback=check, parser=str)


def _typed(text: str, quantity: chemistry.Quantity) -> float:
    """Return a number, with another unit of its quantity behind it or without."""
    try:
        return float(text)
    except ValueError:
        return chemistry.own_of_typed(quantity, text)


def output(help_text: str, metavar: str, *suffixes: str, **options: Any) -> Any:
    """Return an option that takes the name of a file to write, which must end as what is written."""

    def check(param: typer.CallbackParam, path: Path | None) -> Path | None:
        if path is not None and path.suffix.lower() not in suffixes:
            fail(f"{param.opts[0]} must end in {' or '.join(suffixes)}, not {path.name}.")
        return path

    return typer.Option(help=help_text, metavar=metavar, callback=check, **options)


def command(
    app: typer.Typer,
    name: str | None = None,
    *,
    short_help: str | None = None,
    below: Sequence[str] = (),
    **options: Any,
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Add a command whose docstring is its help: its examples, and what follows them, stand below the options."""

    def added(run: Callable[..., None]) -> Callable[..., None]:
        text, _, end = (getdoc(run) or "").partition("\n\nExamples\n--------\n")
        block, *paragraphs = end.split("\n\n")
        examples = [" ".join(example.split()) for example in re.split(r"\n(?=colorread )", block)]
        # \b keeps the lines of a paragraph as they are.
        shown = f"Example: {examples[0]}" if len(examples) == 1 else "\n  ".join(("\b\nExamples:", *examples))
        epilog = "\n\n".join((shown, *paragraphs, *below))
        return app.command(name, help=text, short_help=short_help, epilog=epilog, **options)(run)

    return added


def with_options(
    parameter: str, options: Mapping[str, tuple[Any, Any]], make: Callable[..., Any]
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command options (annotation and default) in place of a parameter, which takes what is made of them."""

    def with_them(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def run(**values: Any) -> None:
            command(**{parameter: make(**{name: values.pop(name) for name in options})}, **values)

        as_written = signature(command, eval_str=True)
        parameters: list[Parameter] = []
        for each in as_written.parameters.values():
            if each.name == parameter:
                parameters += [
                    each.replace(name=name, annotation=kind, default=usual) for name, (kind, usual) in options.items()
                ]
            else:
                parameters.append(each)
        # What the command line is made of.
        run.__signature__ = as_written.replace(parameters=parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {each.name: each.annotation for each in parameters}
        return run

    return with_them


def rectangle(option: str, text: str | None) -> tuple[float, float, float, float] | None:
    """Return left, top, width and height of a rectangle in a photo [px] from ``X,Y,W,H``, if it was given."""
    if text is None:
        return None
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        fail(f"{option} needs four numbers: left, top, width and height in pixels, such as 1200,800,300,300.")
    if not all(map(math.isfinite, (x, y, width, height))) or min(width, height) <= 0.0:
        fail(f"{option} needs width and height above zero, after left and top, such as 1200,800,300,300.")
    return x, y, width, height


def require_outputs(outputs: Sequence[Path], force: bool, **used: Path) -> None:
    """Fail where files to write are the same, are used as the log, say, or are there and may not be replaced."""
    for i, path in enumerate(outputs):
        for what, other in used.items():
            if _is_same(path, other):
                fail(f"{path} is the {what} itself; choose another file.")
        if any(_is_same(path, other) for other in outputs[:i]):
            fail(f"{path} is named twice; choose another file for one of them.")
        if path.exists() and not force:
            fail(f"{path} already exists. Choose another name, or add --force to replace it.")


def _is_same(path: Path, other: Path) -> bool:
    """Whether two names lead to one file, there or not; some file systems take letters of either case for the same."""
    return os.path.realpath(path) == os.path.realpath(other) or (
        path.exists() and other.exists() and path.samefile(other)
    )


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Fail with one sentence where a file cannot be written in a ``with`` block."""
    try:
        yield
    except OSError as error:
        fail(f"{path} could not be written: {error.strerror or error}.", EXIT_FAILED)


@contextmanager
def saying(*kinds: type[Exception], code: int = EXIT_USAGE) -> Iterator[None]:
    """Fail with what an error of some kinds says, one sentence, where a ``with`` block raises it."""
    try:
        yield
    except kinds as error:
        fail(str(error), code)


def fail(message: str, code: int = EXIT_USAGE) -> NoReturn:
    """Print one sentence on stderr and stop."""
    typer.echo(message, err=True)
    raise typer.Exit(code)


def trouble_of(error: OSError | MemoryError) -> str:
    """Return in a few words what the machine ran into, without a full stop."""
    return "memory ran out" if isinstance(error, MemoryError) else error.strerror or str(error)


def echo_json(lines: Iterable[object]) -> None:
    """Print records as JSON, one a line."""
    from colorread.records import json_line

    for line in lines:
        typer.echo(json_line(line))


def echo_lines(lines: Iterable[str]) -> None:
    """Print lines that are not to be wrapped, in signs that the terminal knows."""
    from colorread.cli.terminal import Terminal

    terminal = Terminal()
    for line in lines:
        terminal.print(line, soft_wrap=True)


def plural(count: int, noun: str) -> str:
    """Return a count with its noun."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def log_path(file: Path | None) -> Path:
    """Return where the log is: the file that the user named, else the usual one."""
    return log_room.default_log_path() if file is None else file


def log_command(words: str, file: Path | None) -> str:
    """Return a command to type that uses the same log."""
    return f"colorread {words}" if file is None else f"colorread {words} --log {shlex.quote(str(file))}"


@contextmanager
def open_log(file: Path | None, *, create: bool = False, tank: str | None = None) -> Iterator[log_room.Log]:
    """Open the log; what is wrong in it, or with what is asked of it in the block, ends the command with a sentence."""
    path = log_path(file)
    if not create and not path.exists():
        command = log_command(f"tank add {shlex.quote(tank or 'NAME')}", file)
        fail(f"No log at {path} yet. Create it with: {command}")
    with saying(log_room.LogError), saying(log_room.LogFailure, code=EXIT_FAILED), log_room.Log(path) as log:
        yield log


def tell_no_log(file: Path | None, what: str, command: str, *, quiet: bool) -> bool:
    """Say that nothing is kept yet where there is no usual log; one that was named is left to `open_log`."""
    if file is not None or (path := log_path(None)).exists():
        return False
    if not quiet:
        typer.echo(f"No {what} yet. Add some with: colorread {command} (log: {path})")
    return True


def tell_damages(damages: Sequence[log_room.Damage], file: Path | None) -> bool:
    """Say on stderr what of the log could not be read back, and what can be done; return whether there was any."""
    for damage in damages:
        name = shlex.quote(damage.tank)
        if damage.sha256 is None:
            what, cure = f"The tank {damage.tank} and its readings are", f"tank remove {name} --with-readings"
        else:
            what = f"The {f'reading of {damage.photo}' if damage.photo else 'note'} in {damage.tank} is"
            cure = f"log forget --tank {name} --{'photo' if damage.photo else 'note'} {damage.sha256[:12]}"
        typer.echo(f"{what} left out, for the log is damaged there: {damage.trouble}", err=True)
        typer.echo(f"Import an older export to mend it, or remove it with: {log_command(cure, file)}", err=True)
    return bool(damages)


def load_profile(file: Path, log: Path | None = None) -> calibration.Profile:
    """Read a profile or fail with one sentence."""
    try:
        return profiles.read_named(file, log_path(log))
    except ValueError as error:
        fail(str(error))
    except OSError as error:
        fail(f"{file} could not be opened: {error.strerror or error}.")


def prepare_profile(profile: Path | None, tank: tank_room.Tank, log: Path | None) -> Path | None:
    """Return the profile for all photos of a tank, if there is one; tell before the work what is wrong with it."""
    named = profile or (None if tank.profile is None else Path(tank.profile))
    if named is None:
        prepare_defaults(log)
    else:
        load_profile(named, log)
    return named


def prepare_defaults(log: Path | None) -> None:
    """Give a log the default profiles that it had before, and say on stderr which cannot be read."""
    path = log_path(log)
    try:
        profiles.take_over_defaults(path)
    except log_room.LogError as error:
        fail(str(error), EXIT_FAILED)
    except OSError as error:
        typer.echo(f"The default profiles could not be copied beside {path}: {error.strerror or error}.", err=True)
    for trouble in profiles.damaged_defaults(path):
        typer.echo(f"Skipped a default profile: {trouble}", err=True)
