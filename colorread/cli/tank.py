"""The commands that describe tanks, and the one that plans their gas."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from colorread import limits, log as log_room, tank as tank_room, words
from colorread.cli import common, screen

CAUTIONS = ("Cautions:", *words.gas_cautions(None))
# The settings that a reading depends on.
_READ_WITH = ("kh_dkh", "temperature_c", "tank_kh_dkh", "light", "profile")
_METAVARS = {"span": "HH:MM-HH:MM", "day": "YYYY-MM-DD", "range": "LOW-HIGH", "file": "FILE"}
_ONE_OF: Any = Literal  # accepts strings known only at run time

_Name = Annotated[str, typer.Argument(help="Name of the tank.", metavar="NAME")]


@common.group()
def app() -> None:
    """
    Describe your tanks. Photos are read and judged with these settings.

    Examples
    --------
    colorread tank add window --volume 60 --kh 4 --temperature 25 --lights 10:00-18:00 --gas 08:00-18:00
    colorread tank edit window --source acid-bicarbonate --source-amount 100 --source-started 2025-06-01
    colorread tank edit window --source cylinder --source-amount 20oz --valve timer
    colorread tank edit window --clear gas
    colorread tank list

    Other units may follow a number: 15gal, 20oz, 77F, 71caco3.
    """


def with_settings(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Replace a command's parameter ``given`` with options for settings; it gets those that are used, by name."""

    def given(**typed: Any) -> dict[str, Any]:
        return {name: value for name, value in typed.items() if value is not None}

    return common.with_options("given", {name: (_option(name), None) for name in names}, given)


def _option(name: str) -> Any:
    """Return the annotation of a parameter for a setting."""
    setting = tank_room.SETTINGS[name]
    kind: Any = str
    option = typer.Option(help=setting.help, metavar=_METAVARS.get(setting.kind))
    if setting.kind == "number" and (measure := setting.measure):
        kind, option = float, common.number(setting.help, measure.metavar, *measure.limits, if_low=setting.if_low)
    elif setting.kind == "choice":
        kind = _ONE_OF[tuple(setting.choices)]
    elif setting.kind == "flag":
        kind, option = bool, typer.Option(f"--{name}/--not-{name}", help=setting.help)
    elif setting.kind == "file":
        kind = Path
    return Annotated[kind | None, option]


@common.command(app, below=CAUTIONS)
@with_settings(*tank_room.SETTINGS)
def add(name: _Name, given: Mapping[str, Any], log: common.LogFile = None) -> None:
    """
    Add a tank to the log.

    Examples
    --------
    colorread tank add window --volume 60 --kh 4 --temperature 25 --lights 10:00-18:00 --gas 08:00-18:00
    """
    with common.exit_on(ValueError):
        tank = _changed(tank_room.Tank(name=name), given)
    with common.open_log(log, create=True) as opened:
        opened.add_tank(tank)
    _warn_of_limits(tank)
    typer.echo(f"Added {name}. Read its photos with: {_batch_command(name, log)}")
    if tank.source is not None and tank.volume_l is not None:
        typer.echo(
            f"Plan its gas and its first days with: {common.log_command(f'gas --tank {words.as_typed(name)}', log)}"
        )
    _mention_hardware(tank)


@common.command(app, below=CAUTIONS)
@with_settings(*tank_room.SETTINGS)
def edit(
    name: _Name,
    given: Mapping[str, Any],
    clear: Annotated[
        list[str] | None, typer.Option(help="Option to reset to its default, such as gas.", metavar="OPTION")
    ] = None,
    log: common.LogFile = None,
) -> None:
    """
    Change the options you give; all others stay.

    Examples
    --------
    colorread tank edit window --kh 4.2 --fluid-renewed 2025-06-01
    colorread tank edit window --clear gas --clear source
    """
    cleared = {option.replace("-", "_") for option in clear or ()}
    if unknown := sorted(cleared - tank_room.SETTINGS.keys()):
        common.fail(f"--clear needs the name of an option, such as gas, not {unknown[0]}.")
    if both := sorted(cleared & given.keys()):
        common.fail(f"Use either --{both[0].replace('_', '-')} or --clear, not both.")
    if not given and not cleared:
        common.fail("Nothing to change: add an option such as --kh 4.2 or --clear gas.")
    with common.open_log(log, tank=name) as opened, opened.transaction():
        tank = opened.tank(name)
        changed = _changed(tank, given, cleared)
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


@common.command(app, "list")
def list_(as_json: common.JsonPerLine = False, log: common.LogFile = None) -> None:
    """
    List all tanks.

    Examples
    --------
    colorread tank list --json
    """
    common.exit_without_log(log, "tanks", "tank add NAME", quiet=as_json)
    with common.open_log(log) as opened:
        tanks = opened.tanks()
        counts = {tank.name: opened.count(tank.name) for tank in tanks}
    if as_json:
        common.echo_json(map(_record, tanks))
    elif not tanks:
        typer.echo(f"No tanks yet. Add one with: {common.log_command('tank add NAME', log)}")
    else:
        screen.print_tanks(screen.Terminal(), tanks, counts)
        typer.echo(f"Log: {common.log_path(log)}")


