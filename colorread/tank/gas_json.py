"""A planned charge of gas as plain values for programs."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from datetime import date, time
from typing import Any

from colorread.tank.gas_plan import GasPlan
from colorread.tank.gas_words import answer_lines, plan_cautions, plan_rows
from colorread.tank.settings import DailySpan
from colorread.tank.settings_json import tank_to_dict

SCHEMA = "colorread.gas/1"


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
    values = {field.name: _plain(getattr(plan, field.name)) for field in fields(plan) if field.name != "tank"}
    return {
        "schema": SCHEMA,
        "tank": tank_to_dict(plan.tank),
        **values,
        "refill_on": plan.refill_on.isoformat(),
        "answer": list(answer_lines(plan)),
        "rows": [list(row) for row in plan_rows(plan)],
        "cautions": list(plan_cautions(plan)),
    }


def _plain(value: object) -> Any:
    """Return numbers to four digits, spans, times and days as text, and what is made of them as dict or list."""
    if isinstance(value, DailySpan):
        return str(value)
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return f"{value:%H:%M}"
    return float(f"{value:.4g}") if isinstance(value, float) else value
