"""A planned charge of gas as text for a terminal."""

from __future__ import annotations

from rich.console import Console

from colorread.cli.console_text import shown
from colorread.cli.show_reading import print_panel, print_rows
from colorread.tank.gas_plan import GasPlan
from colorread.tank.gas_words import plan_cautions, plan_rows, plan_title


def print_plan(console: Console, plan: GasPlan) -> None:
    """
    Print a plan, the answer first, with its cautions.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    plan : GasPlan
        The plan.
    """
    console.print(shown(console, plan_title(plan), "bold underline"))
    print_rows(console, [(label, text, "bold" if i == 0 else "") for i, (label, text) in enumerate(plan_rows(plan))])
    print_panel(console, "Cautions", plan_cautions(plan))
