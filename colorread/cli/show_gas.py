"""A planned charge of gas as text for a terminal."""

from __future__ import annotations

from rich.console import Console

from colorread.cli.console_text import shown
from colorread.cli.show_reading import print_panel, print_rows
from colorread.tank import GasPlan, answer_lines, plan_cautions, plan_rows, plan_title


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
    label = "Fill" if plan.mix is None else "Mix"
    answer = [("" if i else label, line, "bold") for i, line in enumerate(answer_lines(plan))]
    print_rows(console, [*answer, *((label, text, "") for label, text in plan_rows(plan))])
    print_panel(console, "Cautions", plan_cautions(plan))
