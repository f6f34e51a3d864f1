from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from colorread.cli.show_reading import co2_scale, print_cautions, print_fluid, print_reading, print_summary
from colorread.cli.show_tank import print_tank_summary
from colorread.fluid import CAUTIONS, color_in_room_air, dye_drops, fluid_recipe
from colorread.gas_care import gas_cautions
from colorread.reading import Interval, Reading
from colorread.verdict import Marks
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


def console(width: int = 80, encoding: str = "utf-8") -> tuple[Console, io.BytesIO]:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, write_through=True)
    return Console(file=file, width=width, highlight=False), raw


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


def test_words_come_before_numbers_and_say_what_was_assumed_and_when() -> None:
    text = flat(printed(READINGS["read"]))
    order = [
        "Fish ▲ watch: the CO2 may be as high as 27 mg/L",
        "Plants:",
        "CO2 18 mg/L, 90 % interval 12 to 27 mg/L",
        "pH 6.88, 90 % interval 6.70 to 7.05",
        "Tank pH 7.00",
        "Assumed fluid of 4 dKH, 25 °C, lamp unknown",
        "Taken 2025-06-04 05:30 +01:00, from the photo, with its time zone",
        "16 mg/L by the usual 3 x KH x 10^(7 - pH), which reads 12 % low at this KH and temperature",
        "dye pKa 67 %, light and camera 17 %, color of the fluid 17 %",
        "reflections cover much of the fluid: turn the vial",
        "unheard-of",
        "evidence/tank-evidence.jpg",
        "gasping",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


# 4 dKH at 40 C and 30 dKH at 35 C by PHREEQC's constants: the rule reads 0.7 and 4.3 % high there.
@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (18.126, "reads 1 % high at this"),
        (18.774, "reads 4 % high at this"),
        (17.1, "reads 5 % low at this"),
        (17.97, "10^(7 - pH) Unsure by"),
    ],
)
def test_the_rule_of_thumb_may_read_high(rule: float, words: str) -> None:
    co2_mg_l = Interval(value=18.0, low=12.0, high=27.0)
    assert words in flat(printed(made_reading(co2_mg_l=co2_mg_l, co2_rule_of_thumb_mg_l=rule)))


def test_a_calibration_is_named_as_the_way_to_a_narrower_interval_until_there_is_one() -> None:
    words = "A calibration narrows it: colorread calibrate ends --how"
    assert words in flat(printed(made_reading()))
    assert words not in flat(printed(made_reading(profile="me")))


@pytest.mark.parametrize(("days", "is_old"), [(0, False), (1, False), (2, True), (522, True)])
def test_an_old_photo_tells_of_its_own_time(days: int, is_old: bool) -> None:
    reading = READINGS["read"]
    assert reading.taken_at is not None
    assert reading.verdict is not None
    target, raw = console()
    print_reading(target, reading, now=reading.taken_at + timedelta(days=days))
    text, advice = flat(raw.getvalue().decode()), reading.verdict.sentences[2]
    told = (
        f"Take a photo now: this one was taken {days} days ago, and all of this is of that time. What was to do then:"
    )
    assert (f"{told} {advice}" in text) == is_old
    assert advice in text
    assert ("days ago" in text) == is_old


def test_a_photo_of_unknown_time_or_of_a_clock_that_ran_ahead_has_no_age() -> None:
    for taken_at in (None, datetime.now() + timedelta(days=9)):
        assert "days ago" not in printed(made_reading(taken_at=taken_at))


def test_a_refusal_has_its_notes_too() -> None:
    assert "Note the light differs over the card: use one" in flat(printed(made_refusal(flags=("mixed-light",))))


def test_tank_water_has_one_ph() -> None:
    assert "Tank pH" not in printed(replace(READINGS["read"], fluid="tank-water"))


def test_refusal_says_what_is_wrong_and_what_to_do_and_gives_no_number() -> None:
    text = printed(made_refusal(taken_at=None))
    assert "NOT READ" in text
    assert "No card was found." in text
    assert "Show the whole card." in text
    assert "mg/L" not in text
    assert "pH" not in text


def test_terminal_without_unicode_gets_plain_ascii() -> None:
    text = printed(made_reading(photo="größe.jpg"), encoding="ascii")
    assert text.isascii()
    assert "! watch: the CO2" in text


def test_file_name_cannot_steer_the_terminal() -> None:
    text = printed(made_refusal(photo="\x1b[31mtank\udcff.jpg"))
    assert "\x1b" not in text
    assert "?[31mtank?.jpg" in text


def test_color_only_where_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    def colored() -> str:
        file = io.StringIO()
        print_reading(Console(file=file, force_terminal=True, width=80, color_system="standard"), READINGS["read"])
        return file.getvalue()

    monkeypatch.delenv("NO_COLOR", raising=False)
    assert "\x1b[1;33m" in colored()  # bold yellow
    monkeypatch.setenv("NO_COLOR", "1")
    assert "33m" not in colored()


# A scale of 61 characters has one per mg/L.
@pytest.mark.parametrize(
    ("interval", "bar"),
    [
        ((12.0, 18.0, 27.0), "─" * 12 + "━━━╋━━●━━━━━━━━━" + "──┼" + "─" * 30),
        ((20.0, 40.0, 90.0), "─" * 15 + "┼────" + "━" * 10 + "╋" + "━" * 9 + "●" + "━" * 19 + "▶"),
        ((None, None, 6.0), "◀" + "━" * 6 + "─" * 8 + "┼" + "─" * 14 + "┼" + "─" * 30),
        ((61.0, None, None), "─" * 15 + "┼" + "─" * 14 + "┼" + "─" * 29 + "▶"),
    ],
)
def test_scale_shows_interval_value_and_marks(
    interval: tuple[float | None, float | None, float | None], bar: str
) -> None:
    low, value, high = interval
    first, labels = co2_scale(Interval(value=value, low=low, high=high), 61).split("\n")
    assert first == bar
    assert labels[0] == "0"
    assert labels[15:17] == "15"
    assert labels[30:32] == "30"
    assert labels[-2:] == "60"


