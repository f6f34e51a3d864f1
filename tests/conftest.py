from __future__ import annotations

import importlib
import os
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from types import ModuleType
from typing import Any

import hypothesis
import numpy as np
import pytest

from colorread.workers import Done
from tests.browser import CHROMIUM

# The same examples on every run, and no time limit on machines that do other work too.
hypothesis.settings.register_profile("colorread", derandomize=True, deadline=None)
hypothesis.settings.load_profile("colorread")

# The files that take longest come first: each process works on one, and none is to be left alone with a long one.
LONGEST = (
    "test_intervals.py",
    "test_page_connections.py",
    "test_page_browser.py",
    "test_inversion.py",
    "test_batch.py",
    "test_card_find.py",
)


def pytest_configure() -> None:
    """
    Give each process of the tests one thread, and let it keep what it compiles.

    There is a process for each processor, and more threads get in each other's way. Without its compiled files, each of
    the many programs that are started would compile them anew.
    """
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", OPENCV_FOR_THREADS_NUM="1")
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest files."""
    items.sort(key=lambda item: LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly what a machine without a browser leaves untested; the tests run there all the same."""
    if CHROMIUM is None:
        lacks = "Pages and reports were NOT TESTED in a browser, nor for accessibility: there is no Chromium."
        terminalreporter.write_line(lacks, red=True, bold=True)


@pytest.fixture(scope="session", autouse=True)
def _log_of_nobody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the log and the default profiles of whoever runs the tests out of them, and the tests out of these."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLORREAD_LOG", str(tmp_path_factory.mktemp("nobody") / "log.sqlite"))
        yield


@pytest.fixture(scope="module")
def oracle() -> Iterator[ModuleType]:
    """Give the color library; it warns when imported and alters how numpy prints."""
    options = np.get_printoptions()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield importlib.import_module("colour")
    np.set_printoptions(**options)


@pytest.fixture
def without_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let what is otherwise done in other processes be done in this one, where parts of it can be replaced."""

    def here(task: Callable[[Any], Any], jobs: Iterable[Any], **_: object) -> Iterator[Done[Any, Any]]:
        for job in jobs:
            yield Done(job=job, result=task(job))

    monkeypatch.setattr("colorread.workers.run_in_workers", here)
    monkeypatch.setattr("colorread.batch.score.run_in_workers", here)
