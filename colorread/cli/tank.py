"""The commands that describe tanks."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Mapping
from enum import StrEnum
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from colorread.cli.log import LogFile, log_command, log_path, open_log, tell_no_log
from colorread.cli.options import NO_TANK_KH, LightClass, fail, number
from colorread.cli.profile import load_profile
from colorread.gas_care import SENSITIVE_ANIMALS, gas_cautions
from colorread.limits import (
    FISH_MARK_RANGE_MG_L,
    KH_RANGE_DKH,
    SENSITIVE_FISH_MARK_MG_L,
    SOURCE_AMOUNT_RANGE_G,
    TANK_VOLUME_RANGE_L,
    TEMPERATURE_RANGE_C,
    USUAL_FISH_MARK_MG_L,
    USUAL_KH_DKH,
    USUAL_PLANTS_RANGE_MG_L,
    USUAL_TEMPERATURE_C,
)

if TYPE_CHECKING:
    from colorread.tank.settings import Tank

app = typer.Typer(
    help="Describe your tanks; photos are read and judged with these settings.",
    epilog="""\b
Examples:
  colorread tank add window --volume 60 --kh 4 --temperature 25 --lights 10:00-18:00 --gas 08:00-18:00
  colorread tank edit window --source acid-bicarbonate --source-amount 100 --source-started 2025-06-01
  colorread tank edit window --clear gas
  colorread tank list""",
    no_args_is_help=True,
    rich_markup_mode=None,
)


class Source(StrEnum):
    """What makes the gas."""

    FERMENTATION = "fermentation"
    ACID_BICARBONATE = "acid-bicarbonate"
    CYLINDER = "cylinder"


class Setting(StrEnum):
    """Settings that can be cleared, named as their options."""

    VOLUME = "volume"
    KH = "kh"
    TANK_KH = "tank-kh"
    TEMPERATURE = "temperature"
    LIGHTS = "lights"
    GAS = "gas"
    SOURCE = "source"
    SOURCE_AMOUNT = "source-amount"
    SOURCE_STARTED = "source-started"
    SENSITIVE = "sensitive"
    PLANTS = "plants"
    FISH_MARK = "fish-mark"
    FLUID_RENEWED = "fluid-renewed"
    LIGHT = "light"
    PROFILE = "profile"


# Put below the examples.
_CAUTIONS = "\n\n".join(("", "Cautions:", *gas_cautions(None)))
# What a photo is read with; other settings change no reading.
_READ_WITH = ("kh_dkh", "temperature_c", "tank_kh_dkh", "light", "profile")

_Name = Annotated[str, typer.Argument(help="Name of the tank.", metavar="NAME")]
_Json = Annotated[bool, typer.Option("--json", help="Print one JSON object a line instead of text.")]
_HOURS, _DAY = "HH:MM-HH:MM", "YYYY-MM-DD"
_OPTIONS: Mapping[Setting, tuple[type, Any]] = {
    Setting.VOLUME: (float, number("Water in the tank in L.", "L", *TANK_VOLUME_RANGE_L)),
    Setting.KH: (
        float,
        number(f"KH of the fluid in the vial in dKH; {USUAL_KH_DKH:g} is assumed.", "DKH", *KH_RANGE_DKH),
    ),
    Setting.TANK_KH: (float, number("KH of the tank's own water in dKH.", "DKH", *KH_RANGE_DKH, if_low=NO_TANK_KH)),
    Setting.TEMPERATURE: (
        float,
        number(
            f"Temperature of the water in degrees C; {USUAL_TEMPERATURE_C:g} is assumed.", "C", *TEMPERATURE_RANGE_C
        ),
    ),
    Setting.LIGHTS: (str, typer.Option(help="When the lamp is on.", metavar=_HOURS)),
    Setting.GAS: (str, typer.Option(help="When the gas is on; that of a yeast bottle is 00:00-24:00.", metavar=_HOURS)),
    Setting.SOURCE: (Source, typer.Option(help="What makes the gas; another kind starts without amount and day.")),
    Setting.SOURCE_AMOUNT: (
        float,
        number("Sugar, citric acid or gas in the source at the start in g.", "GRAMS", *SOURCE_AMOUNT_RANGE_G),
    ),
    Setting.SOURCE_STARTED: (str, typer.Option(help="Day on which the source was charged.", metavar=_DAY)),
    Setting.SENSITIVE: (
        bool,
        typer.Option(
            "--sensitive/--not-sensitive",
            help=f"Whether animals live in it that bear little CO2, {SENSITIVE_ANIMALS}; lowers the fish mark to "
            f"{SENSITIVE_FISH_MARK_MG_L:g} mg/L.",
        ),
    ),
    Setting.PLANTS: (
        str,
        typer.Option(
            help="Range for the plants in mg/L; {:g}-{:g} at first.".format(*USUAL_PLANTS_RANGE_MG_L),
            metavar="LOW-HIGH",
        ),
    ),
    Setting.FISH_MARK: (
        float,
        number(
            f"What to stay below for the fish in mg/L; {USUAL_FISH_MARK_MG_L:g} at first.",
            "MG_L",
            *FISH_MARK_RANGE_MG_L,
        ),
    ),
    Setting.FLUID_RENEWED: (str, typer.Option(help="Day on which the fluid in the vial was renewed.", metavar=_DAY)),
    Setting.LIGHT: (LightClass, typer.Option(help="Lamp of the photos, if known.")),
    Setting.PROFILE: (Path, typer.Option(help="Calibration profile for its photos.", metavar="FILE")),
}


def _with_settings(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command an option for each setting in place of its parameter `given`, which takes those that are given."""
    options = {
        setting.value.replace("-", "_"): Annotated[kind | None, option] for setting, (kind, option) in _OPTIONS.items()
    }

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


