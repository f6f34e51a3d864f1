"""The report as a browser shows it."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path

import pypdfium2
import pytest

from colorread.report.html import write_report
from tests.browser import FAINT_TEXTS, LEAST_TARGET_PX, NEEDS_BROWSER, Browser
from tests.fabricated_week import made_month, made_week

pytestmark = NEEDS_BROWSER


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a week, with the photos of a month."""
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(path, made_week(), made_month())
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as browser:
        yield browser


@pytest.mark.parametrize(("width_px", "scheme"), [(360, "dark"), (1200, "light")])
def test_page_fits_can_be_read_and_loads_nothing(browser: Browser, report: Path, width_px: int, scheme: str) -> None:
    browser.open(report, width_px=width_px, scheme=scheme)
    assert browser.evaluate("document.documentElement.scrollWidth") <= width_px
    texts = browser.evaluate(FAINT_TEXTS)
    assert texts["count"] > 200
    assert texts["faint"] == []
    assert browser.barriers() == []
    told = [event for event in browser.events if event["method"] in ("Log.entryAdded", "Runtime.consoleAPICalled")]
    assert told == []
    asked = [event["params"]["request"]["url"] for event in browser.events if "request" in event["params"]]
    assert asked
    assert all(url == report.as_uri() or url.startswith("data:image/jpeg") for url in asked)


def test_phone_sees_cards_and_the_narrow_figures(browser: Browser, report: Path) -> None:
    browser.open(report, width_px=360, scheme="light")
    shown = "[...document.querySelectorAll('svg.plot')].filter((e) => e.checkVisibility()).map((e) => e.classList[1])"
    assert browser.evaluate(shown) == ["narrow"] * 3
    assert browser.evaluate("getComputedStyle(document.querySelector('.photos tr')).display") == "block"
    smallest = "Math.min(...[...document.querySelectorAll('summary')].map((e) => e.getBoundingClientRect().height))"
    assert browser.evaluate(smallest) >= LEAST_TARGET_PX
    letters = "Math.min(...[...document.querySelectorAll('svg.narrow text')].map((e) => e.getBBox().height))"
    assert browser.evaluate(letters) >= 11
    browser.open(report, width_px=1200, scheme="light")
    assert browser.evaluate(shown) == ["wide"] * 3
    assert browser.evaluate("getComputedStyle(document.querySelector('.photos tr')).display") == "table-row"


def test_older_photos_are_folded_until_they_are_opened_or_printed(browser: Browser, report: Path) -> None:
    browser.open(report, width_px=360, scheme="light")
    document = pypdfium2.PdfDocument(base64.b64decode(browser.call("Page.printToPDF")["data"]))
    assert "May 12, 18:18" in " ".join(page.get_textpage().get_text_range() for page in document)
    height = "document.documentElement.scrollHeight"
    before = browser.evaluate(height)
    browser.evaluate("document.querySelector('.older > summary').click()")
    assert browser.evaluate(height) > 1.5 * before
    assert browser.evaluate("document.documentElement.scrollWidth") <= 360


def test_photo_opens_large_without_a_script(browser: Browser, report: Path) -> None:
    browser.open(report, width_px=360, scheme="light")
    height = "document.querySelector('.photo img').getBoundingClientRect().height"
    browser.evaluate("document.querySelector('.photo img').scrollIntoView()")
    browser.evaluate("document.querySelector('.photo img').decode()")
    before = browser.evaluate(height)
    browser.evaluate("document.querySelector('.photo summary:has(img)').click()")
    assert browser.evaluate(height) > 3 * before > 0
    assert browser.evaluate("document.documentElement.scrollWidth") <= 360
