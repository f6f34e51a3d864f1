"""The form that ends a calibration: it means what it showed, also after a mistake."""

from __future__ import annotations

import html
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from colorread.log.store import Log
from colorread.profiles.how_to import GUIDES, Kind
from colorread.words.phrases import NO_BREAK
from tests.page_server import SAMPLES, choose_units, client_of, fields_of, form_token, make_log

Page = tuple[httpx.Client, Path]
URL = "/tanks/window/calibrate/ends"


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    log_path = make_log(tmp_path)
    with client_of(log_path) as (client, _):
        yield client, log_path


@pytest.mark.parametrize("kind", GUIDES)
def test_the_page_tells_the_steps_of_the_guide_with_its_cautions(page: Page, kind: Kind) -> None:
    shown = html.unescape(page[0].get(f"/tanks/window/calibrate/{kind}").text).replace(NO_BREAK, " ")
    assert all(words in shown for words in (*(step.title for step in GUIDES[kind].steps), *GUIDES[kind].cautions))


def form_of(text: str) -> dict[str, str]:
    return fields_of(text[text.index('id="finish"') :])


def test_the_form_is_of_the_units_and_ticks_that_it_was_sent_with(page: Page) -> None:
    client, log_path = page
    for name in ("acid", "base"):
        photo = (SAMPLES / "week" / f"calibration-{name}.jpg").read_bytes()
        token = form_token(client.get(URL).text)
        answer = client.post(f"{URL}/{name}/photo", data={"csrf": token}, files={"photo": ("a.jpg", photo)})
        assert answer.status_code == 303
    choose_units(client, "f", "dkh")
    shown = form_of(client.get(URL).text)
    assert (shown["temperature"], shown["use"]) == ("77", "yes")
    choose_units(client, "c", "dkh")  # as another tab of the browser does
    sent = {name: text for name, text in shown.items() if name != "use"} | {"choice": "make"}

    wrong = client.post(URL, data={**sent, "temperature": "warm"})
    assert wrong.status_code == 422
    assert "°F" in wrong.text
    for field, text in (("known_ph", "nan"), ("temperature", "25")):  # as if it were in degrees C
        assert client.post(URL, data={**sent, field: text}).status_code == 422
    again = form_of(wrong.text)
    assert again["temperature"] == "warm"
    assert "use" not in again

    known = (SAMPLES / "week" / "calibration-known.jpg").read_bytes()
    token = form_token(client.get(URL).text)
    client.post(f"{URL}/known/photo", data={"csrf": token}, files={"photo": ("a.jpg", known)})
    unlike = client.post(URL, data={**again, "temperature": "77", "choice": "make", "buffer": "kh", "known_ph": "8"})
    assert unlike.status_code == 422
    acid_and_base, _, known_step = unlike.text.partition("3. Known pH")
    assert ("does not match" in acid_and_base, "does not match pH 8.00" in known_step) == (False, True)
    assert unlike.text.count("taken</h3>") == 3  # all are kept, for the pH may have been mistyped

    right = {"temperature": "77", "choice": "make", "buffer": "kh", "known_ph": "6.9"}
    made = client.post(URL, data={**again, **right})
    assert made.status_code == 200, made.text
    with Log(log_path) as log:
        assert log.tank("window").profile is None
