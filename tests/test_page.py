"""The local page without a browser: who is let in, what becomes of a photo, and what is turned away."""

from __future__ import annotations

import csv
import html
import io
import json
import mimetypes
import re
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import Mock

import httpx
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from colorread.chemistry.kh_fluid import CAUTIONS, fluid_recipe
from colorread.cli import app as command_line
from colorread.errors import refusal
from colorread.log import Log, photo_path
from colorread.page.core import Core
from colorread.page.guard import devices_path
from colorread.words.phrases import NO_BREAK
from colorread.words.verdict import Marks
from tests.made_log import made_entry
from tests.page_server import SAMPLES, TANK, choose_units, client_of, form_token, make_log

Page = tuple[httpx.Client, Core, Path]
GOOD, LEAF = SAMPLES / "front-small.jpg", SAMPLES / "refuse-leaf.jpg"
TANK_URL = "/tanks/window"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    log_path = make_log(tmp_path_factory.mktemp("page"))
    with client_of(log_path) as (client, core):
        yield client, core, log_path


def snap(client: httpx.Client, data: bytes, name: str = "photo.jpg", **fields: str):
    token = form_token(client.get(TANK_URL).text)
    return client.post(f"{TANK_URL}/snap", files={"photo": (name, data)}, data={"csrf": token, **fields})


def n_kept(log_path: Path) -> int:
    with Log(log_path) as log:
        return log.count("window")


def left_behind(core: Core) -> list[Path]:
    """Return the files of uploads that are done with."""
    waiting = set(core.originals._paths.values())
    return [path for path in core.workplace.path.rglob("*") if path.is_file() and path not in waiting]


def test_nothing_on_a_page_runs_inline_or_comes_from_elsewhere(page: Page) -> None:
    for path in (TANK_URL, "/tanks", "/print", "/units", f"{TANK_URL}/settings", f"{TANK_URL}/calibrate"):
        answer = page[0].get(path)
        assert answer.status_code == 200, path
        assert not re.search(r"<script(?![^>]*\bsrc=\"/static/)", answer.text), path
        assert not re.search(r"\son[a-z]+=\"", answer.text), path
        assert not re.search(r"(?:src|href)=\"(?:https?:)?//", answer.text), path
        assert '<html lang="en">' in answer.text


def test_a_photo_is_read_and_kept_at_once(page: Page) -> None:
    client, _, log_path = page
    before = n_kept(log_path)
    answer = snap(client, GOOD.read_bytes(), "IMG_1.jpg")
    assert answer.status_code == 303
    assert n_kept(log_path) == before + 1
    shown = client.get(answer.headers["location"])
    assert "mg/L" in shown.text
    assert 'value="discard"' in shown.text
    said = CliRunner().invoke(command_line, ["log", "show", "--json", "--log", str(log_path)]).stdout
    assert any(json.loads(line)["reading"]["photo"] == "IMG_1.jpg" for line in said.splitlines())
    url = answer.headers["location"].partition("?")[0]
    assert 'value="discard"' not in client.get(url).text
    with Image.open(io.BytesIO(client.get(f"{url}/picture").content)) as image:
        assert not image.getexif()
    assert client.get(f"{url}/photo").status_code == 404  # nobody said to keep it


def test_a_discarded_reading_leaves_nothing(page: Page) -> None:
    client, core, log_path = page
    before = n_kept(log_path)
    place = snap(client, (SAMPLES / "front-green.jpg").read_bytes()).headers["location"].partition("?")[0]
    sha256 = place.rpartition("/")[2]
    original = core.originals.paths("window", sha256)[sha256]
    discarded = client.post(place, data={"csrf": form_token(client.get(place).text), "choice": "discard"})
    assert discarded.status_code == 303
    assert "Discarded" in client.get(discarded.headers["location"]).text
    assert n_kept(log_path) == before
    assert not original.parent.exists()
    assert client.get(place).status_code == 404


