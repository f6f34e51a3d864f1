"""The commands that describe tanks."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Iterable, Mapping
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from colorread.cli.log import LogFile, log_command, log_path, open_log, tell_no_log
from colorread.cli.options import fail, number
from colorread.cli.profile import load_profile
from colorread.tank import SETTINGS, Setting
from colorread.words import NO_VALVE_ON_YEAST, gas_cautions

if TYPE_CHECKING:
    from colorread.tank import Tank

app = typer.Typer(
    help="Describe your tanks. Photos are read and judged with these settings.",
    epilog="""\b
Examples:
  colorread tank add window --volume 60 --kh 4 --temperature 25 --lights 10:00-18:00 --gas 08:00-18:00
  colorread tank edit window --source acid-bicarbonate --source-amount 100 --source-started 2025-06-01
  colorread tank edit window --source cylinder --source-amount 20oz --valve timer
  colorread tank edit window --clear gas
  colorread tank list

Other units may be typed behind a number: 15gal, 20oz, 77F, 71caco3.""",
    no_args_is_help=True,
    rich_markup_mode=None,
)


# Put below the examples.
_CAUTIONS = "\n\n".join(("", "Cautions:", *gas_cautions(None)))
# What a photo is read with; other settings change no reading.
_READ_WITH = ("kh_dkh", "temperature_c", "tank_kh_dkh", "light", "profile")

_Name = Annotated[str, typer.Argument(help="Name of the tank.", metavar="NAME")]
_Json = Annotated[bool, typer.Option("--json", help="Print one JSON object per line instead of text.")]
_METAVARS = {"span": "HH:MM-HH:MM", "day": "YYYY-MM-DD", "range": "LOW-HIGH", "file": "FILE"}
_ONE_OF: Any = Literal  # of texts that are known at run time


def with_settings(command: Callable[..., None], settings: Iterable[str] = SETTINGS) -> Callable[..., None]:
    """
    Give a command options for settings in place of its parameter ``given``, which takes those that are given.

    Parameters
    ----------
    command : callable
        Takes a mapping ``given``.
    settings : iterable of str, default all
        Which ones.

    Returns
    -------
    callable
        What the command line runs.
    """
    options = {name: _option(name, SETTINGS[name]) for name in settings}

    @wraps(command)
    def run(**values: Any) -> None:
        settings = {name: values.pop(name) for name in options}
        command(**values, given={name: value for name, value in settings.items() if value is not None})

    parameters: list[Parameter] = []
    for parameter in signature(command, eval_str=True).parameters.values():
        if parameter.name == "given":
            parameters += [
                parameter.replace(name=name, default=None, annotation=kind) for name, kind in options.items()
            ]
        else:
            parameters.append(parameter)
    # What the command line is made of.
    run.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return run


def _option(name: str, setting: Setting) -> Any:
    """Return the annotation of a parameter that takes a setting."""
    kind: Any = str
    option = typer.Option(help=setting.help, metavar=_METAVARS.get(setting.kind))
    if setting.kind == "number" and (measure := setting.measure):
        kind, option = float, number(setting.help, measure.metavar, *measure.limits, if_low=setting.if_low)
    elif setting.kind == "choice":
        kind = _ONE_OF[tuple(setting.choices)]
    elif setting.kind == "flag":
        kind, option = bool, typer.Option(f"--{name}/--not-{name}", help=setting.help)
    elif setting.kind == "file":
        kind = Path
    return Annotated[kind | None, option]


@app.command(
    epilog="Example: colorread tank add window --volume 60 --kh 4 --temperature 25 --lights 10:00-18:00 "
    "--gas 08:00-18:00" + _CAUTIONS
)
@with_settings
def add(name: _Name, given: Mapping[str, Any], log: LogFile = None) -> None:
    """Add a tank to the log."""
    from colorread.tank import Tank

    try:
        bare = Tank(name=name)
    except ValueError as error:
        fail(str(error))
    tank = change(bare, given)
    with open_log(log, create=True) as opened:
        opened.add_tank(tank)
    _warn_of_limits(tank)
    typer.echo(f"Added {name}. Read its photos with: {_batch_command(name, log)}")
    if tank.source is not None and tank.volume_l is not None:
        typer.echo(f"Plan its gas and its first days with: {log_command(f'gas --tank {shlex.quote(name)}', log)}")
    _mention_hardware(tank)


@app.command(
    epilog="""\b