@app.command(
    epilog="Example: colorread tank add window --volume 60 --kh 4 --temperature 25 --lights 10:00-18:00 "
    "--gas 08:00-18:00" + _CAUTIONS
)
@_with_settings
def add(name: _Name, given: Mapping[str, Any], log: LogFile = None) -> None:
    """Add a tank to the log."""
    from colorread.tank.settings import Tank

    try:
        bare = Tank(name=name)
    except ValueError as error:
        fail(str(error))
    tank = _change(bare, given)
    with open_log(log, create=True) as opened:
        opened.add_tank(tank)
    _warn_of_marks(tank)
    typer.echo(f"Added {name}. Read its photos with: {_batch_command(name, log)}")
    _tell_gas_of_yeast(tank)


@app.command(
    epilog="""\b
Examples:
  colorread tank edit window --kh 4.2 --fluid-renewed 2025-06-01
  colorread tank edit window --clear gas --clear source"""
    + _CAUTIONS
)
@_with_settings
def edit(
    name: _Name,
    given: Mapping[str, Any],
    clear: Annotated[
        list[Setting] | None,
        typer.Option(help="Option whose setting becomes that of a new tank, such as gas.", metavar="OPTION"),
    ] = None,
    log: LogFile = None,
) -> None:
    """Change what is given and nothing else."""
    cleared = {setting.value.replace("-", "_") for setting in clear or ()}
    both = sorted(cleared & set(given))
    if both:
        fail(f"Give --{both[0].replace('_', '-')} or clear it, not both.")
    if not given and not cleared:
        fail("Say what to change, such as --kh 4.2, or --clear gas.")
    with open_log(log, tank=name) as opened, opened.transaction():
        tank = opened.tank(name)
        changed = _change(tank, given, cleared)
        opened.put_tank(changed)
        n_kept = opened.count(name)
    _warn_of_marks(changed)
    typer.echo(f"Changed {name}." if changed != tank else f"{name} was like that already.")
    _tell_gas_of_yeast(changed)
    if n_kept and any(getattr(changed, field) != getattr(tank, field) for field in _READ_WITH):
        typer.echo(
            f"What is in the log ({n_kept}) was read with the settings before; {_batch_command(name, log)} reads "
            "photos of the present fluid again."
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
        typer.echo(f"There are no tanks yet; {log_command('tank add NAME', log)} adds one.")
    else:
        from rich.console import Console

        from colorread.cli.show_log import print_tanks

        print_tanks(Console(highlight=False), tanks, counts)
        typer.echo(f"They are kept in {log_path(log)}.")


@app.command(epilog="Example: colorread tank show window")
def show(name: _Name, as_json: _Json = False, log: LogFile = None) -> None:
    """Show all settings of a tank."""
    with open_log(log, tank=name) as opened:
        tank, n_readings = opened.tank(name), opened.count(name)
    if as_json:
        _echo_json(tank)
    else:
        from rich.console import Console

        from colorread.cli.show_log import print_tank

        print_tank(Console(highlight=False), tank, n_readings)


@app.command(
    short_help="Remove a tank, with its readings if wanted.",
    epilog="Example: colorread tank remove window --with-readings",
)
def remove(
    name: _Name,
    with_readings: Annotated[bool, typer.Option("--with-readings", help="Delete its readings too.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    log: LogFile = None,
) -> None:
    """Remove a tank from the log; your photos stay where they are, copies that the page kept go with it."""
    from colorread.log.forget import forget_tank

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


def _change(tank: Tank, options: Mapping[str, Any], cleared: Collection[str] = ()) -> Tank:
    """Return a tank with the options that were given, or fail with one sentence."""
    from colorread.tank.edit import changed_tank

    given = {name: value.value if isinstance(value, StrEnum) else value for name, value in options.items()}
    if "profile" in options:
        load_profile(options["profile"])
        given["profile"] = str(options["profile"].resolve())  # it is to be found from any folder
    try:
        return changed_tank(tank, given, cleared)
    except ValueError as error:
        fail(str(error))


def _warn_of_marks(tank: Tank) -> None:
    marks = tank.judged_by
    if marks.fish_mg_l <= marks.plants_low_mg_l:
        typer.echo(
            f"The fish mark ({marks.fish_mg_l:g} mg/L) is not above the range for the plants "
            f"({marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L): no CO2 suits both.",
            err=True,
        )


def _tell_gas_of_yeast(tank: Tank) -> None:
    if tank.gas != tank.gas_hours:
        typer.echo(
            f"As yeast never rests, its gas is taken to be on all day ({tank.gas_hours}); state --gas if it is not."
        )


def _echo_json(tank: Tank) -> None:
    import json

    from colorread.tank.settings_json import tank_to_dict

    settings = tank_to_dict(tank)
    judged_by = {name: getattr(tank.judged_by, name) for name in settings["marks"]}
    typer.echo(json.dumps({**settings, "judged_by": judged_by}, allow_nan=False))
