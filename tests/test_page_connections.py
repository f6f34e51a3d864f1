"""Who keeps the local page waiting, sends very much at once, or kills it."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import psutil
import pytest

from colorread.log.store import Log
from colorread.page import server
from tests.kill_server import kill_servers
from tests.page_server import SAMPLES, distinct_photo, make_log, served

N_SILENT, N_SLOW, N_AT_ONCE = 110, 12, 12
PHOTO = (SAMPLES / "week" / "week-01.jpg").read_bytes()


@pytest.fixture
def page(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    log_path = make_log(tmp_path)
    with served(log_path, processes=2) as (url, _):
        yield url, log_path


def connected(url: str, data: bytes = b"") -> socket.socket:
    """Return a connection on which this was sent, and no more."""
    parts = urlsplit(url)
    wire = socket.create_connection((parts.hostname, parts.port or 0), timeout=60)
    wire.sendall(data)
    return wire


def upload_head(url: str, length: int) -> bytes:
    return (
        f"POST /api/tanks/window/readings HTTP/1.1\r\nHost: {urlsplit(url).netloc}\r\nContent-Length: {length}\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n\r\n--b\r\n"
        'Content-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
    ).encode()


def is_closed(wire: socket.socket) -> bool:
    """Whether the server has closed a connection, whose last bytes are dropped."""
    wire.setblocking(False)
    try:
        while wire.recv(1 << 16):
            pass
    except BlockingIOError:
        return False
    except ConnectionResetError:
        return True
    return True


@pytest.mark.parametrize("data", [b"", b"GET / HTTP/1.1\r\nHost: x\r\nX-Long: "])
def test_silent_connections_lock_nobody_out(
    page: tuple[str, Path], data: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "_HEAD_S", 600.0)  # who is let in, is let in at once
    url, _ = page
    with ExitStack() as stack:
        for _ in range(N_SILENT):
            stack.enter_context(connected(url, data))
        for _ in range(30):  # each by a connection of its own, so more than there is room for
            assert stack.enter_context(httpx.Client(timeout=60)).get(f"{url}/units").status_code == 200


def test_who_keeps_the_server_waiting_is_cut_off(page: tuple[str, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "_LOOK_S", 0.1)
    monkeypatch.setattr(server, "_HEAD_S", 0.5)
    monkeypatch.setattr(server, "_BODY_S", 2.0)
    url, log_path = page
    silent, half = connected(url), connected(url, b"GET / HT")
    stuck = connected(url, upload_head(url, 5 << 20) + PHOTO[:1000])
    fair = connected(url, upload_head(url, 5 << 20))
    with httpx.Client(timeout=60) as client:
        end = time.monotonic() + 20.0
        while not all([is_closed(silent), is_closed(half), is_closed(stuck)]):
            assert time.monotonic() < end
            if not is_closed(half):
                half.sendall(b"T")  # a letter now and then is no request
            fair.sendall(bytes(20_000))
            assert client.get(f"{url}/units").status_code == 200
            time.sleep(0.1)
        assert not is_closed(fair)  # which waited for longer than any limit
        assert client.get(f"{url}/units").status_code == 200
    for wire in (silent, half, stuck, fair):
        wire.close()
    assert not list((log_path.parent / "log-uploads").rglob("photo"))


def test_slow_uploads_do_not_keep_a_quick_one_waiting(page: tuple[str, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "_BODY_S", 600.0)
    url, log_path = page
    with ExitStack() as stack:
        for _ in range(N_SLOW):
            stack.enter_context(connected(url, upload_head(url, 30 << 20) + PHOTO))
        answer = httpx.post(f"{url}/api/tanks/window/readings", files={"photo": ("a.jpg", PHOTO)}, timeout=60)
        assert answer.status_code == 201
    with Log(log_path) as log:
        assert log.count("window") == 1


def test_many_photos_at_once_are_all_read(page: tuple[str, Path]) -> None:
    url, log_path = page
    photos = [distinct_photo(number) for number in range(N_AT_ONCE)]
    process = psutil.Process()
    before = process.memory_info().rss

    def send(data: bytes) -> int:
        files = {"photo": ("a.jpg", data)}
        return httpx.post(f"{url}/api/tanks/window/readings", files=files, timeout=300).status_code

    with ThreadPoolExecutor(N_AT_ONCE) as pool:
        statuses = list(pool.map(send, photos))
    assert set(statuses) == {201}
    assert process.memory_info().rss - before < 150 << 20  # with what the clients take
    with Log(log_path) as log:
        assert log.count("window") == N_AT_ONCE


def test_who_finds_no_place_is_told_when_to_come_again(page: tuple[str, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "_OF_ONE_ADDRESS_MAX", 3)
    url, _ = page
    with ExitStack() as stack:
        for _ in range(3):
            stack.enter_context(connected(url, upload_head(url, 1 << 20)))
        time.sleep(0.5)
        answer = httpx.get(f"{url}/units", timeout=60)
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) >= 1
    assert "content-security-policy" in answer.headers


def test_a_killed_server_loses_and_leaves_nothing(tmp_path: Path) -> None:
    kill_servers(tmp_path, 1)  # python -m tests.kill_server takes any number
