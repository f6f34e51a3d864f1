"""The command that shows a calibration profile, and what other commands need to open one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from colorread.cli.log import LogFile, log_path
from colorread.cli.options import EXIT_FAILED, echo_lines, fail, require_outputs, writing

if TYPE_CHECKING:
    from calibration import Profile


def profile(
    file: Annotated[Path, typer.Argument(help="Profile to show.", metavar="FILE")],
    picture: Annotated[
        Path | None, typer.Option(help="Write a picture of the calibration.", metavar="FILE.png")
    ] = None,
    default: Annotated[
        bool | None,
        typer.Option("--default/--no-default", help="Use it for all photos from its phone, or stop doing so."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing picture.")] = False,
    log: LogFile = None,
) -> None:
    """Show a calibration profile, or make it the default for its phone."""
    from colorread.profiles import profile_lines

    found = load_profile(file, log)
    if picture is not None:
        require_outputs([picture], force, {"profile": file})
    if default is not None:
        _set_default(file, default, log)
    else:
        echo_lines(profile_lines(found))
    if picture is not None:
        from colorread.profiles import write_profile_picture

        try:
            with writing(picture):
                write_profile_picture(found, picture)
        except ValueError as error:
            fail(str(error))
        typer.echo(f"Wrote {picture}.")


def _set_default(file: Path, default: bool, log: Path | None) -> None:
    from colorread.profiles import drop_default, make_default

    prepare_defaults(log)
    try:
        if default:
            phones = ", ".join(make_default(file, log_path(log)))
            where = "" if log is None else f" with the log {log}"
            typer.echo(f"Photos from {phones} now use a copy of {file}{where}.")
        elif drop_default(file, log_path(log)):
            typer.echo("That phone no longer has a default profile.")
        else:
            typer.echo("That phone has no default profile.")
    except ValueError as error:
        fail(str(error))
    except OSError as error:
        fail(f"The default could not be changed: {error.strerror or error}.", EXIT_FAILED)


def load_profile(file: Path, log: Path | None = None) -> Profile:
    """
    Read a profile or fail with one sentence.

    Parameters
    ----------
    file : Path
        As the user named it.
    log : Path, optional
        The log as the user named it.

    Returns
    -------
    Profile
        As written.
    """
    from colorread.profiles import read_named

    try:
        return read_named(file, log_path(log))
    except ValueError as error:
        fail(str(error))
    except OSError as error:
        fail(f"{file} could not be opened: {error.strerror or error}.")


def prepare_defaults(log: Path | None) -> None:
    """
    Give a log the default profiles that it had before, and say on stderr which cannot be read and are passed over.

    Parameters
    ----------
    log : Path or None
        The log as the user named it.
    """
    from colorread.log import LogError
    from colorread.profiles import damaged_defaults, has_defaults, take_over_defaults

    path = log_path(log)
    try:
        take_over_defaults(path)
    except LogError as error:
        fail(str(error), EXIT_FAILED)
    except OSError as error:
        typer.echo(f"The default profiles could not be copied beside {path}: {error.strerror or error}.", err=True)
    if has_defaults(path):
        for trouble in damaged_defaults(path):
            typer.echo(f"Skipped a default profile: {trouble}", err=True)
