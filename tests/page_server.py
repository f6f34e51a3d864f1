"""The local page for the tests: a server on a free port of this machine, and a client without a browser."""

from __future__ import annotations

import html
import io
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import httpx
from PIL import Image

from colorread.log.store import Log
from colorread.page.core import Core, Pool, _do
from colorread.page.guard import Access, devices_path
from colorread.page.server import create_app, listen, server_of
from colorread.tank.settings import Tank, parse_span
from colorread.workers import Workers

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
TANK = Tank(name="window", volume_l=60.0, lights=parse_span("10:00-18:00"), gas=parse_span("08:00-18:00"))


def make_log(folder: Path) -> Path:
    """Return a new log with one tank."""
    path = folder / "log.sqlite"
    with Log(path) as log:
        log.add_tank(TANK)
    return path


class SharedPool(Pool):
    """Processes that outlive a server: each takes a second to start, and a test leaves nothing in it."""

    def __init__(self, count: int) -> None:
        super().__init__(count)
        self._workers = _shared_workers(count)

    def close(self) -> None:
        """Leave the processes to the next server."""


@cache
def _shared_workers(count: int) -> Workers[Any, Any]:
    return Workers(_do, count=count, time_limit_s=60.0)


@contextmanager
def served(
    log_path: Path,
    *,
    shared: bool = False,
    codes: list[str] | None = None,
    said: list[str] | None = None,
    processes: int = 1,
) -> Iterator[tuple[str, Core]]:
    """Yield the address of a server that listens on a free port, and its state; few processes start soon."""
    shown, told = [] if codes is None else codes, [] if said is None else said
    taken = listen("127.0.0.1", 0)
    port = taken.getsockname()[1]
    access = Access(
        host="127.0.0.1", port=port, shared=shared, devices_path=devices_path(log_path), on_paired=shown.append
    )
    core = Core(log_path, access, home=None, tell=told.append)
    core.pool = SharedPool(processes)
    core.patience_s = 60.0  # so that a page is whole when it is asked for once
    server = server_of(create_app(core))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [taken]})
    thread.start()
    try:
        yield f"http://127.0.0.1:{port}", core
    finally:
        server.should_exit = True
        thread.join()
        taken.close()


@contextmanager
def client_of(
    log_path: Path, *, shared: bool = False, codes: list[str] | None = None, said: list[str] | None = None
) -> Iterator[tuple[httpx.Client, Core]]:
    """Yield a client that follows nothing by itself, and the state of the server."""
    with (
        served(log_path, shared=shared, codes=codes, said=said) as (url, core),
        httpx.Client(base_url=url, timeout=300) as client,
    ):
        yield client, core


def form_token(page: str) -> str:
    """Return the token that the forms of a page carry."""
    found = re.search(r'name="csrf" value="([0-9a-f]+)"', page)
    assert found is not None
    return found.group(1)


def choose_units(client: httpx.Client, temperature: str, kh: str) -> None:
    """Choose the units that the browser shows."""
    token = form_token(client.get("/units").text)
    client.post("/units", data={"csrf": token, "temperature": temperature, "kh": kh})


def fields_of(text: str) -> dict[str, str]:
    """Return what a browser would send of the first form of a page."""
    form = text[text.index("<form") : text.index("</form>")]
    inputs = re.findall(r'<input type="(?:text|date|time|hidden)"[^>]* name="([^"]+)" value="([^"]*)"', form)
    boxes = re.findall(r'<input type="checkbox" name="([^"]+)" value="([^"]*)" checked', form)
    chosen = [
        (name, re.search(r'value="([^"]*)" selected', options))
        for name, options in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', form, re.DOTALL)
    ]
    return {name: html.unescape(value) for name, value in inputs + boxes} | {
        name: html.unescape(value.group(1)) for name, value in chosen if value
    }


def distinct_photo(number: int) -> bytes:
    """The same photo with a comment of its own, so that each counts."""
    stream = io.BytesIO()
    with Image.open(SAMPLES / "week" / "week-01.jpg") as image:
        image.save(stream, "JPEG", quality=90, comment=f"{number}".encode(), icc_profile=image.info.get("icc_profile"))
    return stream.getvalue()
