from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from colorread.chemistry.kh_fluid import CAUTIONS
from colorread.cli import app
from colorread.cli.screen.readings import print_batch, print_cautions, print_reading, print_summary
from colorread.cli.screen.tanks import print_now
from colorread.cli.screen.terminal import Terminal
from colorread.result import Interval, Reading
from colorread.words.verdict import judge
from tests.fabricated import made_reading, made_refusal
from tests.fabricated_week import made_week

READINGS = {
    "read": made_reading(
        flags=("glare", "unheard-of"), tank_ph=Interval(value=7.0, low=6.8, high=7.2), tank_kh_dkh=6.0
    ),
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
@pytest.mark.parametrize("reading", READINGS.values(), ids=READINGS.keys())
def test_lines_fit_and_hold_no_escape_codes(reading: Reading, width: int) -> None:
    text = printed(reading, width)
    assert max(map(len, text.splitlines())) <= min(width, 110)
    assert "\x1b" not in text


@pytest.mark.parametrize(
    "co2_mg_l",
    [
        Interval(value=20.0, low=18.0, high=24.0),
        Interval(value=29.0, low=18.0, high=46.0),
        Interval(value=40.0, low=25.0, high=64.0),
        Interval(value=None, low=61.0, high=None),
    ],
)
@pytest.mark.parametrize("flags", [(), ("near-dye-limit", "card-bent", "mixed-light")])
def test_a_reading_is_short_and_its_answer_comes_first(co2_mg_l: Interval, flags: tuple[str, ...]) -> None:
    old = datetime.now() - timedelta(days=500)
    limit = "below" if co2_mg_l.value is None else None
    verdict = judge(co2_mg_l, calibrated=False)
    reading = made_reading(co2_mg_l=co2_mg_l, limit=limit, flags=flags, taken_at=old, verdict=verdict)
    lines = printed(reading).rstrip("\n").split("\n")
    assert len(lines) <= 14
    assert max(map(len, lines)) <= 80
    starts = [line.split()[0] for line in lines if line[:1].strip()]
    assert starts[1:5] == ["CO2", "Fish", "Plants", "To"]
    assert verdict.fish in " ".join(lines).lower()
    assert printed(made_refusal(flags=flags)).count("\n") <= 14


def test_details_hold_what_was_left_out() -> None:
    target, raw = console()
    print_reading(target, READINGS["read"], details=True)
    print_cautions(target, [READINGS["one-sided"]], details=True)
    text = flat(raw.getvalue().decode())
    for part in (
        "6.88 (6.70 to 7.05)",
        "7.00 (6.80 to 7.20)",
        "4 dKH, 25 °C (77 °F), lamp unknown",
        "2025-06-04 05:30 +01:00",
        "3 x KH x 10^(7 - pH), which reads 12 % low",
        "dye pKa 67 %, light and camera 17 %, color of the fluid 17 %",
        "unheard-of",
        "gasp",
    ):
        assert part in text, part


@pytest.mark.parametrize(("days", "is_old"), [(0, False), (1, False), (2, True), (522, True)])
def test_an_old_photo_tells_of_its_own_time(days: int, is_old: bool) -> None:
    reading = replace(READINGS["read"], taken_at=datetime.now() - timedelta(days=days))
    target, raw = console()
    print_reading(target, reading)
    text, advice = flat(raw.getvalue().decode()), reading.verdict.sentences[2]
    assert advice in text
    assert (f"{days} days ago" in text) == is_old


def test_a_photo_of_unknown_time_or_of_a_clock_that_ran_ahead_has_no_age() -> None:
    for taken_at in (None, datetime.now() + timedelta(days=9)):
        assert "days ago" not in printed(made_reading(taken_at=taken_at))


@pytest.mark.parametrize("width", [30, 40, 59, 60, 80])
def test_summary_has_every_photo_with_whole_numbers(width: int) -> None:
    target, raw = console(width)
    far = made_reading(
        photo="tank-of-the-very-long-name-in-the-cellar.jpg", co2_mg_l=Interval(value=112.0, low=80.0, high=1234.0)
    )
    refused = made_refusal()
    odd = replace(refused, reason=replace(refused.reason, code="chart-not-card", message="This is the chart."))
    print_summary(target, [*READINGS.values(), far, odd])
    text = raw.getvalue().decode()
    assert max(map(len, text.splitlines())) <= width
    assert text.count("tank") == 5
    assert "\N{HORIZONTAL ELLIPSIS}" not in text
    for words in ("18", "12 to 27", "above 61", "112", "80 to 1234", "no concern", "act", "not read"):
        assert words in flat(text).lower(), words
    assert "chart-not-card" not in text  # codes are for programs


def test_cautions_come_once_for_several_photos() -> None:
    target, raw = console(100)
    calm = made_reading(co2_mg_l=Interval(value=6.0, low=4.0, high=9.0))
    print_cautions(target, [calm, READINGS["one-sided"], READINGS["refused"], READINGS["read"]], details=True)
    text = flat(raw.getvalue().decode())
    assert text.count("hours behind") == 1
    assert text.count("stop the gas") == 1


def test_several_photos_bring_one_line_of_caution() -> None:
    target, raw = console(100)
    print_cautions(target, [READINGS["one-sided"], *[READINGS["refused"]] * 8, READINGS["read"]])
    assert raw.getvalue().decode().strip().count("\n") == 0


def test_only_refusals_bring_no_cautions() -> None:
    target, raw = console()
    print_cautions(target, [made_refusal()])
    assert raw.getvalue() == b""


@pytest.mark.parametrize("width", [40, 80])
def test_recipe_names_amounts_error_color_and_cautions(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    text = CliRunner().invoke(app, ["fluid"]).stdout
    assert max(map(len, text.splitlines())) <= width
    words = flat(text.replace("│", " "))
    # 12 g NaHCO3 in 1 L, 50 mL to 500 mL, 100 mL to 1 L: 119.8 mg/L make 4 dKH.
    for part in (
        "12 g (0.423 oz) baking soda",
        "1000 mL",
        "50 mL",
        "500 mL",
        "100 mL",
        "drops of 0.04 %",
        "blue",
        "4 weeks",
    ):
        assert part in words
    # 4.006 dKH in 5 mL and 4 drops of 0.05 mL; 24.65 umol/L of dye in it are 1.7 % of 1429 umol/L.
    assert "3.85 dKH" in words
    assert "--kh 3.85" in words
    assert "1.7 %" in words
    assert all(flat(caution) in words.replace(" - ", " ") for caution in CAUTIONS[:1])
    assert "±" in words


def told_of_batch(*ends: tuple[float | None, float | None, float | None]) -> str:
    """What is told of readings with these values and ends."""
    target, raw = console(100)
    readings = [made_reading(co2_mg_l=Interval(value=value, low=low, high=high)) for value, low, high in ends]
    print_batch(target, readings, made_week(n_read=len(readings)), details=True)
    return flat(raw.getvalue().decode())


def test_readings_beyond_the_dye_keep_their_number_and_direction() -> None:
    text = told_of_batch((12.0, 9.0, 16.0), (None, 61.4, None), (None, 48.8, None))
    assert "CO2 in the vial: lowest 12 mg/L (9 to 16), highest above 61 mg/L." in text
    assert "CO2 in the vial: below 7.2 mg/L." in told_of_batch((None, None, 7.2))


def test_of_several_photos_the_lowest_and_the_highest_are_told_with_their_intervals() -> None:
    text = told_of_batch((39.0, 30.0, 52.0), (3.0, 2.0, 4.5), (12.0, 9.0, 16.0))
    assert "CO2 in the vial: lowest 3.0 mg/L (2.0 to 4.5), highest 39 mg/L (30 to 52)." in text
    assert "CO2 in the vial: 12 mg/L (9 to 16)." in told_of_batch((12.0, 9.0, 16.0), (12.0, 9.0, 16.0))


def test_a_week_is_short_and_its_answer_comes_first() -> None:
    for week in (made_week(), made_week(told=None)):
        target, raw = console()
        print_batch(target, [*READINGS.values(), made_refusal()], week, n_same=1, n_known=2)
        print_now(target, week)
        lines = raw.getvalue().decode().rstrip("\n").split("\n")
        assert len(lines) <= 30
        assert max(map(len, lines)) <= 80
        text = flat(" ".join(lines))
        places = [text.index(part) for part in ("CO2 ", "fish limit", "Fish ", "Plants ", "To do ")]
        assert places == sorted(places)


def test_a_table_in_a_wide_window_keeps_numbers_on_one_line() -> None:
    stream = io.StringIO()
    print_now(Terminal(file=stream, width=120), made_week(), details=True)
    assert re.search(r"15 \(12 to 19\) +26 \(20 to 33\) ", stream.getvalue())


def test_a_terminal_without_unicode_keeps_the_sign_of_a_falling_rate() -> None:
    target, raw = console(encoding="ascii")
    print_now(target, made_week(), details=True)
    assert "-7.6 % per day (-10.2 to -5.1)" in raw.getvalue().decode("ascii")
