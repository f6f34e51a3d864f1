from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, time
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from colorread.records import plain, read_record
from colorread.tank.settings import DailySpan, GasSource, Tank, changed_tank, parse_span
from colorread.words.verdict import Marks

LIGHTS = ("daylight", "warm-led", "cool-led", "fluorescent", "tank-led", "unknown")
KINDS = ("fermentation", "acid-bicarbonate", "cylinder")


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


times = st.builds(time, hour=st.integers(0, 23), minute=st.integers(0, 59))
spans = st.builds(DailySpan, on=times, off=times)
khs = st.floats(0.25, 30.0)
marks = st.tuples(st.floats(1.0, 99.0), st.floats(100.0, 200.0), st.floats(5.0, 40.0)).map(
    lambda three: Marks(plants_low_mg_l=three[0], plants_high_mg_l=three[1], fish_mg_l=three[2])
)
sources = st.builds(
    GasSource, kind=st.sampled_from(KINDS), amount_g=maybe(st.floats(1.0, 1e5)), started=maybe(st.dates())
)
tanks = st.builds(
    Tank,
    name=st.from_regex(r"[A-Za-z0-9ä水][\w .-]{0,39}", fullmatch=True),
    volume_l=maybe(st.floats(1.0, 1e5)),
    kh_dkh=khs,
    tank_kh_dkh=maybe(khs),
    temperature_c=st.floats(5.0, 40.0),
    lights=maybe(spans),
    gas=maybe(spans),
    source=maybe(sources),
    sensitive=st.booleans(),
    marks=marks,
    fluid_renewed=maybe(st.dates()),
    light=st.sampled_from(LIGHTS),
    profile=maybe(st.text()),
    made_up=st.booleans(),
)
WINDOW = Tank(
    name="window",
    volume_l=60.0,
    lights=DailySpan(on=time(10), off=time(18)),
    gas=DailySpan(on=time(8), off=time(18)),
    source=GasSource(kind="fermentation", amount_g=200.0, started=date(2025, 6, 1)),
    marks=Marks(plants_low_mg_l=10.0, plants_high_mg_l=20.0, fish_mg_l=22.0),
    fluid_renewed=date(2025, 5, 20),
)


@settings(max_examples=40)
@given(tanks)
def test_tank_comes_back_from_json_as_it_was(tank: Tank) -> None:
    assert read_record(Tank, "the tank", json.loads(json.dumps(plain(tank), allow_nan=False))) == tank


@pytest.mark.parametrize(("kept", "now"), [(1.0, 5.0), (22.5, 22.5), (200.0, 40.0)])
def test_a_fish_limit_of_an_earlier_version_is_brought_within_the_limits_of_now(kept: float, now: float) -> None:
    data = plain(WINDOW)
    assert read_record(Tank, "the tank", {**data, "marks": {**data["marks"], "fish_mg_l": kept}}).marks.fish_mg_l == now


def test_a_tank_is_judged_with_what_makes_its_gas() -> None:
    assert Tank(name="desk").judged_by == Marks()
    tank = Tank(name="desk", source=GasSource(kind="cylinder", valve="none"), sensitive=True)
    assert tank.judged_by == Marks(fish_mg_l=20.0, source="cylinder", valve="none")
    # Sensitive animals lower the fish limit, and never raise one that the keeper set lower.
    assert Tank(name="shrimp", sensitive=True, marks=Marks(fish_mg_l=12.0)).judged_by.fish_mg_l == 12.0


