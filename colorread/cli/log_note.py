"""The command that notes what was done to a tank."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from colorread.cli.log import LogFile, open_log
from colorread.cli.options import fail

if TYPE_CHECKING:
    from datetime import date

    from colorread.log import Damage, Log
    from colorread.tank import Event

EPILOG = """\b
Examples:
  colorread log note --tank window --water-change 30%
  colorread log note --tank window "new bottle" --refilled 120 --at 18:30
  colorread log note --tank window --gas-changed --bubbles 51"""
_SIGN_DIGITS_MIN = 6


class WithGrams(TyperCommand):
    """A command whose option ``--refilled`` may be followed by grams, which the parser itself does not know."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take the number after the option for that of the hidden one."""
        places = [i for i, word in enumerate(args[:-1]) if word == "--refilled"]
        for i in reversed(places):
            if re.fullmatch(r"[\d.]+", args[i + 1]):
                args = [*args[: i + 1], "--refill-g", *args[i + 1 :]]
        return super().parse_args(ctx, args)


def note(
    tank: Annotated[str, typer.Option("--tank", help="Of this tank.", metavar="NAME")],
    text: Annotated[str, typer.Argument(help="In your words.", metavar="[TEXT]")] = "",
    at: Annotated[str, typer.Option(help="When; default: now.", metavar="TIME")] = "",
    water_change: Annotated[str | None, typer.Option(help="Share of the water changed.", metavar="30%")] = None,
    refilled: Annotated[
        bool, typer.Option("--refilled", help="Bottle refilled or cylinder changed; its grams may follow.")
    ] = False,
    refill_g: Annotated[float | None, typer.Option("--refill-g", hidden=True, metavar="GRAMS")] = None,
    gas_changed: Annotated[bool, typer.Option("--gas-changed", help="Gas turned up or down.")] = False,
    fluid_renewed: Annotated[bool, typer.Option("--fluid-renewed", help="New fluid in the vial.")] = False,
    diffuser: Annotated[bool, typer.Option("--diffuser", help="Diffuser cleaned, moved or replaced.")] = False,
    bubbles: Annotated[float | None, typer.Option(help="Bubbles a minute, counted afterwards.", metavar="60")] = None,
    log: LogFile = None,
) -> None:
    """
    Note what you did to a tank. The figure shows it, and the tank's course allows for it.

    Without a note it looks like a change of the gas.
    """
    from datetime import datetime

    from colorread.tank import event_words, parse_share, typed_event

    try:
        typed = {
            "at": at,
            "text": text,
            "water_change": None if water_change is None else parse_share(water_change),
            "refilled": refilled or refill_g is not None,
            "refill_g": refill_g,
            "gas_changed": gas_changed,
            "fluid_renewed": fluid_renewed,
            "diffuser": diffuser,
            "bubbles": bubbles,
        }
        event = typed_event(typed, datetime.now())
    except ValueError as error:
        fail(str(error))
    with open_log(log, tank=tank) as opened:
        is_new = opened.add_event(tank, event)
    words = f"{event.at:%Y-%m-%d %H:%M}, {event_words(event)}"
    typer.echo(f"Noted for {tank}: {words}" if is_new else f"The log of {tank} has this note already: {words}")


def chosen_notes(log: Log, tank: str | None, signs: Sequence[str], before: date | None) -> dict[str, list[str]]:
    """
    Return the ids of notes.

    Parameters
    ----------
    log : Log
        Open.
    tank : str or None
        Only of this tank.
    signs : sequence of str
        Only those whose ids begin so; all where there are none.
    before : datetime.date or None
        Only those of before this day.

    Returns
    -------
    dict of str to list of str
        By tank.
    """
    chosen: dict[str, list[str]] = {}
    for each in [tank] if tank is not None else [owner.name for owner in log.tanks()]:
        damages: list[Damage] = []
        found: dict[str, Event | None] = {**log.events(each, damages.append)}
        found |= {damage.sha256 or "": None for damage in damages}  # nothing is known of these but the id
        chosen[each] = [
            event_id
            for event_id, event in found.items()
            if (not signs or any(len(sign) >= _SIGN_DIGITS_MIN and event_id.startswith(sign.lower()) for sign in signs))
            and (before is None or (event is not None and event.at.date() < before))
        ]
    return chosen
