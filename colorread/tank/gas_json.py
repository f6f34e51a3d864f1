"""A planned charge of gas as plain values for programs."""

from __future__ import annotations

from typing import Any

from colorread.records import Kept, plain
from colorread.tank.gas_plan import GasPlan
from colorread.tank.gas_words import answer_lines, plan_cautions, plan_rows


def plan_to_dict(plan: GasPlan) -> dict[str, Any]:
    """
    Return a plan as plain values.

    Parameters
    ----------
    plan : GasPlan
        The plan.

    Returns
    -------
    dict
        Named as the parameters of `GasPlan`, with ``refill_on`` and the words beside.
    """
    return {
        "schema": "colorread.gas/1",
        **plain(plan, Kept(significant=4)),
        "tank": plain(plan.tank),
        "refill_on": plain(plan.refill_on),
        "answer": plain(answer_lines(plan)),
        "rows": plain(plan_rows(plan)),
        "cautions": plain(plan_cautions(plan)),
    }
