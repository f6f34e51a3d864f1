"""The local page as a phone shows it: pairing, a photo, keeping it, its history, a refusal and a calibration."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from colorread.log import Log, photo_path
from colorread.page.core import Core
from colorread.page.uploads import PHOTOS_MAX
from colorread.tank.settings import Tank
from tests.browser import FAINT_TEXTS, LEAST_TARGET_PX, NEEDS_BROWSER, Browser
from tests.page_server import SAMPLES, make_log, served

pytestmark = NEEDS_BROWSER

Server = tuple[str, Core, Path]
PHONE_PX = 360
PATHS = (
    "/tanks",
    "/tanks/window",
    "/tanks/window/settings",
    "/tanks/window/calibrate",
    "/tanks/window/several",
    "/fluid",
    "/gas",
    "/tanks/window/gas",
    "/print",
    "/units",
    "/new-tank",
)
_SMALL_TARGETS = """
[...document.querySelectorAll("a, button, label.button, select, input:not([type=hidden]):not(.picker)")]
  .filter((e) => e.checkVisibility() && !e.closest("p, li p, figcaption, footer, .skip, label.check"))
  .map((e) => [e.outerHTML.slice(0, 80), (e.closest("label") || e).getBoundingClientRect()])
  .filter(([, box]) => box.width && box.height < LEAST - 0.5)
  .map(([html, box]) => `${html}: ${box.height}`)