def test_a_photo_that_was_sent_before_is_neither_read_nor_kept_again(page: Page) -> None:
    client, _, log_path = page
    data = (SAMPLES / "front-green.jpg").read_bytes()
    sha256 = snap(client, data).headers["location"].partition("?")[0].rpartition("/")[2]
    with Log(log_path) as log:
        first = log.entry("window", sha256)
    again = snap(client, data)
    with Log(log_path) as log:
        assert log.entry("window", sha256) == first
        log.put_tank(replace(TANK, kh_dkh=8.0))
    assert 'value="discard"' not in client.get(again.headers["location"]).text  # it would take the first one back
    with_other_kh = snap(client, data)
    assert 'value="discard"' not in client.get(with_other_kh.headers["location"]).text  # nothing stands behind it
    with Log(log_path) as log:
        last = log.entry("window", sha256)
        log.put_tank(TANK)
        log.forget("window", [sha256])
    assert last.settings_id != first.settings_id


def test_a_kept_photo_has_lost_its_place_and_goes_with_its_reading(page: Page, tmp_path: Path) -> None:
    client, core, log_path = page
    with Image.open(SAMPLES / "front-yellow.jpg") as image:
        exif = image.getexif()
        exif.get_ifd(0x8825)[1] = "N"
        exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
        exif[0xA431] = "SERIAL-4711"
        image.save(tmp_path / "placed.jpg", exif=exif, quality=92)
    place = snap(client, (tmp_path / "placed.jpg").read_bytes()).headers["location"].partition("?")[0]
    token = form_token(client.get(place).text)
    assert client.post(f"{place}/photo", data={"csrf": token}).status_code == 303
    assert not core.originals.paths("window", place.rpartition("/")[2])
    kept = client.get(f"{place}/photo")
    assert kept.status_code == 200
    assert b"SERIAL-4711" not in kept.content
    with Image.open(io.BytesIO(kept.content)) as image:
        assert not image.getexif().get_ifd(0x8825)
    stored = photo_path(log_path, place.rpartition("/")[2])
    assert stored.stat().st_mode & 0o777 == 0o600
    assert stored.parent.stat().st_mode & 0o777 == 0o700
    assert client.post(f"{place}/photo", data={"csrf": token}).status_code == 410  # the original is gone
    assert client.post(place, data={"csrf": token}).status_code == 303
    assert not stored.exists()
    assert client.get(f"{place}/picture").status_code == 404


def test_report_and_table_of_a_tank_can_be_taken_along(page: Page) -> None:
    client, _, log_path = page
    tank = replace(TANK, name="Küche 2", marks=Marks(fish_mg_l=10.0))
    with Log(log_path) as log:
        log.add_tank(tank)
        log.add(made_entry(1, tank=tank.name))
    try:
        shown = client.get("/tanks/K%C3%BCche%202").text
        links = re.findall(r'href="([^"]+/(?:report.html|readings.csv|plan.ics))"', shown)
        report, table, plan = (client.get(link) for link in links)
        kinds = ((report, "inline", "html"), (table, "attachment", "csv"), (plan, "attachment", "ics"))
        for answer, how, suffix in kinds:
            assert answer.status_code == 200
            assert answer.headers["content-disposition"] == f"{how}; filename*=UTF-8''K%C3%BCche%202.{suffix}"
        assert "script-src" not in report.headers["content-security-policy"]
        assert "Küche 2: CO2 of the tank" in report.text
        assert "data:image/jpeg;base64," in report.text
        (row,) = csv.DictReader(io.StringIO(table.content.decode("utf-8-sig")))
        assert (row["photo"], row["co2_mg_l"], row["fish"]) == ("IMG_0001.jpg", "18.05", "act")
        assert client.get("/tanks/nowhere/report.html").status_code == 404
        assert client.get("/tanks/nowhere/readings.csv").status_code == 404
    finally:
        with Log(log_path) as log:
            log.remove_tank(tank.name, with_readings=True)


def test_the_recipe_of_the_fluid_is_told_in_the_unit_of_the_browser_with_its_cautions(
    page: Page,
) -> None:
    client, _, _ = page
    # 2.804 dKH are 1 meq/L, 1 dKH are 17.85 mg/L of CaCO3
    for unit, kh, told in (
        ("caco3", "89,25", "85.9 mg/L CaCO3 (4.81 dKH)"),
        ("meq", "1,7832", "1.72 meq/L (4.81 dKH)"),
    ):
        choose_units(client, "c", unit)
        shown = html.unescape(client.get("/fluid", params={"kh": kh, "volume": "500"}).text).replace(NO_BREAK, " ")
        assert told in shown
        assert f"{fluid_recipe(5.0, 500.0).baking_soda_g:g} g" in shown
        assert all(caution in shown for caution in CAUTIONS)
    choose_units(client, "c", "dkh")
    wrong = client.get("/fluid?kh=much")
    assert wrong.status_code == 422
    assert "much" in wrong.text


