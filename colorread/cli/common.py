"""What the commands share: options that check what is typed, the log and profiles they open, and how they fail."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from functools import wraps
from inspect import getdoc, signature
from itertools import chain
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperCommand

import calibration

# A room loads its modules when one of its names is first used.
from colorread import chemistry, log as log_room, profiles, tank as tank_room, words

EXIT_FAILED, EXIT_USAGE, EXIT_REFUSED = 1, 2, 3

LogFile = Annotated[
    Path | None,
    typer.Option("--log", help="Log file; default: COLORREAD_LOG, or a file in your data folder.", metavar="FILE"),
]
TankName = Annotated[
    str | None, typer.Option("--tank", help="Tank in the log: uses its settings and readings.", metavar="NAME")
]
ProfileFile = Annotated[
    Path | None,
    typer.Option("--profile", help="Calibration profile; default: the tank's, or else the phone's.", metavar="FILE"),
]
JsonObject = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
JsonPerPhoto = Annotated[bool, typer.Option("--json", help="Print one JSON object per photo instead of text.")]
JsonPerLine = Annotated[bool, typer.Option("--json", help="Print one JSON object per line instead of text.")]
Force = Annotated[bool, typer.Option("--force", help="Replace existing files.")]
Yes = Annotated[bool, typer.Option("--yes", help="Do not ask for confirmation.")]

# By metavar: the unit, a hint for a number that is too high or has an unknown unit, and the quantity if its other
# units are accepted too.
_UNITS: Mapping[str, tuple[str, str, chemistry.Quantity | None]] = {
    "DKH": (" dKH", "If that is ppm (mg/L CaCO3), write it like 71caco3.", "kh"),
    "C": (" degrees C", "If that is degrees F, write it like 77F.", "temperature"),
    "MG_L": (" mg/L", "", None),
    "ML": (" mL", "If that is not mL, write it like 34floz.", "fluid"),
    "L": (" L", "If that is not L, write it like 15gal.", "volume"),
    "G": (" g", "If that is not g, write it like 0.1oz.", "mass"),
    "GRAMS": (" g", "If that is not g, write it like 20oz.", "mass"),
}


def number(
    help_text: str, metavar: str, low: float, high: float, *, if_low: str = "", kind: type[float] | type[int] = float
) -> Any:
    """Return an option for a number in a range; `if_low` is a hint for numbers below it."""
    unit, if_high, quantity = _UNITS.get(metavar, ("", "", None))

    def parsed(text: str) -> float:
        with suppress(ValueError):
            return kind(text)
        with suppress(ValueError):
            if quantity is not None:
                return chemistry.parse_quantity(quantity, text)
        return math.nan

    def check(param: typer.CallbackParam, text: str | None) -> float | None:
        if text is None:
            return None
        name, value = param.opts[0], parsed(text)
        if not -math.inf < value < math.inf:
            has_comma, has_unit = "," in text and kind is float, text[:1].isdigit()
            hint = "Write decimals with a point, such as 4.5." if has_comma else if_high if has_unit else ""
            fail(f"{name} must be a {'whole ' if kind is int else ''}number, not {text}. {hint}".rstrip())
        if not low <= value <= high:
            hint = if_low if value < low else if_high
            fail(f"{name} must be between {low:g} and {high:g}{unit}, not {value:g}. {hint}".rstrip())
        return value

    # Stays text until `check`, whose message names the option and what was typed.
    return typer.Option(help=help_text, metavar=metavar, callback=check, parser=str)


def output(help_text: str, metavar: str, *suffixes: str) -> Any:
    """Return an option for an output file, which must have one of the suffixes."""

    def check(param: typer.CallbackParam, path: Path | None) -> Path | None:
        if path is not None and path.suffix.lower() not in suffixes:
            known = " or ".join(filter(None, (", ".join(suffixes[:-1]), suffixes[-1])))
            fail(f"{param.opts[0]} must end in {known}, not {path.name}.")
        return path

    return typer.Option(help=help_text, metavar=metavar, callback=check)


class Command(TyperCommand):
    """A command whose help names its argument as a keeper types it, without markup such as ``{PHOTO} <list[Path]>``."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return the parts of the usage line."""
        return [re.sub(r"[{}]", "", piece) for piece in super().collect_usage_pieces(ctx)]

    def get_help(self, ctx: Any) -> str:
        """Return the help."""
        return re.sub(r"(?m)^(  \[?[A-Z]+\]?) <\S+>", r"\1", super().get_help(ctx))


