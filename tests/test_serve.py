"""The command that serves the page: what it prints where there is no terminal, and which phones it knows."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from colorread.page.guard import devices_path
from colorread.page.server import listen
from tests.kill_server import free_port
from tests.page_server import make_log


@contextmanager
def shared(log_path: Path, port: int, *options: str) -> Iterator[tuple[str, str]]:
    """Yield the address and the code that the command prints into a file, as without a terminal."""
    command = [sys.executable, "-m", "colorread", "serve", "--share", "--address", "127.0.0.1", "--port", f"{port}"]
    with subprocess.Popen([*command, "--log", str(log_path), *options], stdout=subprocess.PIPE, text=True) as server:
        try:
            said = ""
            for line in server.stdout:
                said += line
                if found := re.search(r"(http://[\d.:]+/) .* code (\w+ \w+)\.", line):
                    assert "not encrypted" in said
                    yield found.group(1), found.group(2)
                    return
            raise AssertionError("no code was printed")
        finally:
            server.kill()


def test_phones_pair_by_what_is_printed_and_are_known_until_they_are_forgotten(tmp_path: Path) -> None:
    log_path, port = make_log(tmp_path), free_port()
    with httpx.Client(timeout=300, follow_redirects=True) as phone:
        with shared(log_path, port) as (url, code):
            assert phone.get(url).status_code == 403
            assert phone.get(f"{url}pair", params={"code": code}).status_code == 200
            assert phone.get(url).status_code == 200
        assert devices_path(log_path).read_text(encoding="utf-8")  # that it is read again is for tests/test_page.py
        with shared(log_path, port, "--forget-phones") as (url, _):
            assert phone.get(url).status_code == 403


def test_why_a_port_is_not_to_be_had_is_said_in_the_words_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    with listen("127.0.0.1", 0) as taken, pytest.raises(OSError, match="in use") as error:
        listen(*taken.getsockname())
    assert "127.0.0.1" not in str(error.value)

    def taken_on_windows(address: tuple[str, int]) -> None:
        raise OSError(10048, f"Only one usage is permitted (while attempting to bind on address {address!r})")

    monkeypatch.setattr(socket, "create_server", taken_on_windows)
    with pytest.raises(OSError, match="one usage") as error:
        listen("127.0.0.1", 8300)
    assert error.value.strerror == "Only one usage is permitted"