def test_a_refused_photo_says_why_offers_the_camera_and_leaves_nothing(page: Page) -> None:
    client, core, log_path = page
    before = n_kept(log_path)
    for data, status, code in (
        (b"a text and no photo", 415, "not-a-photo"),
        (LEAF.read_bytes(), 422, "no-vial"),
        (b"", 422, ""),
    ):
        answer = snap(client, data)
        assert answer.status_code == status
        if code:
            reason = refusal(code, name="card").reason
            text = html.unescape(answer.text).replace(NO_BREAK, " ")
            assert reason.message in text
            assert reason.next_step in text
            assert f'action="{TANK_URL}/snap"' in text
        assert n_kept(log_path) == before
        assert left_behind(core) == []


def jpeg(size: tuple[int, int] = (1200, 900)) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(np.full((size[1], size[0], 3), 200, np.uint8)).save(stream, "JPEG")
    return stream.getvalue()


def bomb() -> bytes:
    """A PNG of 20000 x 20000 pixels in few bytes."""
    stream = io.BytesIO()
    Image.new("1", (20000, 20000)).save(stream, "PNG")
    return stream.getvalue()


def zipped() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("photo.jpg", jpeg())
    return stream.getvalue()


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("truncated.jpg", lambda: GOOD.read_bytes()[:20000]),
        ("bomb.png", bomb),
        ("photo.svg", lambda: b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'),
        ("gifar.jpg", lambda: b"GIF89a" + zipped()),
        ("<script>alert(1)</script>.jpg", lambda: b""),
        ("../../etc/passwd", lambda: b"root"),
        ("..\\..\\evil.jpg", jpeg),
    ],
)
def test_a_malicious_upload_gets_a_clear_4xx_and_leaves_nothing(page: Page, name: str, make) -> None:
    client, core, log_path = page
    before, files = n_kept(log_path), sorted(log_path.parent.rglob("*"))
    answer = snap(client, make(), name)
    assert answer.status_code == 413 if make is bomb else 400 <= answer.status_code < 500
    assert "Traceback" not in answer.text
    assert "<script>alert" not in answer.text
    assert re.search(r"<h1>.+</h1>", answer.text)
    assert n_kept(log_path) == before
    assert left_behind(core) == []
    assert [
        path for path in sorted(log_path.parent.rglob("*")) if path not in files and "sqlite" not in path.name
    ] == []


def test_several_photos_are_kept_and_told_of_one_by_one(page: Page) -> None:
    client, core, log_path = page
    before = n_kept(log_path)
    names = ("week/week-04.jpg", "week/week-07.jpg", "refuse-leaf.jpg")
    files = [("photo", (f"../{name}", (SAMPLES / name).read_bytes())) for name in names]
    files.append(("photo", ("list.txt", b"a text and no photo")))
    token = form_token(client.get(f"{TANK_URL}/several").text)
    answer = client.post(f"{TANK_URL}/several", files=files, data={"csrf": token})
    assert answer.status_code == 200
    rows = re.findall(r'<li class="row">.*</li>', answer.text)
    assert len(rows) == 4
    assert ["mg/L" in row for row in rows] == [True, True, False, False]
    assert "overexposed" in answer.text  # what made a reading less sure
    client.post(f"{TANK_URL}/several", files=files[:1], data={"csrf": token})
    assert n_kept(log_path) == before + 2
    assert left_behind(core) == []
    with Log(log_path) as log:
        assert all("/" not in entry.reading.photo for entry in log.entries("window"))