def command(
    app: typer.Typer,
    name: str | None = None,
    *,
    short_help: str | None = None,
    below: Sequence[str] = (),
    cls: type[Command] = Command,
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Add a command whose docstring is its help; `below` is shown at its end."""

    def added(run: Callable[..., None]) -> Callable[..., None]:
        return app.command(name, cls=cls, short_help=short_help, **_help_of(run, below))(run)

    return added


def group(*, below: Sequence[str] = (), **options: Any) -> Callable[[Callable[..., None]], typer.Typer]:
    """Make a group of commands from a function that does nothing, whose docstring is its help."""

    def made(run: Callable[..., None]) -> typer.Typer:
        texts = _help_of(run, below)
        return typer.Typer(callback=run, no_args_is_help=True, rich_markup_mode=None, **texts, **options)

    return made


def _help_of(run: Callable[..., None], below: Sequence[str]) -> dict[str, Any]:
    """Return the help in a docstring; examples, and anything after them, are shown below the options."""
    text, _, end = (getdoc(run) or "").partition("\n\nExamples\n--------\n")
    block, *paragraphs = end.split("\n\n")
    examples = [" ".join(example.split()) for example in re.split(r"\n(?=colorread )", block)]
    # \b keeps the lines of a paragraph as they are.
    shown = f"Example: {examples[0]}" if len(examples) == 1 else "\n  ".join(("\b\nExamples:", *examples))
    return {"help": text, "epilog": "\n\n".join((shown, *paragraphs, *below)) if end else ""}


def with_options(
    parameter: str, options: Mapping[str, tuple[Any, Any]], make: Callable[..., Any]
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Replace a parameter of a command with options (annotation and default); it gets what `make` returns for them."""

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def run(**values: Any) -> None:
            command(**{parameter: make(**{name: values.pop(name) for name in options})}, **values)

        declared = signature(command, eval_str=True)
        replaced = declared.parameters[parameter]
        added = [replaced.replace(name=name, annotation=kind, default=usual) for name, (kind, usual) in options.items()]
        parts = ([each] if each is not replaced else added for each in declared.parameters.values())
        parameters = list(chain.from_iterable(parts))
        # Typer builds the command line from these two.
        run.__signature__ = declared.replace(parameters=parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {each.name: each.annotation for each in parameters}
        return run

    return decorate


def rectangle(option: str, text: str | None) -> tuple[float, float, float, float] | None:
    """Return left, top, width and height of a rectangle [px] from ``X,Y,W,H``, if given."""
    if text is None:
        return None
    with suppress(ValueError):
        x, y, width, height = map(float, text.split(","))
        if all(map(math.isfinite, (x, y, width, height))) and min(width, height) > 0.0:
            return x, y, width, height
    fail(f"{option} needs left, top, width and height in pixels, such as 1200,800,300,300.")


def require_outputs(outputs: Sequence[Path], force: bool, **used: Path) -> None:
    """Exit before any work if an output file has no folder, is named twice or in use, or may not be replaced."""
    for i, path in enumerate(outputs):
        if path.is_dir() or not path.absolute().parent.is_dir():
            fail(f"{path} cannot be written; name a file in an existing folder.")
        for what, other in used.items():
            if _is_same(path, other):
                fail(f"{path} is the {what} itself; choose another file.")
        if any(_is_same(path, other) for other in outputs[:i]):
            fail(f"{path} is named twice; choose another file for one of them.")
        if path.exists() and not force:
            fail(f"{path} already exists. Choose another name, or add --force to replace it.")


def _is_same(path: Path, other: Path) -> bool:
    """Return whether two paths name the same file, existing or not; some file systems ignore case."""
    return os.path.realpath(path) == os.path.realpath(other) or (
        path.exists() and other.exists() and path.samefile(other)
    )


@contextmanager
def exit_on(*kinds: type[Exception], what: str = "", code: int = EXIT_USAGE) -> Iterator[None]:
    """
    Turn an error raised in a ``with`` block into one sentence and an exit code.

    The sentence is the error's own message or, if `what` says what failed, `what` and the cause.
    """
    try:
        yield
    except kinds as error:
        fail(f"{what}: {cause_of(error)}." if what else str(error), code)


def writing(path: Path) -> AbstractContextManager[None]:
    """Exit with one sentence if a file cannot be written in a ``with`` block."""
    return exit_on(OSError, what=f"{path} could not be written", code=EXIT_FAILED)


def write(path: Path, data: bytes) -> None:
    """Write a file, whole or not at all, or exit with one sentence."""
    with writing(path):
        calibration.write_atomic(path, data)


def fail(message: str, code: int = EXIT_USAGE) -> NoReturn:
    """Print one sentence on stderr and exit."""
    typer.echo(message, err=True)
    raise typer.Exit(code)


def cause_of(error: Exception) -> str:
    """Return the cause of an error in a few words, without a period."""
    if isinstance(error, MemoryError):
        return "memory ran out"
    return str(getattr(error, "strerror", None) or error).rstrip(".")


def echo_json(lines: Iterable[object]) -> None:
    """Print records as JSON, one per line."""
    from colorread.records import json_line

    for line in lines:
        typer.echo(json_line(line))


def log_path(file: Path | None) -> Path:
    """Return the log file: the one given, or else the default."""
    return log_room.default_log_path() if file is None else file


def log_command(command: str, file: Path | None) -> str:
    """Return a command line that uses the same log."""
    return f"colorread {command}" if file is None else f"colorread {command} --log {words.as_typed(str(file))}"


@contextmanager
def open_log(file: Path | None, *, create: bool = False, tank: str | None = None) -> Iterator[log_room.Log]:
    """Open the log in a ``with`` block; exit with one sentence if the log or a request to it fails."""
    path = log_path(file)
    if not create and not path.exists():
        command = log_command(f"tank add {words.as_typed(tank or 'NAME')}", file)
        fail(f"No log at {path} yet. Create it with: {command}")
    with exit_on(log_room.LogError), exit_on(log_room.LogFailure, code=EXIT_FAILED), log_room.Log(path) as log:
        yield log


def exit_without_log(file: Path | None, what: str, command: str, *, quiet: bool) -> None:
    """Exit if the default log is missing, and say so; `open_log` handles a named one that is missing."""
    if file is None and not (path := log_path(None)).exists():
        if not quiet:
            typer.echo(f"No {what} yet. Add some with: colorread {command} (log: {path})")
        raise typer.Exit


def warn_of_damage(damages: Sequence[log_room.Damage], file: Path | None) -> bool:
    """List on stderr what is damaged in the log and what to do about it; return whether anything is."""
    for damage in damages:
        name = words.as_typed(damage.tank)
        if damage.sha256 is None:
            what, cure = f"The tank {damage.tank} and its readings are", f"tank remove {name} --with-readings"
        else:
            what = f"The {f'reading of {damage.photo}' if damage.photo else 'note'} in {damage.tank} is"
            cure = f"log forget --tank {name} --{'photo' if damage.photo else 'note'} {damage.sha256[:12]}"
        typer.echo(f"{what} left out because the log is damaged there: {damage.trouble}", err=True)
        typer.echo(f"Import an older export to restore it, or remove it with: {log_command(cure, file)}", err=True)
    return bool(damages)


def load_profile(file: Path, log: Path | None = None) -> calibration.Profile:
    """Read a profile, or exit with one sentence."""
    with exit_on(ValueError), exit_on(OSError, what=f"{file} could not be opened"):
        return profiles.read_named(file, log_path(log))


def prepare_profile(profile: Path | None, tank: tank_room.Tank, log: Path | None) -> Path | None:
    """Return the profile for all photos of a tank, if any; exit if it cannot be read."""
    path = profile or (None if tank.profile is None else Path(tank.profile))
    if path is None:
        prepare_defaults(log)
    else:
        load_profile(path, log)
    return path


def prepare_defaults(log: Path | None) -> None:
    """Give a log from an earlier version its own default profiles, and name on stderr those that cannot be read."""
    path = log_path(log)
    try:
        with exit_on(log_room.LogFailure, code=EXIT_FAILED):
            profiles.migrate_defaults(path)
    except OSError as error:
        typer.echo(f"The default profiles could not be copied beside {path}: {cause_of(error)}.", err=True)
    for trouble in profiles.read_defaults(path)[1]:
        typer.echo(f"Skipped a default profile: {trouble}", err=True)
