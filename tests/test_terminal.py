from __future__ import annotations

import io
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from colorread.chemistry.kh_fluid import CAUTIONS
from colorread.cli import app
from colorread.cli.screen.readings import print_batch, print_cautions, print_reading, print_summary
from colorread.cli.screen.tanks import print_now, print_tanks
from colorread.cli.screen.terminal import Terminal
from colorread.result import Interval, Reading
from colorread.tank.results import TankSummary
from colorread.words.phrases import FISH_SIGNS
from colorread.words.verdict import judge
from tests.fabricated import made_reading, made_refusal
from tests.fabricated_week import LIGHTS, made_week

IN_TANK = Interval(value=7.0, low=6.8, high=7.2)
READINGS = {
    "read": made_reading(flags=("glare", "unheard-of"), tank_ph=IN_TANK, tank_kh_dkh=6.0),
    "one-sided": made_reading(
        co2_mg_l=Interval(value=None, low=61.0, high=None),
        ph=Interval(value=None, low=None, high=6.34),
        limit="below",
        co2_rule_of_thumb_mg_l=None,
    ),
    "refused": made_refusal(),
}


def console(width: int = 80, encoding: str = "utf-8") -> tuple[Terminal, io.BytesIO]:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, write_through=True)
    return Terminal(file=file, width=width), raw


def printed(reading: Reading, width: int = 80, encoding: str = "utf-8") -> str:
    target, raw = console(width, encoding)
    print_reading(target, reading, Path("evidence/tank-evidence.jpg"))
    print_cautions(target, [reading])
    return raw.getvalue().decode(encoding)


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("width", [40, 60, 80, 200])
def test_lines_fit_and_hold_no_escape_codes(width: int) -> None:
    for reading in READINGS.values():
        text = printed(reading, width)
        assert max(map(len, text.splitlines())) <= min(width, 110)
        assert "\x1b" not in text


@pytest.mark.parametrize("flags", [(), ("near-dye-limit", "card-bent", "mixed-light")])
@pytest.mark.parametrize("ends", [(18.0, 20.0, 24.0), (18.0, 29.0, 46.0), (25.0, 40.0, 64.0), (61.0, None, None)])
def test_a_reading_fits_a_screen_with_its_number_level_and_next_step(
    ends: tuple[float, float | None, float | None], flags: tuple[str, ...]
) -> None:
    low, value, high = ends
    co2_mg_l = Interval(value=value, low=low, high=high)
    verdict = judge(co2_mg_l, calibrated=False)
    limit, taken_at = None if value else "below", datetime.now() - timedelta(days=500)
    text = printed(made_reading(co2_mg_l=co2_mg_l, limit=limit, flags=flags, taken_at=taken_at, verdict=verdict))
    assert text.rstrip("\n").count("\n") < 14
    number = text.index(f"{value or low:.0f} mg/L")
    level, next_step = text.index(f"{FISH_SIGNS[verdict.fish]} {verdict.fish.capitalize()}"), text.index("To do")
    assert number < level < next_step
    assert ("gasping" in text) == (verdict.fish != "no concern")
    assert printed(made_refusal(flags=flags)).count("\n") <= 14


def test_details_hold_what_was_left_out() -> None:
    target, raw = console()
    print_reading(target, READINGS["read"], details=True)
    print_cautions(target, [READINGS["one-sided"]], details=True)
    text = flat(raw.getvalue().decode())
    for part in (
        "6.88 (6.70 to 7.05)",
        "7.00 (6.80 to 7.20)",
        "4 dKH",
        "25 °C (77 °F)",
        "2025-06-04 05:30+01:00",
        "12 % low",  # 15.96 mg/L by the rule of thumb against 18.05
        "dye pKa 67 %, light and camera 17 %, color of the fluid 17 %",  # 0.1, 0.05 and 0.05 squared
        "unheard-of",
        "gasp",
    ):
        assert part in text, part


def test_an_old_photo_tells_its_age_and_one_of_unknown_time_or_of_the_future_none() -> None:
    for days, is_old in ((0, False), (1, False), (2, True), (522, True)):
        reading = replace(READINGS["read"], taken_at=datetime.now() - timedelta(days=days))
        text = flat(printed(reading))
        assert reading.verdict.sentences[2] in text
        assert (f"{days} days ago" in text) == is_old
    for taken_at in (None, datetime.now() + timedelta(days=9)):
        assert "days ago" not in printed(made_reading(taken_at=taken_at))


