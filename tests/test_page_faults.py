"""The local page under fault: foreign cookies, odd and huge requests, a folder that goes, errors of other processes."""

from __future__ import annotations

import asyncio
import re
import shutil
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import psutil
import pytest
from PIL import Image, ImageFile

from colorread.log import Log, photo_path, undecided_path
from colorread.page.core import Core, WorkFailed, take_in_undecided
from colorread.page.guard import new_session
from colorread.page.pages_tank import profile_choices
from colorread.page.server import listen, problem_of
from colorread.page.uploads import Workplace
from colorread.profiles.defaults import has_defaults, read_defaults
from colorread.tank.settings import Tank
from tests.hard_work import crashing, faulty, raising
from tests.made_log import made_entry, made_log_at
from tests.page_server import SAMPLES, client_of, form_token, make_log

Page = tuple[httpx.Client, Core, Path]
GOOD = SAMPLES / "front-small.jpg"
TANK_URL = "/tanks/window"
FOREIGN_COOKIES = (
    *(
        'prefs={"a":1}',
        "foo",
        "=foo",
        "foo=",
        "=",
        "",
        " ; ;",
        "a=b=c=d",
        "a b=c d",
        "a,b=c,d",
        "a[b]=(c)",
        "a\tb=c\td",
    ),
    *('a="unclosed', 'a="with \\" inside"', 'a="\\', 'a="\\303\\274"', "a=日本", "a@b/c:d?=e", "$Version=1; $Path=/"),
    *("a=" + "x" * 30_000, 'a="' + "\\1" * 15_000 + '"', "; ".join(f"cookie{n}={'y' * 90}" for n in range(300))),
)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    log_path = make_log(tmp_path_factory.mktemp("faults"))
    with client_of(log_path) as (client, core):
        yield client, core, log_path


@pytest.mark.parametrize("order", ["{foreign}; {own}", "{own}; {foreign}"])
def test_cookies_of_other_servers_on_the_machine_do_no_harm(page: Page, order: str) -> None:
    client, core, _ = page
    own = f"{core.access.cookie}={new_session()}"
    for foreign in FOREIGN_COOKIES:
        headers = {b"Cookie": order.format(foreign=foreign, own=own).strip().encode()}
        began = time.process_time()  # the server's too, which is a thread of this process
        shown = client.get("/units", headers=headers)
        assert "set-cookie" not in shown.headers, foreign[:40]  # it is known already
        fields = {"csrf": form_token(shown.text), "temperature": "c", "kh": "dkh"}
        assert client.post("/units", data=fields, headers=headers).status_code == 303, foreign[:40]
        assert time.process_time() - began < 1.0, foreign[:40]


