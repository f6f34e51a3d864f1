"""What is told of the flags of a reading, the same wherever readings are shown."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

import colorread
from colorread.cli.screen.readings import print_reading
from colorread.cli.screen.terminal import Terminal
from colorread.page.shown import units_of, view_reading
from colorread.records import plain
from colorread.report.html import report_html
from colorread.result import Interval, Limit, Reading
from colorread.tank.settings import Tank
from colorread.tank.summary import summarize
from colorread.words.phrases import FLAG_TEXTS, flag_texts
from colorread.words.verdict import USUAL_MARKS
from tests.fabricated import made_reading, made_refusal
from tests.made_log import made_entry

NOW = datetime(2025, 6, 5, tzinfo=UTC)


def places(reading: Reading) -> list[str]:
    """Return what terminal, page and report show."""
    terminal = Terminal(file=io.StringIO(), width=400)
    print_reading(terminal, reading)
    entry = replace(made_entry(), reading=reading)
    notes = view_reading(entry, units_of(""), USUAL_MARKS, NOW).notes
    page = report_html(summarize(Tank(name="window"), [reading]), [entry])
    return [terminal.file.getvalue(), " ".join(notes), page]


def test_a_refusal_says_nothing_of_a_fluid_that_may_be_none() -> None:
    refused = made_refusal(flags=("card-tilted", "dark-fluid", "glare", "vial-pointed"))
    assert [text.seen for text in flag_texts(refused)] == [FLAG_TEXTS["card-tilted"].seen]
    for shown in places(refused):
        assert "very dark" not in shown.lower()
        assert "glare" not in shown.lower()
    assert plain(refused)["flags"] == ["card-tilted", "dark-fluid", "glare", "vial-pointed"]
    for shown in places(made_reading(flags=("dark-fluid",))):
        assert "very dark" in shown.lower()


@pytest.mark.parametrize(
    ("limit", "low", "high", "right", "wrong"),
    [("below", 61.0, None, "higher KH", "lower KH"), ("above", None, 4.0, "lower KH", "higher KH")],
)
def test_a_color_at_the_end_of_the_dye_names_the_kh_that_helps(
    limit: Limit, low: float | None, high: float | None, right: str, wrong: str
) -> None:
    co2 = Interval(value=None, low=low, high=high)
    for shown in places(made_reading(limit=limit, co2_mg_l=co2, flags=("near-dye-limit",))):
        assert right in shown
        assert wrong not in shown


def test_every_flag_of_the_program_has_words_and_no_words_are_left_over() -> None:
    sources = [path.read_text(encoding="utf-8") for path in Path(colorread.__file__).parent.rglob("*.py")]
    raised = {code for text in sources for code in re.findall(r'flags\.append\("([a-z-]+)"\)', text)}
    assert raised
    assert raised <= FLAG_TEXTS.keys()
    assert all(any(f'"{code.split("/")[0]}"' in text for text in sources) for code in FLAG_TEXTS)


def test_a_flag_of_a_later_version_is_shown_as_it_is() -> None:
    assert flag_texts(made_reading(flags=("of-a-later-version",))) == (("of-a-later-version", ""),)
