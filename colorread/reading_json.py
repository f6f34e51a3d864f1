"""A reading as one JSON object for programs, schema colorread.reading/1."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from colorread.reading import SCHEMA, Interval, Reading


def reading_to_dict(reading: Reading) -> dict[str, Any]:
    """
    Return a reading as plain values, rounded to what they are worth.

    Parameters
    ----------
    reading : Reading
        Read or refused.

    Returns
    -------
    dict
        Keys as documented in DEVELOPERS.md; a refused photo has None for ``ph`` and ``co2_mg_l``. What is not finite
        is None too.
    """
    verdict, reason = reading.verdict, reading.reason
    return {
        "schema": SCHEMA,
        "photo": reading.photo,
        "status": reading.status,
        "taken_at": None if reading.taken_at is None else reading.taken_at.isoformat(),
        "time_source": reading.time_source,
        "ph": _interval(reading.ph, 3),
        "co2_mg_l": _interval(reading.co2_mg_l, 2),
        "limit": reading.limit,
        "kh_dkh": _rounded(reading.kh_dkh, 3),
        "temperature_c": _rounded(reading.temperature_c, 2),
        "fluid": reading.fluid,
        "light": reading.light,
        "profile": reading.profile,
        "assumed": list(reading.assumed),
        "geometry": reading.geometry,
        "co2_rule_of_thumb_mg_l": _rounded(reading.co2_rule_of_thumb_mg_l, 2),
        "tank_kh_dkh": _rounded(reading.tank_kh_dkh, 3),
        "tank_ph": _interval(reading.tank_ph, 3),
        "verdict": None
        if verdict is None
        else {
            "plants": verdict.plants,
            "fish": verdict.fish,
            "sentences": list(verdict.sentences),
            "cautions": list(verdict.cautions),
        },
        "flags": list(reading.flags),
        "reason": None
        if reason is None
        else {"code": reason.code, "message": reason.message, "next_step": reason.next_step},
        "card": None if reading.card_corners_px is None else {"corners_px": _points(reading.card_corners_px)},
        "vial": None if reading.vial_outline_px is None else {"outline_px": _points(reading.vial_outline_px)},
        "budget": {source: _rounded(std, 4) for source, std in reading.budget.items()},
    }


def reading_to_json(reading: Reading) -> str:
    """
    Return a reading as one line of JSON.

    Parameters
    ----------
    reading : Reading
        Read or refused.

    Returns
    -------
    str
        ASCII without line breaks, so that any terminal and any file name can do; never holds NaN.
    """
    return json.dumps(reading_to_dict(reading), allow_nan=False)


def _interval(interval: Interval | None, digits: int) -> dict[str, float | None] | None:
    if interval is None:
        return None
    return {
        "value": _rounded(interval.value, digits),
        "low": _rounded(interval.low, digits),
        "high": _rounded(interval.high, digits),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def _points(points: Sequence[tuple[float, float]]) -> list[list[float | None]]:
    return [[_rounded(x, 1), _rounded(y, 1)] for x, y in points]
