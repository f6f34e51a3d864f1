"""The JSON interface of the local page is asked what it must not be asked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings

from tests.page_server import make_log, served


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    log_path = make_log(tmp_path_factory.mktemp("load"))
    with served(log_path) as (url, _):
        yield url, log_path


def test_no_request_to_the_interface_ends_in_an_error_of_the_program(server: tuple[str, Path]) -> None:
    url, _ = server
    schema = schemathesis.openapi.from_url(f"{url}/api/openapi.json")
    seen = []
    for result in schema.get_all_operations():
        operation = result.ok()

        @settings(max_examples=15, phases=[Phase.generate], suppress_health_check=list(HealthCheck), database=None)
        @given(case=operation.as_strategy())
        def ask(case: schemathesis.Case) -> None:
            answer = case.call(base_url=url, timeout=300)
            seen.append(answer.status_code)
            assert answer.status_code < 500 or answer.status_code == 503, (
                case.method,
                case.formatted_path,
                answer.text,
            )

        ask()
    assert len(seen) > 50
    assert any(200 <= status < 300 for status in seen)