""".replace("LEAST", str(LEAST_TARGET_PX))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    log_path = make_log(tmp_path_factory.mktemp("phone"))
    with served(log_path, shared=True) as (url, core):
        yield url, core, log_path


@pytest.fixture(scope="module")
def phone(server: Server) -> Iterator[Browser]:
    """A phone that is paired."""
    url, core, _ = server
    with Browser() as browser:
        browser.call("DOM.enable")
        browser.open(f"{url}/tanks", width_px=PHONE_PX, scheme="light")
        assert "not paired" in browser.evaluate("document.body.innerText")
        assert browser.evaluate("document.documentElement.scrollWidth") <= PHONE_PX
        assert browser.barriers() == []
        code = core.access.code
        browser.evaluate(f"document.querySelector('#code').value = '{code[:5]} {code[5:]}'")
        browser.click("button")
        assert browser.evaluate("location.pathname") == "/tanks/window"
        yield browser


def look(browser: Browser) -> None:
    """Check what holds on every page."""
    assert browser.complaints() == []
    assert browser.evaluate("document.documentElement.scrollWidth") <= PHONE_PX
    texts = browser.evaluate(FAINT_TEXTS)
    assert texts["count"] > 3
    assert texts["faint"] == []
    assert browser.evaluate(_SMALL_TARGETS) == []
    if not browser.evaluate("matchMedia('(prefers-color-scheme: dark)').matches"):  # but for contrast both are alike
        assert browser.barriers() == []
    assert browser.evaluate("document.documentElement.lang") == "en"
    assert browser.evaluate("document.querySelectorAll('h1').length") == 1
    assert browser.evaluate("[...document.images].every((i) => i.alt !== null && i.hasAttribute('alt'))")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_every_page_fits_a_phone(phone: Browser, server: Server, path: str, scheme: str) -> None:
    phone.open(server[0] + path, width_px=PHONE_PX, scheme=scheme)
    look(phone)


def test_two_taps_lead_from_the_address_of_the_page_to_a_kept_reading_and_one_more_back(
    phone: Browser, server: Server
) -> None:
    url, core, log_path = server
    with Log(log_path) as log:
        log.add_tank(Tank(name="desk"))
    phone.open(f"{url}/tanks/window", width_px=PHONE_PX, scheme="light")
    phone.open(f"{url}/", width_px=PHONE_PX, scheme="light")
    assert phone.evaluate("location.pathname") == "/tanks/window"  # the one used last
    box = phone.evaluate("document.querySelector('label[for=camera]').getBoundingClientRect().toJSON()")
    assert box["top"] > 0.75 * 800  # under the thumb, without scrolling
    assert box["bottom"] <= 800
    assert box["width"] > PHONE_PX / 2
    phone.call("Page.setInterceptFileChooserDialog", enabled=True)
    phone.events.clear()
    phone.tap("label[for=camera]")  # the first tap; the second is that of the camera
    phone.take_photo(SAMPLES / "front-small.jpg")
    phone.call("Page.setInterceptFileChooserDialog", enabled=False)
    with Log(log_path) as log:
        (entry,) = log.entries("window")
    assert phone.evaluate("location.pathname") == f"/tanks/window/readings/{entry.sha256}"
    text = phone.evaluate("document.body.innerText")
    assert "mg/L" in text
    look(phone)
    phone.events.clear()
    phone.tap("button[value=discard]")
    phone.wait_for_load()
    assert phone.evaluate("document.querySelector('.said').innerText")
    with Log(log_path) as log:
        assert log.count("window") == 0
        log.remove_tank("desk")
    assert not list(core.workplace.path.rglob("photo"))


def test_a_photo_of_earlier_is_kept_and_found_in_the_history(phone: Browser, server: Server) -> None:
    url, _, log_path = server
    phone.open(f"{url}/tanks/window", width_px=PHONE_PX, scheme="dark")
    phone.events.clear()
    phone.choose_files("#choose", SAMPLES / "refuse-leaf.jpg")
    phone.wait_for_load()
    assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE_PX
    assert phone.evaluate(FAINT_TEXTS)["faint"] == []
    phone.open(f"{url}/tanks/window", width_px=PHONE_PX, scheme="light")
    phone.events.clear()
    phone.choose_files("#choose", SAMPLES / "front-small.jpg")  # is sent by itself
    phone.wait_for_load()
    phone.click("form[action$=photo] button")
    look(phone)
    with Log(log_path) as log:
        (entry,) = log.entries("window")
    assert photo_path(log_path, entry.sha256).exists()
    phone.open(f"{url}/tanks/window", width_px=PHONE_PX, scheme="dark")
    look(phone)
    links = phone.evaluate("[...document.querySelectorAll('.history a')].map((a) => a.getAttribute('href'))")
    assert links == [f"/tanks/window/readings/{entry.sha256}"]


def test_a_photo_waits_for_a_computer_that_does_not_answer(phone: Browser, server: Server) -> None:
    url, _, log_path = server
    with Log(log_path) as log:
        log.add_tank(Tank(name="asleep"))
    phone.open(f"{url}/tanks/asleep", width_px=PHONE_PX, scheme="light")
    form, link = "form:has(#choose)", {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    phone.call("Network.emulateNetworkConditions", offline=True, **link)
    phone.choose_files("#choose", SAMPLES / "front-small.jpg")
    end = time.monotonic() + 60.0
    while not phone.evaluate(f"document.querySelector('{form} button').checkVisibility()"):
        assert time.monotonic() < end
        time.sleep(0.1)
    assert "does not answer" in phone.evaluate(f"document.querySelector('{form} .hint').innerText")
    assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE_PX
    phone.call("Network.emulateNetworkConditions", offline=False, **link)
    phone.click(f"{form} button")
    assert phone.evaluate("location.pathname").startswith("/tanks/asleep/readings/")
    with Log(log_path) as log:
        log.remove_tank("asleep", with_readings=True)


def test_what_the_days_tell_comes_when_it_is_worked_out(phone: Browser, server: Server) -> None:
    url, core, _ = server
    core.patience_s = 0.0
    phone.open(f"{url}/tanks/window", width_px=PHONE_PX, scheme="light")
    assert phone.evaluate("document.querySelector('[data-days]').dataset.days") == "soon"
    look(phone)
    core.patience_s = 60.0
    end = time.monotonic() + 60.0
    while phone.evaluate("document.querySelector('[data-days]').dataset.days") != "known":
        assert time.monotonic() < end
        time.sleep(0.1)
    assert phone.evaluate("document.querySelector('#says') !== null")
    look(phone)
    filled_in = phone.evaluate("document.querySelector('[data-now]').innerText")
    phone.open(f"{url}/tanks/window", width_px=PHONE_PX, scheme="light")
    assert phone.evaluate("document.querySelector('[data-now]').innerText") == filled_in  # one verdict


def test_several_photos_are_sent_when_they_are_chosen(phone: Browser, server: Server) -> None:
    url, _, log_path = server
    paths = sorted((SAMPLES / "week").glob("week-*.jpg"))[:5]  # what was sent before is not read again
    with Log(log_path) as log:
        log.add_tank(Tank(name="week"))
    phone.open(f"{url}/tanks/week/several", width_px=PHONE_PX, scheme="light")
    n_chosen = PHOTOS_MAX + 5
    (log_path.parent / "empty.jpg").touch()
    others = (SAMPLES / "refuse-leaf.jpg", log_path.parent / "empty.jpg")
    phone.choose_files("#photos", *others, *(paths * n_chosen)[: n_chosen - len(others)])
    end = time.monotonic() + 60.0
    while not (said := phone.evaluate("document.querySelector('.hint').innerText")).startswith(f"{n_chosen} of"):
        assert f" of {n_chosen} photos are done." in said
        assert time.monotonic() < end
        time.sleep(0.1)
    assert phone.evaluate("document.querySelectorAll('[data-results] li').length") == n_chosen
    assert "The photo is empty" in phone.evaluate("document.querySelector('[data-results]').innerText")
    phone.events.clear()  # the browser complains of the answer to the empty photo
    assert phone.evaluate("document.querySelectorAll('.caution').length") <= 1
    look(phone)
    with Log(log_path) as log:
        assert log.count("week") == len(paths)
        log.remove_tank("week", with_readings=True)


def test_a_calibration_goes_step_by_step(phone: Browser, server: Server) -> None:
    url, _, log_path = server
    phone.open(f"{url}/tanks/window/calibrate/ends", width_px=PHONE_PX, scheme="light")
    look(phone)
    for kind, name in (("photo", "acid"), ("choose", "base")):
        phone.events.clear()
        phone.choose_files(f"#{kind}-{name}", SAMPLES / "week" / f"calibration-{name}.jpg")
        phone.wait_for_load()
    assert "taken" in phone.evaluate("document.body.innerText")
    look(phone)
    phone.click("button[value=make]")
    with Log(log_path) as log:
        profile = log.tank("window").profile
    assert Path(profile).is_file()


def test_the_checker_finds_what_is_wrong(phone: Browser, server: Server) -> None:
    phone.open(f"{server[0]}/units", width_px=PHONE_PX, scheme="light")
    phone.evaluate("document.querySelector('main').append(new Image(), document.createElement('select')); true")
    assert {finding.split(":")[0] for finding in phone.barriers()} >= {"image-alt", "select-name"}
