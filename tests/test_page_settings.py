"""The form of a tank's settings: it changes what was typed, and nothing else that has changed meanwhile."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import httpx
import pytest

from colorread.log.store import Log
from colorread.tank.settings import GasSource, Tank
from colorread.words.phrases import NO_BREAK
from tests.page_server import TANK, choose_units, client_of, fields_of, form_token, make_log

SETTINGS_URL = "/tanks/window/settings"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[httpx.Client, Path]]:
    log_path = make_log(tmp_path_factory.mktemp("settings"))
    with client_of(log_path) as (client, _):
        yield client, log_path


@pytest.fixture
def client(server: tuple[httpx.Client, Path]) -> httpx.Client:
    """A browser that shows the units of the project."""
    choose_units(server[0], "c", "dkh")
    return server[0]


@pytest.fixture
def log(server: tuple[httpx.Client, Path]) -> Iterator[Log]:
    with Log(server[1]) as log:
        yield log


def test_a_form_that_was_open_for_long_changes_only_what_was_typed(client: httpx.Client, log: Log) -> None:
    log.put_tank(replace(TANK, kh_dkh=4.0, sensitive=True))
    fields = fields_of(client.get(SETTINGS_URL).text)
    newer = replace(TANK, kh_dkh=4.2, temperature_c=24.0, sensitive=False, light="daylight", volume_l=54.0)
    log.put_tank(newer)
    assert client.post(SETTINGS_URL, data={**fields, "lights_on": "09:00", "lights_off": "17:00"}).status_code == 303
    changed = log.tank("window")
    assert str(changed.lights) == "09:00-17:00"
    assert replace(changed, lights=newer.lights) == newer


def test_numbers_are_in_the_units_that_the_form_shows(client: httpx.Client, log: Log) -> None:
    tank = replace(TANK, kh_dkh=2.25, temperature_c=25.0, source=GasSource(kind="cylinder", amount_g=500.0))
    log.put_tank(tank)
    units = {"temperature": "f", "kh": "meq", "volume": "gal", "mass": "oz"}
    client.post("/units", data={"csrf": form_token(client.get("/units").text), **units})
    fields = fields_of(client.get(SETTINGS_URL).text)
    choose_units(client, "c", "dkh")
    # 60 / 3.785412 and 500 / 28.349523
    assert (fields["volume"], fields["source_amount"]) == ("15.85", "17.64")
    assert client.post(SETTINGS_URL, data=fields).status_code == 303
    assert log.tank("window") == tank  # rounding changes nothing
    typed = {"kh": "2", "temperature": "68", "volume": "20", "source_amount": "20"}
    client.post(SETTINGS_URL, data={**fields, **typed})
    changed = log.tank("window")
    # 1 dKH is 10 mg/L CaO, whose molar mass is 56.077 g/mol: 2 meq/L are 5.608 dKH.
    assert changed.kh_dkh == pytest.approx(5.608, abs=0.001)
    assert changed.temperature_c == pytest.approx(20.0)
    assert changed.volume_l == pytest.approx(75.708, abs=0.01)
    assert changed.source.amount_g == pytest.approx(566.99, abs=0.01)


def test_the_form_warns_where_the_gas_source_is_chosen(client: httpx.Client) -> None:
    for url in (SETTINGS_URL, "/new-tank"):
        source = re.search(r"<legend>Gas source</legend>(.*?)</fieldset>", client.get(url).text, re.DOTALL)
        for words in ("entilate", "trap bottle", "upright"):
            assert words in source.group(1)


def test_a_form_with_a_mistake_comes_back_as_it_was_and_saves_the_same(client: httpx.Client, log: Log) -> None:
    log.put_tank(replace(TANK, kh_dkh=4.0))
    choose_units(client, "f", "meq")
    fields = fields_of(client.get(SETTINGS_URL).text)
    choose_units(client, "c", "dkh")
    log.put_tank(replace(TANK, kh_dkh=4.2))
    answer = client.post(SETTINGS_URL, data={**fields, "volume": "much"})
    assert answer.status_code == 422
    assert "meq/L" in answer.text
    again = fields_of(answer.text)
    assert again == {**fields, "volume": "much"}
    assert client.post(SETTINGS_URL, data={**again, "volume": "54"}).status_code == 303
    assert log.tank("window") == replace(TANK, kh_dkh=4.2, volume_l=54.0)


def test_limits_are_told_in_the_units_of_the_form(client: httpx.Client, log: Log) -> None:
    log.put_tank(TANK)
    choose_units(client, "f", "caco3")
    fields = fields_of(client.get(SETTINGS_URL).text)
    choose_units(client, "c", "dkh")
    text = client.post(SETTINGS_URL, data={**fields, "kh": "4", "tank_kh": "600", "temperature": "25"}).text
    text = text.replace(NO_BREAK, " ")
    # 0.25 and 30 dKH at 17.85 mg/L of CaCO3 each; 5 and 40 degrees C.
    assert "mg/L CaCO3 must be between 4.5 and 535.4" in text
    assert "°F must be between 41 and 104" in text
    assert log.tank("window") == TANK


def attributes_of(text: str, name: str) -> str:
    found = re.search(rf'<input [^>]*id="{name}"[^>]*>', text)
    return found.group(0)


def test_all_mistakes_are_told_at_once_each_at_its_field(client: httpx.Client, log: Log) -> None:
    log.put_tank(TANK)
    fields = fields_of(client.get(SETTINGS_URL).text)
    mistakes = {"volume": "much", "kh": "99", "lights_off": "", "fish_limit": "2", "temperature": "24"}
    answer = client.post(SETTINGS_URL, data={**fields, **mistakes})
    assert answer.status_code == 422
    assert log.tank("window") == TANK
    assert re.findall(r'<li><a href="#([a-z_]+)">', answer.text) == ["kh", "lights", "volume", "fish_limit"]
    for name in ("kh", "volume", "lights", "lights-off", "fish_limit"):
        attributes = attributes_of(answer.text, name)
        assert 'aria-invalid="true"' in attributes
        described = re.search(r'aria-describedby="([^" ]+)', attributes)
        assert f'<strong id="{described.group(1)}">' in answer.text
    assert "aria-invalid" not in attributes_of(answer.text, "temperature")
    assert fields_of(answer.text) == {**fields, **mistakes}
    new = client.post("/new-tank", data={**fields_of(client.get("/new-tank").text), "name": "?", "kh": "x"})
    assert re.findall(r'<li><a href="#([a-z_]+)">', new.text) == ["name", "kh"]
    twice = client.post("/new-tank", data={**fields_of(client.get("/new-tank").text), "name": "window"})
    assert re.findall(r'<li><a href="#([a-z_]+)">', twice.text) == ["name"]


@pytest.mark.parametrize(
    ("stored", "on", "off"),
    [("00:00-24:00", "00:00", "00:00"), ("14:00-24:00", "14:00", "00:00"), ("22:00-06:00", "22:00", "06:00")],
)
def test_the_hours_are_two_times_that_come_back_as_they_are_kept(
    client: httpx.Client, log: Log, stored: str, on: str, off: str
) -> None:
    log.put_tank(replace(TANK, gas=None))
    fields = fields_of(client.get(SETTINGS_URL).text)
    assert (fields["gas_on"], fields["gas_off"]) == ("", "")
    assert client.post(SETTINGS_URL, data={**fields, "gas_on": on, "gas_off": off}).status_code == 303
    assert str(log.tank("window").gas) == stored
    fields = fields_of(client.get(SETTINGS_URL).text)
    assert (fields["gas_on"], fields["gas_off"]) == (on, off)
    assert client.post(SETTINGS_URL, data={**fields, "gas_on": "08:00", "gas_off": "08:00"}).status_code == 422
    client.post(SETTINGS_URL, data={**fields, "gas_on": "", "gas_off": ""})
    assert log.tank("window").gas is None


def test_what_is_not_stated_stays_so_until_it_is_typed(client: httpx.Client, log: Log) -> None:
    log.put_tank(TANK)
    fields = fields_of(client.get(SETTINGS_URL).text)
    assert (fields["kh"], fields["temperature"]) == ("", "")
    client.post(SETTINGS_URL, data={**fields, "tank_kh": "6"})
    assert log.tank("window") == replace(TANK, tank_kh_dkh=6.0)
    client.post(SETTINGS_URL, data={**fields, "kh": "4"})
    assert log.tank("window") == replace(TANK, tank_kh_dkh=6.0, kh_dkh=4.0)
    client.post(SETTINGS_URL, data={**fields_of(client.get(SETTINGS_URL).text), "kh": ""})
    assert log.tank("window").kh_dkh is None


def test_a_gas_source_that_was_changed_meanwhile_is_not_mixed_with_the_one_shown(
    client: httpx.Client, log: Log
) -> None:
    acid = GasSource(kind="acid-bicarbonate", amount_g=200.0, started=date(2025, 6, 1))
    log.put_tank(replace(TANK, source=acid))
    fields = fields_of(client.get(SETTINGS_URL).text)
    cylinder = replace(TANK, source=GasSource(kind="cylinder", amount_g=425.0))
    log.put_tank(cylinder)
    client.post(SETTINGS_URL, data={**fields, "volume": "60"})
    assert log.tank("window") == cylinder
    client.post(SETTINGS_URL, data={**fields, "source_started": "2025-06-08"})
    assert log.tank("window").source == replace(acid, started=date(2025, 6, 8))
    client.post(SETTINGS_URL, data={**fields, "source": ""})
    assert log.tank("window").source is None


def test_a_new_tank_is_made_of_what_was_typed(client: httpx.Client, log: Log) -> None:
    fields = fields_of(client.get("/new-tank").text)
    lights = {"lights_on": "10:00", "lights_off": "18:00"}
    typed = {"name": "Desk 2", "kh": "4,5", **lights, "source": "cylinder", "source_amount": "425"}
    wrong = client.post("/new-tank", data={**fields, **typed, "name": "?"})
    assert wrong.status_code == 422
    assert fields_of(wrong.text) == {**fields, **typed, "name": "?"}
    assert client.post("/new-tank", data={**fields, **typed}).status_code == 303
    source = GasSource(kind="cylinder", amount_g=425.0)
    assert log.tank("Desk 2") == Tank(name="Desk 2", kh_dkh=4.5, lights=TANK.lights, source=source)


def test_no_other_file_can_be_named_as_profile(client: httpx.Client, log: Log) -> None:
    log.put_tank(TANK)
    fields = fields_of(client.get(SETTINGS_URL).text)
    answer = client.post(SETTINGS_URL, data={**fields, "profile": "/etc/passwd"})
    assert answer.status_code == 422
    assert log.tank("window") == TANK


def test_a_unit_may_be_typed_behind_a_number(client: httpx.Client, log: Log) -> None:
    form = fields_of(client.get("/tanks/window/settings").text)
    assert client.post("/tanks/window/settings", data=form | {"volume": "16 gal"}).status_code == 303
    assert log.tank("window").volume_l == pytest.approx(60.6, abs=0.1)
    wrong = client.post("/tanks/window/settings", data=form | {"volume": "16 mi"})
    assert (wrong.status_code, log.tank("window").volume_l) == (422, pytest.approx(60.6, abs=0.1))


@pytest.mark.parametrize("target", ["-4", "nan", "41"])
def test_a_plan_aims_at_no_peak_that_cannot_be(client: httpx.Client, target: str) -> None:
    told = client.get("/gas", params={"volume": "60", "source": "cylinder", "target": target})
    assert told.status_code == 422
    assert ("The target in mg/L" in told.text, "needs none" in told.text) == (True, False)