def test_json_of_a_tank_is_readable() -> None:
    data = plain(WINDOW)
    assert data["schema"] == "colorread.tank/1"
    assert data["lights"] == "10:00-18:00"
    assert data["source"] == {"kind": "fermentation", "amount_g": 200.0, "started": "2025-06-01", "valve": None}
    assert data["fluid_renewed"] == "2025-05-20"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"volume_l": "60"}, "volume_l"),
        ({"volume_l": True}, "volume_l"),
        ({"kh_dkh": float("nan")}, "kh_dkh"),
        ({"kh_dkh": 99.0}, "between 0.25 and 30"),
        ({"lights": "noon"}, "10:00-18:00"),
        ({"sensitive": 1}, "true or false"),
        ({"light": "candle"}, "daylight, warm-led"),
        ({"source": {"kind": "cylinder"}}, "amount_g, started"),
        ({"source": []}, "source"),
        ({"fluid_renewed": "yesterday"}, "date"),
        ({"schema": "colorread.tank/9"}, "colorread.tank/1"),
        ({"lihgts": None}, "lihgts"),
        ({"name": "<b>"}, "name"),
    ],
)
def test_what_is_no_tank_is_told_in_a_sentence(change: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        read_record(Tank, "the tank", {**plain(WINDOW), **change})


def test_span_lasts_as_long_as_the_clock_says() -> None:
    for text, hours in (("10:00-18:00", 8.0), ("22:00-06:30", 8.5), ("08:00 - 24:00", 16.0), ("00:00-00:00", 24.0)):
        assert parse_span(text).hours == hours


@pytest.mark.parametrize(
    "text", ["", "10-18", "25:00-26:00", "08:00-34:00", "08:00-24:30", "10:60-11:00", "10:00", "10:00-18:00x"]
)
def test_what_is_no_span_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="look like 10:00-18:00"):
        parse_span(text)


@pytest.mark.parametrize(
    ("tank", "typed", "message"),
    [
        (WINDOW, {"fish_limit": 4.9}, "between 5 and 40"),  # one that would silence the verdict
        (WINDOW, {"fish_limit": 40.1}, "between 5 and 40"),
        (WINDOW, {"gas": "10:00-10:00"}, "could mean never or always"),
        (WINDOW, {"gas": "00:00-00:00"}, "could mean never or always"),
        (WINDOW, {"plants": "15"}, "look like 15-30"),
        (WINDOW, {"plants": "-5-10"}, "look like 15-30"),
        (WINDOW, {"plants": "15-30-45"}, "look like 15-30"),
        (WINDOW, {"fluid_renewed": "4 June"}, "2025-06-04, not '4 June'"),
        (WINDOW, {"fluid_renewed": "2025-06-04T00:00:00"}, "must look like"),
        (Tank(name="desk"), {"source_amount": 100.0}, "gas source"),
    ],
)
def test_what_is_no_setting_is_refused(tank: Tank, typed: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        changed_tank(tank, typed)


@pytest.mark.parametrize(
    ("given_", "cleared", "field", "value"),
    [
        ({"kh": 5.0}, (), "kh_dkh", 5.0),
        ({"lights": "22:00-06:00"}, (), "lights", DailySpan(on=time(22), off=time(6))),
        ({"gas": "00:00-24:00"}, (), "gas", DailySpan(on=time(), off=time())),
        ({"sensitive": True}, (), "sensitive", True),
        ({"fluid_renewed": "2025-06-04"}, (), "fluid_renewed", date(2025, 6, 4)),
        ({"plants": "12.5-25"}, (), "marks", Marks(plants_low_mg_l=12.5, plants_high_mg_l=25.0, fish_mg_l=22.0)),
        ({"fish_limit": 24.0}, (), "marks", Marks(plants_low_mg_l=10.0, plants_high_mg_l=20.0, fish_mg_l=24.0)),
        ({}, ("plants",), "marks", Marks(fish_mg_l=22.0)),
        ({}, ("fish_limit",), "marks", Marks(plants_low_mg_l=10.0, plants_high_mg_l=20.0)),
        ({}, ("gas",), "gas", None),
        ({}, ("source_amount",), "source", GasSource(kind="fermentation", started=date(2025, 6, 1))),
        ({"source_amount": 150.0}, (), "source", replace(WINDOW.source, amount_g=150.0)),
        ({"source": "fermentation"}, (), "source", WINDOW.source),
        ({"source": "cylinder", "valve": "timer"}, (), "source", GasSource(kind="cylinder", valve="timer")),
        ({"source": "cylinder", "source_amount": 5.0}, ("source",), "source", GasSource(kind="cylinder", amount_g=5.0)),
    ],
)
def test_edit_changes_the_one_setting(given_: dict[str, Any], cleared: tuple[str, ...], field: str, value: Any) -> None:
    before, after = plain(WINDOW), plain(changed_tank(WINDOW, given_, cleared))
    assert getattr(changed_tank(WINDOW, given_, cleared), field) == value
    assert {name for name in before if before[name] != after[name]} <= {field}