def test_scale_keeps_the_numbers_apart_and_leaves_out_marks_beyond_its_end() -> None:
    co2_mg_l = Interval(value=40.0, low=30.0, high=50.0)
    bar, labels = co2_scale(co2_mg_l, 16, Marks(plants_low_mg_l=12.5, plants_high_mg_l=80.0)).split("\n")
    assert labels.split() == ["0", "12.5", "60"]
    assert bar.count("┼") == 1
    labels = co2_scale(co2_mg_l, 16, Marks(plants_low_mg_l=4.0, plants_high_mg_l=59.0)).split("\n")[1]
    assert labels.split() == ["4", "59"]


@given(st.lists(st.floats(0.0, 900.0), min_size=3, max_size=3).map(sorted), st.integers(16, 100))
def test_scale_keeps_its_width(ends: list[float], width: int) -> None:
    lines = co2_scale(Interval(value=ends[1], low=ends[0], high=ends[2]), width).split("\n")
    assert [len(line) for line in lines] == [width, width]


@pytest.mark.parametrize("width", [30, 40, 59, 60, 80])
def test_summary_has_every_photo_with_whole_numbers(width: int) -> None:
    target, raw = console(width)
    far = made_reading(
        photo="tank-of-the-very-long-name-in-the-cellar.jpg", co2_mg_l=Interval(value=112.0, low=80.0, high=1234.0)
    )
    refused = made_refusal()
    assert refused.reason is not None
    odd = replace(refused, reason=replace(refused.reason, code="chart-not-card", message="This is the chart."))
    print_summary(target, [*READINGS.values(), far, odd])
    text = raw.getvalue().decode()
    assert max(map(len, text.splitlines())) <= width
    assert text.count("tank") == 5
    assert "\N{HORIZONTAL ELLIPSIS}" not in text
    for words in (
        "18",
        "12 to 27",
        "above 61",
        "112",
        "80 to 1234",
        "watch",
        "act",
        "No card was found.",
        "the chart.",
    ):
        assert words in flat(text), words
    assert "chart-not-card" not in text  # codes are for programs
    assert ("90 % interval" in flat(text)) == (width < 60)


def test_cautions_come_once_for_several_photos() -> None:
    target, raw = console(100)
    calm = made_reading(co2_mg_l=Interval(value=6.0, low=4.0, high=9.0))
    print_cautions(target, [calm, READINGS["one-sided"], READINGS["refused"], READINGS["read"]])
    text = flat(raw.getvalue().decode())
    assert text.count("hours behind") == 1
    assert text.count("stop the gas") == 1


def test_cautions_of_the_gas_come_after_those_of_the_reading() -> None:
    target, raw = console(100)
    print_cautions(target, [READINGS["read"]], gas_cautions("cylinder"))
    text = flat(raw.getvalue().decode())
    assert text.index("hours behind") < text.index("ventilate") < text.index("upright")


def test_only_refusals_bring_no_cautions() -> None:
    target, raw = console()
    print_cautions(target, [made_refusal()], gas_cautions(None))
    assert raw.getvalue() == b""


@pytest.mark.parametrize("width", [40, 80])
def test_recipe_names_amounts_error_color_and_cautions(width: int) -> None:
    target, raw = console(width)
    recipe = fluid_recipe(4.0, 1000.0)
    print_fluid(target, recipe, dye_drops(5.0, kh_dkh=recipe.kh_dkh), color_in_room_air(4.0, 22.0), 5.0)
    text = raw.getvalue().decode()
    assert max(map(len, text.splitlines())) <= width
    words = flat(text.replace("│", " "))
    # 12 g NaHCO3 in 1 L, 50 mL to 500 mL, 100 mL to 1 L: 119.8 mg/L make 4 dKH.
    for part in ("12 g baking soda", "1000 mL", "50 mL", "500 mL", "100 mL", "drops of 0.04 %", "blue", "4 weeks"):
        assert part in words
    # 4.006 dKH in 5 mL and 4 drops of 0.05 mL; 24.65 umol/L of dye in it are 1.7 % of 1429 umol/L.
    assert "thins it to 3.85 dKH" in words
    assert "--kh 3.85" in words
    assert "change it by some 1.7 % more" in words
    assert all(flat(caution) in words.replace(" - ", " ") for caution in CAUTIONS[:1])
    assert "±" in words


def test_a_simulated_day_has_room_for_its_words_beside_its_numbers() -> None:
    stream = io.StringIO()
    print_tank_summary(Console(file=stream, width=80), made_week())
    table = stream.getvalue().partition("Chance to")[2]
    assert "→ Run the gas from " in table
    assert table.partition("Caution:")[0].count("\n") < 14


def test_a_table_in_a_wide_window_keeps_numbers_on_one_line() -> None:
    stream = io.StringIO()
    print_tank_summary(Console(file=stream, width=120), made_week())
    assert re.search(r"15 \(12 to 19\) +26 \(20 to 33\) ", stream.getvalue())


def test_a_terminal_without_unicode_keeps_the_sign_of_a_falling_rate() -> None:
    target, raw = console(encoding="ascii")
    print_tank_summary(target, made_week())
    assert "-7.6 (-10.2 to -5.1) % a day" in raw.getvalue().decode("ascii")
