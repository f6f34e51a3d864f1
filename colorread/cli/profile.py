"""The command that shows a calibration profile, and what other commands need to open one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from colorread.cli.options import EXIT_FAILED, echo_lines, fail, require_outputs, writing

if TYPE_CHECKING:
    from calibration.profile import Profile


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
) -> None:
    """Show a calibration profile, or make it the default for its phone."""
    from colorread.profile.words import profile_lines

    found = load_profile(file)
    if picture is not None:
        require_outputs([picture], force, {"profile": file})
    if default is not None:
        _set_default(file, default)
    else:
        echo_lines(profile_lines(found))
    if picture is not None:
        from colorread.profile.picture import write_profile_picture

        try:
            with writing(picture):
                write_profile_picture(found, picture)
        except ValueError as error:
            fail(str(error))
        typer.echo(f"Wrote {picture}.")


def _set_default(file: Path, default: bool) -> None:
    from colorread.profile.defaults import drop_default, make_default

    try:
        if default:
            phones = ", ".join(make_default(file))
            typer.echo(f"Photos from {phones} now use a copy of {file}.")
        elif drop_default(file):
            typer.echo("That phone no longer has a default profile.")
        else:
            typer.echo("That phone has no default profile.")
        tell_damaged_defaults()
    except ValueError as error:
        fail(str(error))
    except OSError as error:
        fail(f"The default could not be changed: {error.strerror or error}.", EXIT_FAILED)


def load_profile(file: Path) -> Profile:
    """
    Read a profile or fail with one sentence.

    Parameters
    ----------
    file : Path
        As the user named it.

    Returns
    -------
    Profile
        As written.
    """
    from colorread.profile.defaults import read_named

    try:
        return read_named(file)
    except ValueError as error:
        fail(str(error))
    except OSError as error:
        fail(f"{file} could not be opened: {error.strerror or error}.")


def tell_damaged_defaults() -> None:
    """Say on stderr which default profiles cannot be read; they are passed over."""
    from colorread.profile.defaults import damaged_defaults, has_defaults

    if has_defaults():
        for trouble in damaged_defaults():
            typer.echo(f"Skipped a default profile: {trouble}", err=True)
