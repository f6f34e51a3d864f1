"""Readings and traces made up for the tests of whatever shows them."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

import numpy as np

from calibration.inversion import BUDGET_CAMERA, BUDGET_COLOR, BUDGET_PKA
from colorread.result import BUDGET_KH, Interval, Reading, Reason, Trace
from colorread.words.verdict import judge

CARD_PX = ((20.0, 20.0), (220.0, 20.0), (220.0, 160.0), (20.0, 160.0))
FLUID_PX = ((100.0, 70.0), (140.0, 70.0), (140.0, 120.0), (100.0, 120.0))
FLUID_RGB = (0.6, 0.8, 0.4)


def made_reading(**changes: Any) -> Reading:
    """Return a reading of 18 (12 to 27) mg/L; its verdict follows `co2_mg_l` unless given."""
    reading = Reading(
        photo="tank.jpg",
        taken_at=datetime(2025, 6, 4, 5, 30, 9, tzinfo=timezone(timedelta(hours=1))),
        time_source="exif with offset",
        ph=Interval(value=6.87654, low=6.7, high=7.05),
        co2_mg_l=Interval(value=18.0456, low=12.0, high=27.0),
        limit=None,
        kh_dkh=4.0,
        temperature_c=25.0,
        fluid="reference",
        light="unknown",
        assumed=("kh", "temperature", "light"),
        reference="card",
        co2_rule_of_thumb_mg_l=15.96,
        tank_ph=None,
        tank_kh_dkh=None,
        verdict=None,
        flags=(),
        reason=None,
        card_corners_px=CARD_PX,
        vial_outline_px=FLUID_PX,
        budget={BUDGET_PKA: 0.1, BUDGET_CAMERA: 0.05, BUDGET_COLOR: 0.05, BUDGET_KH: 0.001},
    )
    reading = replace(reading, **changes)
    if reading.verdict is None and reading.co2_mg_l is not None:
        reading = replace(reading, verdict=judge(reading.co2_mg_l))
    return reading


def made_refusal(**changes: Any) -> Reading:
    """Return a refused photo without a card."""
    empty: dict[str, Any] = dict.fromkeys(
        ("ph", "co2_mg_l", "reference", "co2_rule_of_thumb_mg_l", "card_corners_px", "vial_outline_px")
    )
    reason = Reason(code="no-card", message="No card was found.", next_step="Show the whole card.")
    return made_reading(**{**empty, "budget": {}, "reason": reason, **changes})


def made_trace(**changes: Any) -> Trace:
    """Return a gray photo of 240 x 180 pixels with a white card and green fluid in it."""
    rgb_u8 = np.full((180, 240, 3), 90, np.uint8)
    rgb_u8[20:160, 20:220] = 245
    rgb_u8[70:120, 100:140] = (150, 205, 100)
    rows, cols = np.mgrid[75:115, 105:135]
    ends = np.array([(0.98, 0.95, 0.6), (0.4, 0.7, 0.9)])
    trace = Trace(
        rgb_u8=rgb_u8,
        card_corners_px=np.array(CARD_PX),
        vial_outlines_px=(np.array(FLUID_PX),),
        used_px=np.stack([cols.ravel(), rows.ravel()], axis=-1).astype(float),
        fluid_rgb=np.array(FLUID_RGB),
        scale_rgb=tuple((6.0 + 0.2 * i, ends[0] + (ends[1] - ends[0]) * i / 8) for i in range(9)),
    )
    return replace(trace, **changes)


NO_TRACE = Trace(rgb_u8=None)