@common.command(app)
def show(name: _Name, as_json: common.JsonPerLine = False, log: common.LogFile = None) -> None:
    """
    Show all settings of a tank.

    Examples
    --------
    colorread tank show window
    """
    with common.open_log(log, tank=name) as opened:
        tank, n_readings, events = opened.tank(name), opened.count(name), opened.events(name).values()
    if as_json:
        common.echo_json([_record(tank)])
    else:
        screen.print_tank(screen.Terminal(), tank_room.updated_tank(tank, events), n_readings)


@common.command(app, short_help="Remove a tank.")
def remove(
    name: _Name,
    with_readings: Annotated[bool, typer.Option("--with-readings", help="Delete its readings and notes too.")] = False,
    yes: common.Yes = False,
    log: common.LogFile = None,
) -> None:
    """
    Remove a tank from the log. Your photos stay; copies saved by the page are deleted.

    Examples
    --------
    colorread tank remove window --with-readings
    """
    with common.open_log(log, tank=name) as opened:
        opened.require_tank(name)
        held = opened.held_words(name)
        if held and not with_readings:
            common.fail(f"{name} has {held} in the log; add --with-readings to delete them too.")
        if held and not yes and not typer.confirm(f"Remove {name} with {held}?"):
            typer.echo("Nothing was removed.")
            return
        log_room.forget_tank(opened, name, with_readings=with_readings)
    typer.echo(f"Removed {name} with {held}." if held else f"Removed {name}.")


@with_settings("volume", "lights", "gas", "source", "source_amount", "valve", "sensitive", "plants", "fish_limit")
def gas(
    given: Mapping[str, Any],
    tank: common.TankName = None,
    target: Annotated[
        float | None,
        common.number(
            "Daily peak to aim at, in mg/L; default within the plants' range.",
            "MG_L",
            *limits.TARGET_RANGE_MG_L,
        ),
    ] = None,
    days: Annotated[float | None, common.number("How many days the gas should last.", "DAYS", 1.0, 365.0)] = None,
    as_json: common.JsonObject = False,
    log: common.LogFile = None,
) -> None:
    """
    Show what to mix or fill for a tank, how to dose it, how much CO2 to expect, and how long it lasts.

    Options change the tank for this plan only.

    Examples
    --------
    colorread gas --tank window --days 14
    colorread gas --volume 60 --lights 10:00-18:00 --source fermentation
    colorread gas --volume 15gal --lights 10:00-18:00 --source acid-bicarbonate --valve needle --days 10
    colorread gas --volume 120 --lights 10:00-19:00 --source cylinder --valve timer --source-amount 500 --target 20
    """
    logged, readings, events = tank_room.Tank(name="tank"), [], []
    if tank is not None:
        with common.open_log(log, tank=tank) as opened:
            logged, readings = opened.tank(tank), [entry.reading for entry in opened.entries(tank)]
            events = list(opened.events(tank).values())
    planned = _changed(logged, given)
    if "source_amount" in given and planned.source_kind != "cylinder":
        common.fail("--source-amount is for a cylinder here; the plan itself says how much sugar or acid to mix.")
    volume = "" if planned.volume_l else "--volume 60 (or 15gal)"
    source = "" if planned.source else "--source fermentation (or acid-bicarbonate, cylinder)"
    if missing := " and ".join(filter(None, (volume, source))):
        common.fail(f"A plan needs the tank's volume and gas source; add {missing}.")
    with common.exit_on(ValueError):
        plan = tank_room.plan_gas(planned, readings, events, logged=logged, days=days, target_mg_l=target)
    if as_json:
        common.echo_json([tank_room.plan_to_dict(plan)])
    else:
        screen.print_plan(screen.Terminal(), plan)


def _changed(tank: tank_room.Tank, given: Mapping[str, Any], cleared: Collection[str] = ()) -> tank_room.Tank:
    """Return a tank with the settings given, or exit with one sentence."""
    if "profile" in given:
        common.load_profile(given["profile"])
        given = {**given, "profile": str(given["profile"].resolve())}  # so that it is found from any folder
    with common.exit_on(ValueError):
        return tank_room.changed_tank(tank, given, cleared)


def _record(tank: tank_room.Tank) -> dict[str, Any]:
    from colorread.records import plain

    return {**plain(tank), "judged_by": tank.judged_by}


def _batch_command(name: str, log: Path | None) -> str:
    return common.log_command(f"batch FOLDER --tank {words.as_typed(name)}", log)


def _warn_of_limits(tank: tank_room.Tank) -> None:
    marks = tank.judged_by
    if marks.fish_mg_l <= marks.plants_low_mg_l:
        typer.echo(
            f"The fish limit ({marks.fish_mg_l:g} mg/L) is not above the plants' range "
            f"({marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L): no CO2 level suits both.",
            err=True,
        )


def _mention_hardware(tank: tank_room.Tank) -> None:
    if tank.source_kind == "fermentation":
        typer.echo(f"{words.NO_VALVE_ON_YEAST} Its gas is on all day.")
    elif tank.source_kind is not None and tank.valve is None:
        typer.echo(
            "Which gas valve is it? Add it to get advice that fits: "
            f"colorread tank edit {words.as_typed(tank.name)} --valve none|needle|timer"
        )
