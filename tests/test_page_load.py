"""Many clients of the local page at once, and a JSON interface that is asked what it must not be asked."""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from PIL import Image

from colorread.log.store import Log
from tests.page_server import SAMPLES, make_log, served

CLIENTS, PHOTOS = 8, 24


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    log_path = make_log(tmp_path_factory.mktemp("load"))
    with served(log_path) as (url, _):
        yield url, log_path


def distinct_photo(number: int) -> bytes:
    """The same photo with a comment of its own, so that each counts."""
    stream = io.BytesIO()
    with Image.open(SAMPLES / "week" / "week-01.jpg") as image:
        image.save(stream, "JPEG", quality=90, comment=f"{number}".encode(), icc_profile=image.info.get("icc_profile"))
    return stream.getvalue()


def send(url: str, data: bytes) -> int:
    """Send a photo until the server takes it, as its answer asks; return how often it was turned away."""
    with httpx.Client(base_url=url, timeout=120) as client:
        for turned_away in range(200):
            answer = client.post("/api/tanks/window/readings", files={"photo": ("a.jpg", data)})
            if answer.status_code != 503:
                assert answer.status_code == 201, answer.text
                return turned_away
            time.sleep(min(float(answer.headers["retry-after"]), 0.5))
    raise AssertionError("never taken")


def test_every_photo_of_many_clients_is_answered_and_kept(server: tuple[str, Path]) -> None:
    url, log_path = server
    photos = [distinct_photo(number) for number in range(PHOTOS)]
    with ThreadPoolExecutor(CLIENTS) as pool:
        list(pool.map(lambda data: send(url, data), photos))
    with Log(log_path) as log:
        assert log.count("window") == PHOTOS


def test_no_request_to_the_interface_ends_in_an_error_of_the_program(server: tuple[str, Path]) -> None:
    url, _ = server
    schema = schemathesis.openapi.from_url(f"{url}/api/openapi.json")
    seen = []
    for result in schema.get_all_operations():
        operation = result.ok()

        @settings(max_examples=15, phases=[Phase.generate], suppress_health_check=list(HealthCheck), database=None)
        @given(case=operation.as_strategy())
        def ask(case: schemathesis.Case) -> None:
            answer = case.call(base_url=url, timeout=60)
            seen.append(answer.status_code)
            assert answer.status_code < 500 or answer.status_code == 503, (
                case.method,
                case.formatted_path,
                answer.text,
            )

        ask()
    assert len(seen) > 50
    assert any(200 <= status < 300 for status in seen)