@pytest.mark.parametrize("width", [30, 59, 60, 80])
def test_summary_has_every_photo_with_whole_numbers(width: int) -> None:
    target, raw = console(width)
    co2_mg_l = Interval(value=112.0, low=80.0, high=1234.0)
    far = made_reading(photo="tank-of-the-very-long-name-in-the-cellar.jpg", co2_mg_l=co2_mg_l)
    print_summary(target, [*READINGS.values(), far])
    text = raw.getvalue().decode()
    assert max(map(len, text.splitlines())) <= width
    assert text.count("tank") == 4
    assert "\N{HORIZONTAL ELLIPSIS}" not in text
    for words in ("18", "12 to 27", "above 61", "112", "80 to 1234", "no concern", "act", "not read"):
        assert words in flat(text).lower(), words


def test_cautions_of_several_photos_come_once_those_of_the_gravest_first() -> None:
    calm = made_reading(co2_mg_l=Interval(value=6.0, low=4.0, high=9.0))
    several = [calm, READINGS["one-sided"], READINGS["refused"], READINGS["read"]]
    target, raw = console(100)
    print_cautions(target, several, details=True)
    assert all(flat(raw.getvalue().decode()).count(words) == 1 for words in ("hours behind", "stop the gas"))
    target, raw = console(100)
    print_cautions(target, several)
    assert raw.getvalue().decode().strip().count("\n") == 0
    assert "gasping" in raw.getvalue().decode()
    target, raw = console()
    print_cautions(target, [made_refusal()])
    assert raw.getvalue() == b""


def test_recipe_names_amounts_error_and_cautions(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    words = flat(CliRunner().invoke(app, ["fluid"]).stdout.replace("│", " "))
    # 12 g NaHCO3 in 1 L, 50 mL to 500 mL, 100 mL to 1 L: 119.8 mg/L make 4 dKH.
    # 4.006 dKH in 5 mL and 4 drops of 0.05 mL; 24.65 umol/L of dye in it are 1.7 % of 1429 umol/L.
    for part in ("12 g (0.423 oz)", "1000 mL", "50 mL", "500 mL", "100 mL", "--kh 3.85", "1.7 %", "±"):
        assert part in words, part
    assert all(flat(caution) in words.replace(" - ", " ") for caution in CAUTIONS[:1])


def told_of_batch(*ends: tuple[float | None, float | None, float | None]) -> str:
    """What is told of readings with these values and ends."""
    target, raw = console(100)
    readings = [made_reading(co2_mg_l=Interval(value=value, low=low, high=high)) for value, low, high in ends]
    print_batch(target, readings, made_week(n_read=len(readings)), details=True)
    return flat(raw.getvalue().decode())


def test_several_photos_are_told_by_their_extremes_and_those_beyond_the_dye_by_the_end_that_is_sure() -> None:
    text = told_of_batch((39.0, 30.0, 52.0), (3.0, 2.0, 4.5), (12.0, 9.0, 16.0))
    assert "lowest 3.0 mg/L (2.0 to 4.5), highest 39 mg/L (30 to 52)" in text
    text = told_of_batch((12.0, 9.0, 16.0), (None, 61.4, None), (None, 48.8, None))
    assert "lowest 12 mg/L (9 to 16), highest above 61 mg/L" in text
    assert "below 7.2 mg/L" in told_of_batch((None, None, 7.2))


@pytest.mark.parametrize("week", [made_week(), made_week(findings=None)], ids=["course", "no course"])
def test_a_week_fits_a_screen_with_its_number_level_and_next_step(week: TankSummary) -> None:
    target, raw = console()
    print_batch(target, [*READINGS.values(), made_refusal()], week, n_same=1, n_known=2)
    print_now(target, week)
    lines = raw.getvalue().decode().rstrip("\n").split("\n")
    assert len(lines) <= 30
    assert max(map(len, lines)) <= 80
    text, answer = flat(" ".join(lines)), week.answer
    places = [text.index(part) for part in (answer.value, answer.lead, "To do ")]
    assert places == sorted(places)


def test_a_terminal_without_unicode_keeps_the_sign_of_a_falling_rate() -> None:
    target, raw = console(encoding="ascii")
    print_now(target, made_week(), details=True)
    assert "-7.6 % per day (-10.2 to -5.1)" in raw.getvalue().decode("ascii")


@pytest.mark.parametrize("width", [50, 71, 72, 80])
def test_tanks_and_simulated_changes_cut_no_word(width: int) -> None:
    target, raw = console(width)
    home = replace(made_week().tank, name="the tank by the window in the cellar", lights=LIGHTS)
    print_tanks(target, [home], {home.name: 12})
    print_now(target, made_week(), details=True)
    text = raw.getvalue().decode()
    assert max(map(len, text.splitlines())) <= width
    assert "10:00-18:00" in text
    for word in ("Nothing", "Overnight", "Lights-on", "16:30", "charge"):
        assert word in text, word
