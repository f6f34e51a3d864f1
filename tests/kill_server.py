"""Kills the server of the page while it reads photos, again and again: ``python -m tests.kill_server N``."""

from __future__ import annotations

import os
import random
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import httpx
import psutil

from colorread.log import Log, photo_path
from tests.page_server import distinct_photo, form_token, make_log

_START_S, _END_S = 300.0, 60.0
_PHOTOS = 4


def kill_servers(folder: Path, count: int, *, seed: int = 0, tell: Callable[[str], None] = lambda line: None) -> int:
    """
    Kill that many servers of one log, each at a moment of its own, and check what they leave behind.

    `tell` is called with a line after each. Returns how many readings were answered for.
    """
    moments = random.Random(seed)
    log_path, port = make_log(folder), free_port()
    answered: set[str] = set()
    for number in range(count):
        server = _started(log_path, port)
        workers = server.children(recursive=True)
        with ThreadPoolExecutor(_PHOTOS) as pool:
            sent = [pool.submit(_send, port, distinct_photo(_PHOTOS * number + i), i % 3 == 0) for i in range(_PHOTOS)]
            n_answers = moments.randrange(_PHOTOS)
            while sum(future.done() for future in sent) < n_answers:
                time.sleep(0.01)
            time.sleep(moments.uniform(0.0, 0.5))
            workers += server.children(recursive=True)
            server.kill()
            server.wait()
            answered |= {sha256 for future in sent if (sha256 := future.result())}
        _, alive = psutil.wait_procs(set(workers), timeout=_END_S)
        assert not alive, "processes are left behind"
        with Log(log_path) as log:
            kept = [entry.sha256 for entry in log.entries("window")]
        assert len(kept) == len(set(kept))
        assert answered <= set(kept), "a reading is lost"
        photos = photo_path(log_path, "").parent
        tell(f"{number + 1} killed, {len(answered)} readings answered for, {len(kept)} kept")
        assert {path.name for path in photos.glob("*")} <= {f"{sha256}.jpg" for sha256 in kept}, (
            "a photo is left behind"
        )
    server = _started(log_path, port)
    server.terminate()
    server.wait(_END_S)
    left = [path for path in folder.rglob("*") if path.is_file() and path.parent != photo_path(log_path, "").parent]
    assert [path.name for path in left] == [log_path.name], left
    return len(answered)


def free_port() -> int:
    """Return a port that nobody listens on, below those that systems give away: it stays free between two servers."""
    for port in range(20_000 + os.getpid() % 10_000, 32_000):
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise OSError("No port is free.")


def _started(log_path: Path, port: int) -> psutil.Popen:
    command = [sys.executable, "-m", "colorread", "serve", "--port", f"{port}", "--log", str(log_path)]
    server = psutil.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    end = time.monotonic() + _START_S
    while time.monotonic() < end:
        try:
            httpx.get(f"http://127.0.0.1:{port}/units", timeout=_START_S)
        except httpx.TransportError:
            time.sleep(0.05)
        else:
            return server
    server.kill()
    raise TimeoutError("The server did not start.")


def _send(port: int, photo: bytes, with_photo: bool) -> str:
    """Send a photo and have it kept too; return its hash where the server says that it is in the log."""
    sha256 = ""
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
        try:
            token = {"csrf": form_token(client.get("/units").text)}
            sent = client.post("/tanks/window/snap", files={"photo": ("a.jpg", photo)}, data=token)
            assert sent.status_code == 303, sent.text
            place = sent.headers["location"].partition("?")[0]
            sha256 = place.rpartition("/")[2]
            if with_photo:
                client.post(f"{place}/photo", data=token)
        except httpx.TransportError:  # it was killed
            pass
    return sha256


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        print(f"{kill_servers(Path(name), int(sys.argv[1]), tell=print)} readings answered for, all in the log")