def test_every_answer_carries_the_headers_also_that_of_an_error(
    page: Page, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    client, _, _ = page

    def failing(*_: object) -> None:
        raise ZeroDivisionError

    with monkeypatch.context() as patch:
        patch.setattr("colorread.page.pages.Log", failing)
        error = client.get("/tanks", headers={"Connection": "close"})
    capfd.readouterr()  # the terminal shows it whole
    answers = [
        (client.get(TANK_URL), 200),
        (client.get("/static/page.js"), 200),
        (client.get("/api/tanks"), 200),
        (error, 500),
        (client.get("/nowhere"), 404),
        (client.get("/tanks", headers={"Host": f"rebound.example:{client.base_url.port}"}), 421),
        (client.get("/tanks", headers={"Host": "127.0.0.1:1"}), 421),
        (client.post(f"{TANK_URL}/snap", headers={"Origin": "http://elsewhere.example"}), 403),
        (client.post("/units", content=iter([b"a"])), 411),
        (client.post("/units", content=b"a" * 100_000), 413),
    ]
    for answer, status in answers:
        assert answer.status_code == status
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe-inline" not in policy.replace("style-src-attr 'unsafe-inline'", "")
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert status == 200 or "html" in answer.headers["content-type"]
    with socket.create_connection((client.base_url.host, client.base_url.port or 0), timeout=5) as wire:
        wire.sendall(b"no HTTP at all\r\n\r\n")
        assert b"default-src 'none'" in wire.recv(4096)


@pytest.mark.parametrize("path", ["/api/tanks/window", "/units"])
def test_a_huge_body_is_turned_away_at_once_and_takes_no_memory(page: Page, path: str) -> None:
    client, _, _ = page
    url = urlsplit(str(client.base_url))
    process, size = psutil.Process(), 100 << 20
    method = "PUT" if path.startswith("/api") else "POST"
    head = f"{method} {path} HTTP/1.1\r\nHost: {url.netloc}\r\nContent-Type: application/json\r\n"
    with socket.create_connection((url.hostname, url.port or 0), timeout=10) as wire:
        before = process.memory_info().rss
        began = time.process_time()
        wire.sendall(f"{head}Content-Length: {size}\r\n\r\n".encode() + b'{"a": "')
        answer = wire.recv(1 << 16)
        assert answer.startswith(b"HTTP/1.1 413 ")
        assert time.process_time() - began < 1.0
        part = b"a" * (1 << 20)
        for _ in range(size >> 20):  # a browser sends all before it looks at the answer
            wire.sendall(part)
        assert process.memory_info().rss - before < 20 << 20


def test_a_browser_that_sends_too_much_sees_the_answer(page: Page) -> None:
    client, _, _ = page
    answer = client.post(f"{TANK_URL}/snap", files={"photo": ("a.jpg", b"a" * (60 << 20))})
    assert answer.status_code == 413
    assert "40 MB" in answer.text


@pytest.mark.parametrize("charset", ["unicode_escape", "utf-7", "nonsense"])
def test_a_form_is_in_utf_8(page: Page, charset: str) -> None:
    client, _, _ = page
    token = form_token(client.get("/new-tank").text)
    body = f'--b\r\nContent-Disposition: form-data; name="csrf"\r\n\r\n{token}\r\n'
    body += '--b\r\nContent-Disposition: form-data; name="name"\r\n\r\n\\ud800\r\n--b--\r\n'
    headers = {"Content-Type": f"multipart/form-data; boundary=b; charset={charset}"}
    assert client.post("/new-tank", content=body.encode(), headers=headers).status_code == 415
    headers = {"Content-Type": "multipart/form-data; boundary=b; charset=UTF-8"}
    assert client.post("/new-tank", content=body.encode(), headers=headers).status_code == 422


def test_no_photo_is_decoded_in_the_server(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    client, _, log_path = page

    def decoded_here(*_: object, **__: object) -> None:
        raise AssertionError("decoded in the server")

    token = form_token(client.get(TANK_URL).text)
    data = GOOD.read_bytes()
    monkeypatch.setattr(ImageFile.ImageFile, "load", decoded_here)
    monkeypatch.setattr(Image, "open", decoded_here)
    sent = client.post(f"{TANK_URL}/snap", files={"photo": ("a.jpg", data)}, data={"csrf": token})
    url = sent.headers["location"].partition("?")[0]
    assert client.post(f"{url}/photo", data={"csrf": token}).status_code == 303
    several = client.post(f"{TANK_URL}/several", files={"photo": ("a.jpg", data)}, data={"csrf": token})
    assert "mg/L" in several.text
    photo = {"photo": ("a.jpg", (SAMPLES / "week" / "calibration-acid.jpg").read_bytes())}
    assert client.post(f"{TANK_URL}/calibrate/ends/acid/photo", files=photo, data={"csrf": token}).status_code == 303
    assert photo_path(log_path, url.rpartition("/")[2]).exists()
    client.post(url, data={"csrf": token})


@pytest.mark.parametrize(
    ("kind", "status"), [("log", 503), ("full", 507), ("disk", 507), ("memory", 503), ("bug", 500)]
)
def test_errors_of_other_processes_keep_their_kind(page: Page, kind: str, status: int) -> None:
    _, core, _ = page
    with pytest.raises(Exception) as caught:
        asyncio.run(core.pool.run(raising, kind))
    assert problem_of(caught.value)[0] == status


def test_a_process_that_crashes_takes_neither_the_server_nor_the_next_photo_along(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, core, _ = page
    photo = {"photo": ("a.jpg", GOOD.read_bytes())}
    with monkeypatch.context() as patch:
        patch.setattr("colorread.page.tasks.score_photo", crashing)
        answer = client.post("/api/tanks/window/readings", files=photo)
        assert (answer.status_code, answer.json()["code"]) == (422, "broke-off")
    with pytest.raises(WorkFailed):
        asyncio.run(core.pool.run(crashing))
    assert client.post("/api/tanks/window/readings?keep=false", files=photo).status_code in (200, 201)


def test_a_fault_in_the_summary_leaves_the_camera_and_one_in_a_photo_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    log_path = make_log(tmp_path)
    with Log(log_path) as log:
        log.add(made_entry())
    photo = {"photo": ("a.jpg", GOOD.read_bytes())}
    with client_of(log_path) as (client, _):
        monkeypatch.setattr("colorread.page.tasks.view_tank", faulty)
        monkeypatch.setattr("colorread.page.tasks.score_photo", faulty)
        shown = client.get(TANK_URL)
        assert shown.status_code == 200
        assert 'id="camera"' in shown.text
        assert 'data-days="known"' in shown.text  # the script does not ask for it again and again
        assert client.get(f"{TANK_URL}/report.html").status_code == 500
        refused = client.post(f"{TANK_URL}/snap", files=photo, data={"csrf": form_token(shown.text)})
        assert (refused.status_code, "fault in the program" in refused.text) == (422, True)
    assert "Traceback" not in capfd.readouterr().err


def test_a_profile_that_cannot_be_saved_or_read_is_told_without_error_numbers(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with client_of(log_path) as (client, _):
        url = f"{TANK_URL}/calibrate/ends"
        token = form_token(client.get(url).text)
        for step in ("acid", "base", "known"):
            photo = {"photo": ("a.jpg", (SAMPLES / "week" / f"calibration-{step}.jpg").read_bytes())}
            client.post(f"{url}/{step}/photo", files=photo, data={"csrf": token})
        form = {"csrf": token, "buffer": "kh", "known_ph": "6.9", "use": "yes"}
        folder = tmp_path / "log-profiles"
        folder.write_bytes(b"")
        unsaved = client.post(url, data=form)
        assert (unsaved.status_code, "could not be saved" in unsaved.text) == (422, True)
        folder.unlink()
        assert client.post(url, data=form).status_code == 200
        next(folder.iterdir()).unlink()
        photo = {"photo": ("a.jpg", GOOD.read_bytes())}
        refused = client.post(f"{TANK_URL}/snap", files=photo, data={"csrf": token})
        assert refused.status_code == 409
        assert "Errno" not in unsaved.text + refused.text


def test_a_damaged_log_is_told_alike_on_every_path(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with client_of(log_path) as (client, _):
        log_path.write_bytes(b"SQLite format 3\0" + b"damaged " * 1000)
        for suffix in ("-wal", "-shm"):
            log_path.with_name(log_path.name + suffix).unlink(missing_ok=True)
        statuses = {
            path: client.get(path).status_code
            for path in ("/", "/tanks", TANK_URL, f"{TANK_URL}/settings", "/api/tanks", "/api/tanks/window/summary")
        }
        photo = {"photo": ("a.jpg", GOOD.read_bytes())}
        statuses["post"] = client.post("/api/tanks/window/readings", files=photo).status_code
    assert set(statuses.values()) == {503}, statuses


def test_one_tank_does_not_wait_for_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two views at a time are worked out, each once however many ask for it."""
    log_path = make_log(tmp_path)
    with Log(log_path) as log:
        log.add_tank(Tank(name="desk"))
    with client_of(log_path) as (_, core):
        asked: list[str] = []
        is_free = asyncio.Event()

        async def slow(task: object, path: Path, name: str) -> str:
            asked.append(name)
            if name == "window":
                await is_free.wait()
            return name

        async def ask() -> list[object]:
            waiting = [asyncio.create_task(core.view("window")) for _ in range(3)]
            other = await asyncio.wait_for(core.view("desk"), 5.0)
            is_free.set()
            return [other, *await asyncio.gather(*waiting)]

        monkeypatch.setattr(core.pool, "run", slow)
        assert asyncio.run(ask()) == ["desk", "window", "window", "window"]
        assert sorted(asked) == ["desk", "window"]


def test_uploads_go_on_where_their_folder_was_cleared_away(tmp_path: Path) -> None:
    said: list[str] = []
    with client_of(make_log(tmp_path), said=said) as (client, core):
        url = f"{TANK_URL}/calibrate/ends"
        token = form_token(client.get(url).text)
        photo = {"photo": ("a.jpg", (SAMPLES / "week" / "calibration-acid.jpg").read_bytes())}
        assert client.post(f"{url}/acid/photo", files=photo, data={"csrf": token}).status_code == 303
        assert core.workplace.path.stat().st_mode & 0o777 == 0o700
        shutil.rmtree(core.workplace.path.parent)
        assert "taken" not in client.get(url).text.partition("<ol")[2]  # that photo has to be taken again
        for _ in range(2):
            sent = client.post("/api/tanks/window/readings", files={"photo": ("a.jpg", GOOD.read_bytes())})
            assert sent.status_code == 201
        assert len(said) == 1
        assert "recreated" in said[0]
    assert not core.workplace.path.exists()


def test_what_a_killed_server_left_behind_is_cleared_and_that_of_a_running_one_is_not(tmp_path: Path) -> None:
    log_path, said = tmp_path / "log.sqlite", list[str]()
    running, killed = listen("127.0.0.1", 0), listen("127.0.0.1", 0)
    ports = [taken.getsockname()[1] for taken in (running, killed)]
    kept, left = (Workplace(log_path, "127.0.0.1", port, said.append).new_folder() / "photo" for port in ports)
    for path in (kept, left):
        path.write_bytes(b"with its place")
    killed.close()
    gone = Workplace(log_path, "192.0.2.7", 8300, said.append).new_folder()  # an address that the machine had once
    Workplace(log_path, "127.0.0.1", 1, said.append)
    assert kept.exists()
    assert not left.exists()
    assert not gone.exists()
    assert "left behind: 1" in said[0]
    running.close()


def test_what_a_mac_puts_beside_files_is_no_folder_of_uploads_and_no_profile(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    for name in ("uploads/._127.0.0.1-8300", "profiles/._me.toml", "phones/._me.toml"):
        beside = tmp_path / f"log-{name}"
        beside.parent.mkdir(exist_ok=True)
        beside.write_bytes(b"\x00\x05\x16\x07")
    Workplace(log_path, "127.0.0.1", 1, print)
    assert profile_choices(log_path, None) == []
    assert not has_defaults(log_path)
    assert read_defaults(log_path) == ({}, ())


def test_photos_wait_for_room_on_the_disk(tmp_path: Path) -> None:
    workplace = Workplace(tmp_path / "log.sqlite", "127.0.0.1", 1, print)

    async def ask() -> list[str]:
        order = []

        async def receive(name: str, n_bytes: int, turns: int) -> None:
            async with workplace.room(n_bytes):
                order.append(name)
                for _ in range(turns):
                    await asyncio.sleep(0)

        await asyncio.gather(receive("first", 700 << 20, 5), receive("large", 600 << 20, 0), receive("small", 9, 0))
        return order

    assert asyncio.run(ask()) == ["first", "small", "large"]


def test_readings_that_an_earlier_version_left_waiting_are_kept(tmp_path: Path) -> None:
    log_path = tmp_path / "log.sqlite"
    with made_log_at(undecided_path(log_path)) as waiting:
        waiting.add(made_entry(1))
        waiting.add_tank(Tank(name="gone"))
        waiting.add(made_entry(2, tank="gone"))
    made_log_at(log_path).close()
    assert take_in_undecided(log_path) == 1
    assert take_in_undecided(log_path) == 0
    with Log(log_path) as log:
        assert [entry.sha256 for entry in log.entries()] == [made_entry(1).sha256]
        assert log.picture("window", made_entry(1).sha256) == made_entry(1).picture
    assert [path.name for path in tmp_path.glob("*undecided*")] == []


def test_a_tank_is_renamed_and_removed_in_its_settings(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with client_of(log_path) as (client, core):
        with Log(log_path) as log:
            log.add(made_entry())
        kept = photo_path(log_path, made_entry().sha256)
        kept.parent.mkdir()
        kept.write_bytes(b"a photo")
        token = form_token(client.get(f"{TANK_URL}/settings").text)
        photo = {"photo": ("a.jpg", (SAMPLES / "week" / "calibration-acid.jpg").read_bytes())}
        client.post(f"{TANK_URL}/calibrate/ends/acid/photo", files=photo, data={"csrf": token})
        wrong = client.post(f"{TANK_URL}/rename", data={"csrf": token, "new_name": "a/b"})
        assert wrong.status_code == 422
        renamed = client.post(f"{TANK_URL}/rename", data={"csrf": token, "new_name": "Küche 2"})
        shown = client.get(renamed.headers["location"])
        assert "<h1>Küche 2</h1>" in shown.text
        assert client.get(TANK_URL).status_code == 404
        assert list(core.workplace.path.iterdir()) == []
        settings = client.get("/tanks/K%C3%BCche%202/settings").text
        assert "Its 1 reading" in settings
        removed = client.post("/tanks/K%C3%BCche%202/remove", data={"csrf": token})
        assert client.get(removed.headers["location"]).status_code == 200
        assert not kept.exists()
        with Log(log_path) as log:
            assert log.tanks() == ()
            assert log.count("Küche 2") == 0


def test_damaged_readings_are_named_and_can_be_deleted(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with Log(log_path) as log:
        for number in range(4):
            log.add(made_entry(number))
        for number, damage in enumerate(("result = 'x'", "scored_at = x'00'", "sha256 = CAST(x'61ff' AS TEXT)"), 1):
            changed = f"UPDATE reading SET {damage} WHERE sha256 = ?"
            log._connection.execute(changed, (made_entry(number).sha256,))
    with client_of(log_path) as (client, _):
        shown = client.get(TANK_URL).text
        assert "Damaged readings: 3" in shown
        assert [f"<li>IMG_000{number}.jpg:" in shown for number in range(4)] == [False, True, True, True]
        assert client.post(f"{TANK_URL}/damaged", data={"csrf": "0"}).status_code == 403
        done = client.post(f"{TANK_URL}/damaged", data={"csrf": form_token(shown)})
        assert done.status_code == 303
        left = client.get(done.headers["Location"]).text
        assert 'id="damaged"' not in left
    with Log(log_path) as log:
        assert log.count("window") == 1
        assert [entry.reading.photo for entry in log.entries("window")] == ["IMG_0000.jpg"]


def test_a_damaged_tank_is_named_and_can_be_removed(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with Log(log_path) as log:
        log.add_tank(Tank(name="desk 2"))
        log.add(made_entry(0, tank="desk 2"))
        log._connection.execute("UPDATE tank SET settings = 'x' WHERE name LIKE 'desk%'")
    with client_of(log_path) as (client, _):
        shown = client.get("/tanks").text
        assert "desk 2 is damaged" in shown
        (address,) = re.findall(r'action="(/tanks/desk[^"]*/remove)"', shown)
        assert client.post(address, data={"csrf": form_token(shown)}).status_code == 303
        assert "is damaged" not in client.get("/tanks").text
    with Log(log_path) as log:
        assert log.count("desk 2") == 0
        assert [tank.name for tank in log.tanks()] == ["window"]
