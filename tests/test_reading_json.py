from __future__ import annotations

import json
from typing import Any

import numpy as np

from colorread.records import json_line, plain, read_record
from colorread.result import Interval, Reading
from tests.fabricated import made_reading, made_refusal

KEYS = """
schema photo status taken_at time_source ph photo_ph co2_mg_l limit kh_dkh temperature_c fluid light assumed reference
verdict flags reason card vial budget co2_rule_of_thumb_mg_l tank_ph tank_kh_dkh profile
"""


def refuse_constant(name: str) -> Any:
    raise AssertionError(f"{name} is no JSON")


def parsed(text: str) -> dict[str, Any]:
    return dict(json.loads(text, parse_constant=refuse_constant))


def test_a_reading_has_every_key_and_rounded_numbers() -> None:
    data = parsed(json_line(made_reading(flags=("glare",), card_corners_px=((1.06, 2.0),) * 4)))
    assert sorted(data) == sorted(KEYS.split())
    assert (data["schema"], data["status"], data["reason"]) == ("colorread.reading/1", "read", None)
    assert data["taken_at"] == "2025-06-04T05:30:09+01:00"
    assert data["ph"] == {"value": 6.877, "low": 6.7, "high": 7.05}
    assert data["co2_mg_l"] == {"value": 18.05, "low": 12.0, "high": 27.0}
    assert data["card"]["corners_px"][0] == [1.1, 2.0]
    assert data["vial"]["outline_px"][2] == [140.0, 120.0]
    assert (data["assumed"], data["flags"]) == (["kh", "temperature", "light"], ["glare"])
    assert set(data["verdict"]) == {"plants", "fish", "sentences", "cautions"}


def test_a_refused_photo_has_the_same_keys_and_no_number() -> None:
    data = parsed(json_line(made_refusal(taken_at=None, time_source="unknown")))
    assert sorted(data) == sorted(KEYS.split())
    empty = {name for name, value in data.items() if value is None}
    assert empty >= {"ph", "co2_mg_l", "limit", "verdict", "card", "vial", "reference", "co2_rule_of_thumb_mg_l"}
    assert set(data["reason"]) == {"code", "message", "next_step"}
    assert data["budget"] == {}


def test_open_ends_and_what_is_not_finite_are_null() -> None:
    reading = made_reading(
        co2_rule_of_thumb_mg_l=float("nan"),
        budget={"dye pKa": float("inf")},
        vial_outline_px=((float("nan"), 1.0),),
        ph=Interval(value=7.0, low=float("-inf"), high=7.2),
        co2_mg_l=Interval(value=None, low=61.0, high=None),
    )
    data = parsed(json_line(reading))
    assert data["co2_mg_l"] == {"value": None, "low": 61.0, "high": None}
    assert data["co2_rule_of_thumb_mg_l"] is None
    assert data["budget"] == {"dye pKa": None}
    assert data["vial"]["outline_px"] == [[None, 1.0]]
    assert data["ph"]["low"] is None


def test_a_line_is_ascii_with_plain_numbers_whatever_the_name() -> None:
    name = "gr\u00f6\u00dfe\n\u65e5\udcff.jpg"
    reading = made_reading(photo=name, kh_dkh=np.float64(3.5), temperature_c=np.float64(24.25))
    text = json_line(reading)
    assert text.isascii()
    assert "\n" not in text
    assert (parsed(text)["photo"], parsed(text)["kh_dkh"]) == (name, 3.5)
    assert type(plain(reading)["temperature_c"]) is float


def test_a_reading_from_before_the_likelihood_was_kept_is_read_back() -> None:
    kept = made_reading(photo_ph=Interval(value=6.87, low=6.7, high=None))
    data = plain(kept)
    assert read_record(Reading, "the reading", data).photo_ph == kept.photo_ph
    del data["photo_ph"]
    assert read_record(Reading, "the reading", data).photo_ph is None
