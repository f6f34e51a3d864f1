"""The command that plans a charge of gas."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from colorread.cli.log import LogFile, open_log
from colorread.cli.options import fail, number
from colorread.cli.tank import change, with_settings
from colorread.limits import FISH_LIMIT_RANGE_MG_L
from colorread.words import gas_cautions

_SETTINGS = ("volume", "lights", "gas", "source", "source_amount", "valve", "sensitive", "plants", "fish_limit")
EPILOG = "\n\n".join(
    (
        """\b
Examples:
  colorread gas --tank window --days 14
  colorread gas --volume 60 --lights 10:00-18:00 --source fermentation
  colorread gas --volume 15gal --lights 10:00-18:00 --source acid-bicarbonate --valve needle --days 10
  colorread gas --volume 120 --lights 10:00-19:00 --source cylinder --valve timer --source-amount 500 --target 20""",
        "Cautions:",
        *gas_cautions(None),
    )
)


def _gas(
    given: Mapping[str, Any],
    tank: Annotated[
        str | None, typer.Option("--tank", help="Tank of the log, with its days; options change it for this plan only.")
    ] = None,
    target: Annotated[
        float | None,
        number(
            "Daily peak to aim at, in mg/L; default within the plants' range.", "MG_L", 1.0, FISH_LIMIT_RANGE_MG_L[1]
        ),
    ] = None,
    days: Annotated[float | None, number("How long the charge is to last, in days.", "DAYS", 1.0, 365.0)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
    log: LogFile = None,
) -> None:
    """Show what to mix or fill for a tank, how to dose it, what it may give, and until when."""
    from colorread.result import Reading
    from colorread.tank import Event, Tank, plan_gas

    logged, readings, events = Tank(name="tank"), list[Reading](), list[Event]()
    if tank is not None:
        with open_log(log, tank=tank) as opened:
            logged, readings = opened.tank(tank), [entry.reading for entry in opened.entries(tank)]
            events = list(opened.events(tank).values())
    try:
        plan = plan_gas(change(logged, given), readings, events, logged=logged, days=days, target_mg_l=target)
    except ValueError as error:
        fail(str(error))
    if as_json:
        import json

        from colorread.tank import plan_to_dict

        typer.echo(json.dumps(plan_to_dict(plan), allow_nan=False))
    else:
        from rich.console import Console

        from colorread.cli.show_gas import print_plan

        print_plan(Console(highlight=False), plan)


gas = with_settings(_gas, _SETTINGS)