Examples:
  colorread tank edit window --kh 4.2 --fluid-renewed 2025-06-01
  colorread tank edit window --clear gas --clear source"""
    + _CAUTIONS
)
@with_settings
def edit(
    name: _Name,
    given: Mapping[str, Any],
    clear: Annotated[
        list[str] | None,
        typer.Option(help="Option to reset to its default, such as gas.", metavar="OPTION"),
    ] = None,
    log: LogFile = None,
) -> None:
    """Change the options you give; all others stay."""
    cleared = {option.replace("-", "_") for option in clear or ()}
    if unknown := sorted(cleared - SETTINGS.keys()):
        fail(f"--clear needs the name of an option, such as gas, not {unknown[0]}.")
    both = sorted(cleared & set(given))
    if both:
        fail(f"Use either --{both[0].replace('_', '-')} or --clear, not both.")
    if not given and not cleared:
        fail("Nothing to change: add an option such as --kh 4.2 or --clear gas.")
    with open_log(log, tank=name) as opened, opened.transaction():
        tank = opened.tank(name)
        changed = change(tank, given, cleared)
        opened.put_tank(changed)
        n_kept = opened.count(name)
    _warn_of_limits(changed)
    typer.echo(f"Changed {name}." if changed != tank else f"{name} already has these settings.")
    _mention_hardware(changed)
    if n_kept and any(getattr(changed, field) != getattr(tank, field) for field in _READ_WITH):
        typer.echo(
            f"Readings in the log ({n_kept}) keep their old settings. To read photos of the current fluid again: "
            f"{_batch_command(name, log)}"
        )


@app.command("list", epilog="Example: colorread tank list --json")
def list_(as_json: _Json = False, log: LogFile = None) -> None:
    """List all tanks."""
    if tell_no_log(log, "tanks", "tank add NAME", quiet=as_json):
        return
    with open_log(log) as opened:
        tanks = opened.tanks()
        counts = {tank.name: opened.count(tank.name) for tank in tanks}
    if as_json:
        for tank in tanks:
            _echo_json(tank)
    elif not tanks:
        typer.echo(f"No tanks yet. Add one with: {log_command('tank add NAME', log)}")
    else:
        from rich.console import Console

        from colorread.cli.show_log import print_tanks

        print_tanks(Console(highlight=False), tanks, counts)
        typer.echo(f"Log: {log_path(log)}")


@app.command(epilog="Example: colorread tank show window")
def show(name: _Name, as_json: _Json = False, log: LogFile = None) -> None:
    """Show all settings of a tank."""
    with open_log(log, tank=name) as opened:
        tank, n_readings, events = opened.tank(name), opened.count(name), opened.events(name).values()
    if as_json:
        _echo_json(tank)
    else:
        from rich.console import Console

        from colorread.cli.show_log import print_tank
        from colorread.tank import tank_after

        print_tank(Console(highlight=False), tank_after(tank, events), n_readings)


@app.command(
    short_help="Remove a tank.",
    epilog="Example: colorread tank remove window --with-readings",
)
def remove(
    name: _Name,
    with_readings: Annotated[bool, typer.Option("--with-readings", help="Delete its readings too.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    log: LogFile = None,
) -> None:
    """Remove a tank from the log. Your photos stay; copies the page saved are deleted."""
    from colorread.log import forget_tank

    with open_log(log, tank=name) as opened:
        opened.require_tank(name)
        n_readings = opened.count(name)
        if n_readings and not with_readings:
            fail(f"{name} has readings in the log ({n_readings}); add --with-readings to delete them too.")
        if n_readings and not yes and not typer.confirm(f"Remove {name} and its readings ({n_readings})?"):
            typer.echo("Nothing was removed.")
            return
        forget_tank(opened, name, with_readings=bool(n_readings))
    typer.echo(f"Removed {name}." if not n_readings else f"Removed {name} and its readings ({n_readings}).")


def _batch_command(name: str, log: Path | None) -> str:
    return log_command(f"batch FOLDER --tank {shlex.quote(name)}", log)


def change(tank: Tank, options: Mapping[str, Any], cleared: Collection[str] = ()) -> Tank:
    """
    Return a tank with the options that were given, or fail with one sentence.

    Parameters
    ----------
    tank : Tank
        As it was.
    options : mapping of str to object
        What `with_settings` gave.
    cleared : collection of str
        Settings that become what they are in a new tank.

    Returns
    -------
    Tank
        As it is to be.
    """
    from colorread.tank import changed_tank

    given = dict(options)
    if "profile" in options:
        load_profile(options["profile"])
        given["profile"] = str(options["profile"].resolve())  # it is to be found from any folder
    try:
        return changed_tank(tank, given, cleared)
    except ValueError as error:
        fail(str(error))


def _warn_of_limits(tank: Tank) -> None:
    marks = tank.judged_by
    if marks.fish_mg_l <= marks.plants_low_mg_l:
        typer.echo(
            f"The fish limit ({marks.fish_mg_l:g} mg/L) is not above the plants' range "
            f"({marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L): no CO2 level suits both.",
            err=True,
        )


def _mention_hardware(tank: Tank) -> None:
    if tank.source_kind == "fermentation":
        typer.echo(f"{NO_VALVE_ON_YEAST} Its gas is on all day.")
    elif tank.source_kind is not None and tank.valve is None:
        typer.echo(
            "Which valve sets the gas? Advice then keeps to it: "
            f"colorread tank edit {shlex.quote(tank.name)} --valve none|needle|timer"
        )


def _echo_json(tank: Tank) -> None:
    from colorread.records import json_line, plain

    typer.echo(json_line({**plain(tank), "judged_by": tank.judged_by}))
