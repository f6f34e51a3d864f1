"""A reading as one JSON object for programs, schema colorread.reading/1."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from calibration.reference import ReferenceName
from colorread.errors import Reason
from colorread.json_fields import Fields, fields_of
from colorread.reading.record import (
    SCHEMA,
    FluidKind,
    Interval,
    Level,
    LightName,
    Limit,
    PlantsWord,
    Reading,
    Status,
    TimeSource,
    Verdict,
)

_CALM_ONCE = "no concern read"  # what earlier versions called the calm level
_NAMES = (
    "schema",
    "photo",
    "status",
    "taken_at",
    "time_source",
    "ph",
    "photo_ph",
    "co2_mg_l",
    "limit",
    "kh_dkh",
    "temperature_c",
    "fluid",
    "light",
    "profile",
    "assumed",
    "reference",
    "co2_rule_of_thumb_mg_l",
    "tank_kh_dkh",
    "tank_ph",
    "verdict",
    "flags",
    "reason",
    "card",
    "vial",
    "budget",
)
# Names that earlier readings lack; they knew the card alone.
_SINCE: dict[str, object] = {"photo_ph": None, "reference": "card"}


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
        "photo_ph": _interval(reading.photo_ph, 3),
        "co2_mg_l": _interval(reading.co2_mg_l, 2),
        "limit": reading.limit,
        "kh_dkh": _rounded(reading.kh_dkh, 3),
        "temperature_c": _rounded(reading.temperature_c, 2),
        "fluid": reading.fluid,
        "light": reading.light,
        "profile": reading.profile,
        "assumed": list(reading.assumed),
        "reference": reading.reference,
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


def reading_from_dict(data: object) -> Reading:
    """
    Return the reading that `reading_to_dict` gave.

    Parameters
    ----------
    data : object
        As `json.loads` gives it.

    Returns
    -------
    Reading
        The same reading as far as the digits go; a number of the budget or an outline that is None becomes NaN.

    Raises
    ------
    ValueError
        If it describes no reading; one sentence.
    """
    if isinstance(data, dict):
        data = _SINCE | {name: value for name, value in data.items() if name != "geometry"}  # dropped since
    fields = fields_of("the reading", data, _NAMES)
    if fields.values["schema"] != SCHEMA:
        raise ValueError(f"The schema of the reading must be {SCHEMA}, not {fields.values['schema']!r}.")
    reading = Reading(
        photo=fields.text("photo"),
        taken_at=fields.maybe("taken_at", fields.moment),
        time_source=fields.choice("time_source", TimeSource),
        ph=_interval_from(fields, "ph"),
        photo_ph=_interval_from(fields, "photo_ph"),
        co2_mg_l=_interval_from(fields, "co2_mg_l"),
        limit=fields.maybe("limit", lambda name: fields.choice(name, Limit)),
        kh_dkh=fields.number("kh_dkh"),
        temperature_c=fields.number("temperature_c"),
        fluid=fields.choice("fluid", FluidKind),
        light=fields.choice("light", LightName),
        assumed=fields.texts("assumed"),
        reference=fields.maybe("reference", lambda name: fields.choice(name, ReferenceName)),
        co2_rule_of_thumb_mg_l=fields.maybe("co2_rule_of_thumb_mg_l", fields.number),
        tank_ph=_interval_from(fields, "tank_ph"),
        tank_kh_dkh=fields.maybe("tank_kh_dkh", fields.number),
        verdict=_verdict_from(fields.values["verdict"]),
        flags=fields.texts("flags"),
        reason=_reason_from(fields.values["reason"]),
        card_corners_px=_points_from(fields, "card", "corners_px"),
        vial_outline_px=_points_from(fields, "vial", "outline_px"),
        budget=fields.numbers("budget"),
        profile=fields.maybe("profile", fields.text),
    )
    numbers = (reading.ph, reading.co2_mg_l, reading.verdict)
    if fields.choice("status", Status) != reading.status:
        raise ValueError("A photo that was read has no reason, a refused one has.")
    if None in numbers if reading.reason is None else numbers != (None, None, None):
        raise ValueError("A photo that was read has ph, co2_mg_l and verdict; a refused one has none of them.")
    return reading


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


def _interval_from(fields: Fields, name: str) -> Interval | None:
    data = fields.values[name]
    if data is None:
        return None
    parts = fields_of(f"the {name} of the reading", data, ("value", "low", "high"))
    value, low, high = (parts.maybe(part, parts.number) for part in ("value", "low", "high"))
    known = [number for number in (low, value, high) if number is not None]
    if (low is None and high is None) or known != sorted(known):
        raise ValueError(f"The {name} of the reading must have an end, and its value must lie between its ends.")
    return Interval(value=value, low=low, high=high)


def _verdict_from(data: object) -> Verdict | None:
    if data is None:
        return None
    fields = fields_of("the verdict", data, ("plants", "fish", "sentences", "cautions"))
    return Verdict(
        plants=fields.choice("plants", PlantsWord),
        fish="no concern" if fields.values["fish"] == _CALM_ONCE else fields.choice("fish", Level),
        sentences=fields.texts("sentences"),
        cautions=fields.texts("cautions"),
    )


def _reason_from(data: object) -> Reason | None:
    if data is None:
        return None
    fields = fields_of("the reason", data, ("code", "message", "next_step"))
    return Reason(code=fields.text("code"), message=fields.text("message"), next_step=fields.text("next_step"))


def _points_from(fields: Fields, name: str, inner: str) -> tuple[tuple[float, float], ...] | None:
    data = fields.values[name]
    return None if data is None else fields_of(f"the {name}", data, (inner,)).points(inner)
