"""What the page says of readings: judged by the marks of now, the last one by a clock that can be true."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from colorread.log.store import Log
from colorread.page.shown import age_words
from colorread.result import Interval
from colorread.tank.settings import GasSource
from colorread.words.gas_care import SIGNS_OF_DISTRESS, SourceKind, gas_cautions, less_gas_words
from colorread.words.phrases import NO_BREAK
from colorread.words.verdict import ACT_CAUTIONS, STANDING_CAUTIONS, Marks, watch_cautions
from tests.fabricated import made_reading
from tests.made_log import made_entry
from tests.page_server import TANK, client_of, make_log

Page = tuple[httpx.Client, Path]
NOW = datetime.now()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    log_path = make_log(tmp_path_factory.mktemp("shown"))
    with client_of(log_path) as (client, _):
        yield client, log_path


@pytest.fixture
def page(server: Page) -> Page:
    """The server, whose one tank has no readings yet."""
    with Log(server[1]) as log:
        log.remove_tank(TANK.name, with_readings=True)
        log.add_tank(TANK)
    return server


def add(log_path: Path, number: int, co2_mg_l: float, taken_at: datetime) -> str:
    interval = Interval(value=co2_mg_l, low=co2_mg_l - 2.0, high=co2_mg_l + 2.0)
    reading = made_reading(taken_at=taken_at, co2_mg_l=interval)
    entry = made_entry(number, reading=reading, scored_at=datetime.now(UTC))  # by which the page knows what is new
    with Log(log_path) as log:
        log.add(entry)
    return entry.sha256


def fish_words(text: str) -> list[str]:
    return re.findall(r"</span> Fish: ([a-z ]+)<", text)


def words_for_programs(client: httpx.Client, sha256: str) -> set[str]:
    listed = client.get("/api/tanks/window/readings").json()["readings"]
    answers = (*listed, client.get(f"/api/tanks/window/readings/{sha256}").json())
    return {answer["reading"]["verdict"]["fish"] for answer in answers}


def test_readings_are_judged_by_the_marks_of_now(page: Page) -> None:
    client, log_path = page
    sha256 = add(log_path, 1, 21.0, NOW - timedelta(hours=3))
    paths = ("/tanks/window", "/tanks", f"/tanks/window/readings/{sha256}")
    assert {word for path in paths for word in fish_words(client.get(path).text)} == {"no concern"}
    assert words_for_programs(client, sha256) == {"no concern"}
    assert all(re.search(r"19 to\s+23", client.get(path).text) for path in paths)
    assert SIGNS_OF_DISTRESS not in client.get("/tanks/window").text
    with Log(log_path) as log:
        log.put_tank(replace(TANK, marks=Marks(fish_mg_l=10.0)))
    assert {word for path in paths for word in fish_words(client.get(path).text)} == {"act"}
    assert words_for_programs(client, sha256) == {"act"}
    assert SIGNS_OF_DISTRESS in client.get("/tanks/window").text


@pytest.mark.parametrize("source", ["cylinder", "fermentation"])
def test_what_to_do_follows_from_what_makes_the_gas(page: Page, source: SourceKind) -> None:
    client, log_path = page
    with Log(log_path) as log:
        log.put_tank(replace(TANK, source=GasSource(kind=source)))
    assert gas_cautions(source)[1] in client.get("/tanks/window").text  # before any photo
    sha256 = add(log_path, 1, 60.0, NOW - timedelta(hours=3))
    for path in ("/tanks/window", f"/tanks/window/readings/{sha256}"):
        assert less_gas_words(source) in client.get(path).text


def test_a_low_morning_does_not_take_the_cautions_of_a_high_evening(page: Page) -> None:
    client, log_path = page
    with Log(log_path) as log:
        log.put_tank(replace(TANK, gas=None))
    add(log_path, 1, 60.0, NOW - timedelta(hours=15))
    add(log_path, 2, 10.0, NOW - timedelta(hours=2))
    text = html.unescape(client.get("/tanks/window").text).replace(NO_BREAK, " ")
    assert "Fish: act<" in text
    for caution in (
        *watch_cautions(TANK.judged_by),
        *ACT_CAUTIONS,
        *STANDING_CAUTIONS,
        *gas_cautions(TANK.source_kind),
    ):
        assert text.count(caution) == 1


@pytest.mark.parametrize("hours", [4, 20])
def test_an_old_verdict_does_not_stand_as_if_of_now(page: Page, hours: int) -> None:
    client, log_path = page
    sha256 = add(log_path, 1, 61.0, NOW - timedelta(days=20, hours=hours))
    paths = ("/tanks", "/tanks/window", f"/tanks/window/readings/{sha256}")
    for path in paths:
        text = client.get(path).text
        assert "Fish then: act<" in text
        assert len(set(re.findall(r"(\d+) days (?:old|ago)", text))) == 1  # counted alike all over a page
    assert all("Take a new photo" in client.get(path).text for path in paths[1:])
    add(log_path, 2, 60.0, NOW - timedelta(hours=3))
    for path in paths[:2]:
        text = client.get(path).text
        assert "Fish: act<" in text
        assert "3 hours ago" in text
        assert "Take a new photo" not in text


def test_a_photo_of_the_future_is_not_the_last_reading(page: Page) -> None:
    client, log_path = page
    add(log_path, 1, 61.0, NOW + timedelta(days=400))
    text = client.get("/tanks/window").text
    assert "plausible date" in text
    assert "no reading yet" in client.get("/tanks").text
    add(log_path, 2, 21.0, NOW - timedelta(hours=3))
    for path in ("/tanks/window", "/tanks"):
        text = client.get(path).text
        assert "3 hours ago" in text.lower()
        assert "in the future by this computer" not in text.lower()
    add(log_path, 3, 22.0, NOW + timedelta(hours=10))  # a phone in another part of the world
    assert "in the future by this computer" in client.get("/tanks").text.lower()


@pytest.mark.parametrize(("ahead_s", "words"), [(31, "0 minutes ago"), (115, "0 minutes ago"), (125, "in the future")])
def test_the_clock_of_a_phone_may_be_two_minutes_ahead(ahead_s: int, words: str) -> None:
    now = datetime(2025, 6, 2, 12, tzinfo=UTC)
    assert age_words(now + timedelta(seconds=ahead_s), now).startswith(words)


def test_the_page_offers_settings_and_no_commands(page: Page) -> None:
    client, log_path = page
    with Log(log_path) as log:
        log.put_tank(replace(TANK, gas=None))
    for number in range(4):
        add(log_path, number, 20.0, NOW - timedelta(hours=12 * number))
    text = html.unescape(client.get("/tanks/window").text).replace(NO_BREAK, " ")
    assert "gas hours in its settings" in html.unescape(text)
    assert not re.search(r"\bcolorread (?!\d)", text)


def test_of_a_doubtful_color_a_person_is_asked_what_the_outline_holds(page: Page) -> None:
    client, log_path = page
    question = "inside the dashed outline?"
    for number, flags in enumerate(((), ("odd-color",))):
        entry = made_entry(
            number, reading=made_reading(flags=flags), picture=b"\xff\xd8picture", scored_at=NOW.astimezone()
        )
        with Log(log_path) as log:
            log.add(entry)
        url = f"/tanks/window/readings/{entry.sha256}"
        shown = client.get(f"{url}?said=kept").text
        assert (question in shown) == bool(flags)
        assert shown.count('value="discard"') == 1
        assert question not in client.get(url).text  # the answer was given