def test_a_request_from_elsewhere_changes_nothing(page: Page) -> None:
    client, _, log_path = page
    before = n_kept(log_path)
    photo = {"photo": ("a.jpg", GOOD.read_bytes())}
    for token in ({"csrf": "0" * 64}, {}):
        assert client.post(f"{TANK_URL}/snap", files=photo, data=token).status_code == 403
    for foreign in ({"Origin": "http://elsewhere.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}):
        sent = client.post("/api/tanks/window/readings", files=photo, headers=foreign)  # which needs no token
        assert sent.status_code == 403, foreign
    assert n_kept(log_path) == before


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/tanks/..%2f..%2fetc",
        f"{TANK_URL}/readings/../../x/photo",
        "/.env",
    ],
)
def test_no_path_leads_out(page: Page, path: str) -> None:
    answer = page[0].get(path)
    assert answer.status_code in (303, 404)
    assert "import" not in answer.text


def test_the_script_is_one_whatever_the_system_takes_such_files_for(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    mimetypes.init()
    monkeypatch.setitem(mimetypes.types_map, ".js", "text/plain")  # as in the registry of some machines
    answer = page[0].get("/static/page.js")
    assert answer.headers["content-type"].startswith("text/javascript")
    assert "addEventListener" in answer.text


@pytest.mark.parametrize("path", [f"{TANK_URL}?start=x", f"{TANK_URL}/calibrate/x", "/print/x.pdf", "/x"])
def test_an_odd_address_is_told_without_words_of_the_program(page: Page, path: str) -> None:
    answer = page[0].get(path)
    assert (answer.status_code, "does not exist" in answer.text) == (404, True)


@pytest.mark.parametrize("word", ["items", "__doc__", "<b>"])
def test_an_odd_word_for_what_was_done_says_nothing(page: Page, word: str) -> None:
    client = page[0]
    plain, odd = (client.get("/tanks", params=params).text for params in ({}, {"said": word}))
    assert 'class="said"' in client.get("/tanks", params={"said": "removed"}).text
    assert 'class="said"' not in odd
    assert re.findall("<title>(.*)</title>", odd) == re.findall("<title>(.*)</title>", plain)


def test_what_is_to_be_printed_is_sent_as_a_file(page: Page) -> None:
    for name in ("card.pdf", "tag.pdf", "chart.pdf"):
        answer = page[0].get(f"/print/{name}", params={"paper": "letter"})
        assert answer.status_code == 200
        assert answer.content.startswith(b"%PDF-")
        assert answer.headers["content-disposition"].startswith("attachment;")


def test_programs_get_json(page: Page) -> None:
    client, _, log_path = page
    before = n_kept(log_path)
    answer = client.post(
        "/api/tanks/window/readings", files={"photo": ("b.jpg", (SAMPLES / "front-blue.jpg").read_bytes())}
    )
    assert answer.status_code == 201
    reading = answer.json()
    assert reading["reading"]["schema"] == "colorread.reading/1"
    assert n_kept(log_path) == before + 1
    listed = client.get("/api/tanks/window/readings").json()
    assert listed["total"] == before + 1
    assert client.get("/api/tanks/window/summary").json()["schema"] == "colorread.summary/1"
    api_url = f"/api/tanks/window/readings/{reading['sha256']}"
    assert client.get(f"{api_url}/picture").headers["content-type"] == "image/jpeg"
    kept = photo_path(log_path, reading["sha256"])
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(b"a photo")
    assert client.delete(api_url).status_code == 204
    assert not kept.exists()
    assert client.get(f"{api_url}/picture").status_code == client.delete(api_url).status_code == 404
    assert n_kept(log_path) == before
    for wrong in ({"start": -1}, {"start": 10**30}, {"count": 0}, {"count": 1001}):
        assert client.get("/api/tanks/window/readings", params=wrong).status_code == 422, wrong
    refused = client.post("/api/tanks/window/readings", files={"photo": ("c.jpg", LEAF.read_bytes())})
    assert refused.status_code == 422
    assert refused.json()["code"] == "no-vial"
    assert client.get("/api/tanks/cellar").status_code == 404
    assert "window" in client.get("/api/tanks/cellar").json()["message"]


def test_view_of_a_tank_is_made_anew_in_another_hour_as_its_plan_is(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, core, _ = page
    versions = []
    for hour in (1.2, 1.4, 2.1):
        now = datetime(2025, 6, 1) + timedelta(hours=hour)
        monkeypatch.setattr("colorread.page.core.datetime", Mock(now=Mock(return_value=now)))
        versions.append(core._version("window"))
    assert versions[0] == versions[1] != versions[2]


def test_settings_of_a_tank_are_the_same_for_page_and_command_line(page: Page) -> None:
    client, _, log_path = page
    tank = client.get("/api/tanks/window").json()
    answer = client.put("/api/tanks/window", json={**tank, "kh_dkh": 5.0})
    assert answer.status_code == 200, answer.text
    said = CliRunner().invoke(command_line, ["tank", "list", "--json", "--log", str(log_path)]).stdout
    assert json.loads(said.splitlines()[0])["kh_dkh"] == 5.0
    client.put("/api/tanks/window", json=tank)
    stolen = client.put("/api/tanks/window", json={**tank, "profile": "/etc/passwd"})
    assert stolen.status_code == 422


def test_without_pairing_nothing_but_the_style_is_served(tmp_path: Path) -> None:
    codes: list[str] = []
    with client_of(make_log(tmp_path), shared=True, codes=codes) as (client, core):
        first = core.access.code
        for path in ("/", "/tanks", TANK_URL, "/static/page.js", "/api/tanks", "/api/openapi.json"):
            assert client.get(path).status_code == 403
        assert client.get("/static/style.css").status_code == 200  # also of the page that asks for the code
        assert client.get("/pair?code=guess").status_code == 403
        assert client.get("/tanks").status_code == 403
        assert client.get("/pair", params={"code": f" {first[:5].upper()} {first[5:]}"}).status_code == 303  # as typed
        assert client.get("/tanks").status_code == 200
        assert codes == [core.access.code]
        assert codes[0] != first
        client.cookies.clear()
        assert client.get(f"/pair?code={first}").status_code == 403  # each code works once
        assert client.get(f"/pair?code={codes[0]}").status_code == 303


def test_a_paired_phone_stays_paired_until_all_are_forgotten(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with client_of(log_path, shared=True) as (client, core):
        answer = client.get(f"/pair?code={core.access.code}")
        session = answer.headers["set-cookie"].partition("=")[2].partition(";")[0]
    kept = devices_path(log_path)
    assert session not in kept.read_text()
    assert kept.stat().st_mode & 0o777 == 0o600
    with client_of(log_path, shared=True) as (client, core):
        cookie = {"Cookie": f"{core.access.cookie}={session}"}
        assert client.get("/tanks", headers=cookie).status_code == 200
    kept.write_text("damaged [")
    with client_of(log_path, shared=True) as (client, core):
        cookie = {"Cookie": f"{core.access.cookie}={session}"}
        refused = client.get("/tanks", headers=cookie)
        assert refused.status_code == 403
        assert 'name="viewport"' in refused.text
        assert 'name="code"' in refused.text


def test_a_known_fluid_is_not_taken_without_its_ionic_strength(page: Page) -> None:
    client, _, _ = page
    url = f"{TANK_URL}/calibrate/ends"
    token = form_token(client.get(url).text)
    known = (SAMPLES / "week" / "calibration-known.jpg").read_bytes()
    sent = client.post(f"{url}/known/photo", files={"photo": ("known.jpg", known)}, data={"csrf": token})
    assert sent.status_code == 303
    listed = re.findall(
        r'<option value="([^"]+)"', client.get(url).text.partition('id="buffer"')[2].partition("</select>")[0]
    )
    assert listed == ["6.86", "7.00", "kh", "other"]
    asked = client.post(url, data={"csrf": token, "buffer": "other", "known_ph": "6.9", "choice": "make"})
    assert asked.status_code == 422
    assert "ionic strength" in asked.text
    for unclear in ({}, {"buffer": "7.00", "known_ph": "6.9"}):  # neither a pH nor a buffer, or two pH
        assert client.post(url, data={"csrf": token, "choice": "make", **unclear}).status_code == 422, unclear
    unsaid = client.post(url, data={"csrf": token, "buffer": "kh", "choice": "make"})
    assert unsaid.status_code == 422
    made = client.post(url, data={"csrf": token, "buffer": "kh", "known_ph": "6.9", "choice": "make"})
    assert made.status_code == 200, made.text
