"""Readings and recipes as text for a terminal, in words and symbols, never by color alone."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from rich import box
from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from colorread.cli.console_text import printable, shown
from colorread.flags import flag_texts
from colorread.fluid import CAUTIONS, DyeDose, FluidRecipe, RoomAirColor
from colorread.fluid_words import fluid_rows
from colorread.reading import FishWord, Interval, Reading
from colorread.tank.series import age_days
from colorread.verdict import USUAL_MARKS, Marks
from colorread.words import (
    FISH_SIGNS,
    NO_BREAK,
    REFUSED_SIGN,
    bind_units,
    budget_words,
    clean_name,
    co2_words,
    input_words,
    number_words,
    ph_words,
    time_words,
)

_SCALE_END_MG_L = 60.0
_SCALE_WIDTH_MIN, _SCALE_WIDTH_MAX = 16, 61
_TEXT_WIDTH_MAX = 96  # longer lines are hard to follow
_LABEL_WIDTH = 10
_TABLE_WIDTH_MIN = 60  # narrower, and a table of several readings has no room for whole words beside its numbers
_FISH_STYLES = {"no concern read": "bold", "watch": "bold yellow", "act": "bold red"}
_GAP = ("", "", "")


def print_reading(
    console: Console,
    reading: Reading,
    picture: Path | None = None,
    *,
    marks: Marks = USUAL_MARKS,
    now: datetime | None = None,
) -> None:
    """
    Print one reading, what matters most first, without its cautions.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    reading : Reading
        Read or refused.
    picture : Path, optional
        Its evidence picture.
    marks : Marks, optional
        What the CO2 was judged by, on the scale.
    now : datetime, optional
        On the tank's clock; that of the machine where not given.
    """
    _print(console, clean_name(reading.photo), style="bold underline")
    if reading.reason is None:
        rows = _read_rows(console, reading, marks, now or datetime.now())
    else:
        rows = _refused_rows(reading)
    rows += [("Note", f"{seen}: {to_do}" if to_do else seen, "") for seen, to_do in flag_texts(reading)]
    if picture is not None:
        rows.append(("Picture", clean_name(str(picture)), ""))
    _print_rows(console, rows)


def print_summary(console: Console, readings: Sequence[Reading]) -> None:
    """
    Print several readings in short.

    Parameters
    ----------
    console : rich.console.Console
        Where to; a table where it is wide enough, else some lines for each reading, so that no number is cut off.
    readings : sequence of Reading
        In the order in which they were given.
    """
    if console.width < _TABLE_WIDTH_MIN:
        for reading in readings:
            _print(console, clean_name(Path(reading.photo).name), style="bold underline")
            _print_rows(console, _short_rows(reading))
        return
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("photo", overflow="fold")
    table.add_column("CO2 mg/L", justify="right", no_wrap=True)
    table.add_column("90 %", no_wrap=True)
    table.add_column("fish", overflow="fold")
    for reading in readings:
        name = printable(console, clean_name(Path(reading.photo).name))
        if reading.co2_mg_l is None or reading.verdict is None:
            table.add_row(Text(name), "-", "", shown(console, f"{REFUSED_SIGN} not read: {_message(reading)}"))
            continue
        value, span = number_words(reading.co2_mg_l).cells()
        table.add_row(Text(name), value, span, shown(console, *_fish_words(reading.verdict.fish)))
    console.print(table)


def print_cautions(console: Console, readings: Sequence[Reading], of_gas: Sequence[str] = ()) -> None:
    """
    Print the cautions of all readings, each once.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    readings : sequence of Reading
        Read or refused; where all are refused nothing is printed.
    of_gas : sequence of str, optional
        Cautions of the gas source, put last.
    """
    verdicts = [reading.verdict for reading in readings if reading.verdict is not None]
    verdicts.sort(key=lambda verdict: -len(verdict.cautions))  # the gravest has the most; its order holds
    cautions = tuple(dict.fromkeys(caution for verdict in verdicts for caution in verdict.cautions))
    if cautions:
        _print_panel(console, "Cautions", (*cautions, *of_gas))


def print_fluid(console: Console, recipe: FluidRecipe, dose: DyeDose, air: RoomAirColor, vial_ml: float) -> None:
    """
    Print how to mix the fluid.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    recipe : FluidRecipe
        Stock and dilutions.
    dose : DyeDose
        Drops of dye for the vial.
    air : RoomAirColor
        Color to expect in room air.
    vial_ml : float
        Fluid that the vial takes [mL].
    """
    rows = fluid_rows(recipe, dose, air, vial_ml, option=f", --kh {dose.kh_in_vial_dkh:.2f}")
    _print(console, f"Fluid of {recipe.kh_dkh:.2f} dKH, {recipe.second.total_ml:g} mL", style="bold underline")
    _print_rows(console, [(label, text, "") for label, text in rows])
    _print_panel(console, "Cautions", CAUTIONS)


def co2_scale(co2_mg_l: Interval, width: int, marks: Marks = USUAL_MARKS) -> str:
    """
    Draw the interval on a scale of 0 to 60 mg/L.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval [mg/L].
    width : int
        Characters for the scale.
    marks : Marks, optional
        What the CO2 was judged by.

    Returns
    -------
    str
        Two lines: heavy the interval, a dot the value, crosses the plants' marks, arrows where the interval goes on;
        below it the numbers, those of the marks first where there is no room for all.
    """

    def column(value: float) -> int:
        return min(max(round(value / _SCALE_END_MG_L * (width - 1)), 0), width - 1)

    low = 0.0 if co2_mg_l.low is None else co2_mg_l.low
    high = _SCALE_END_MG_L if co2_mg_l.high is None else co2_mg_l.high
    inside = range(column(low), column(high) + 1)
    shown_marks = [value for value in (marks.plants_low_mg_l, marks.plants_high_mg_l) if value <= _SCALE_END_MG_L]
    crossed = [column(value) for value in shown_marks]
    bar = [("╋" if i in crossed else "━") if i in inside else "┼" if i in crossed else "─" for i in range(width)]
    if co2_mg_l.value is not None:
        bar[column(co2_mg_l.value)] = "●"
    if co2_mg_l.low is None:
        bar[0] = "◀"
    if co2_mg_l.high is None or high > _SCALE_END_MG_L:
        bar[-1] = "▶"
    labels = [" "] * width
    for value in (*shown_marks, 0.0, _SCALE_END_MG_L):
        text = f"{value:g}"
        start = min(column(value), width - len(text))
        if not "".join(labels[max(start - 1, 0) : start + len(text) + 1]).strip():
            labels[start : start + len(text)] = text
    return "".join(bar) + "\n" + "".join(labels)


def _short_rows(reading: Reading) -> list[tuple[str, str, str]]:
    if reading.co2_mg_l is None or reading.verdict is None:
        return [(f"{REFUSED_SIGN} NOT READ", _message(reading), "bold")]
    return [("CO2", ", ".join(co2_words(reading.co2_mg_l).pair()), ""), ("Fish", *_fish_words(reading.verdict.fish))]


def _message(reading: Reading) -> str:
    return "" if reading.reason is None else reading.reason.message


def _fish_words(fish: FishWord) -> tuple[str, str]:
    """Return sign and word for the fish, and their style."""
    return f"{FISH_SIGNS[fish]} {fish}", _FISH_STYLES[fish]


# Refusals with a way out that only the command line has.
_ASKS_FOR_VIAL = ("no-vial", "not-a-vial", "two-vials")


def _way_out(reading: Reading) -> str:
    assert reading.reason is not None
    if reading.reason.code not in _ASKS_FOR_VIAL:
        return ""
    if "vial-pointed" in reading.flags:
        return " Check --vial X,Y,W,H as well: it counts in pixels of the upright photo."
    return " Or point at the fluid with --vial X,Y,W,H."


def _refused_rows(reading: Reading) -> list[tuple[str, str, str]]:
    assert reading.reason is not None
    rows = [
        (f"{REFUSED_SIGN} NOT READ", reading.reason.message, "bold"),
        ("To do", reading.reason.next_step + _way_out(reading), ""),
        ("Taken", time_words(reading), "dim"),
    ]
    return [row for row in rows if row[1]]


def _read_rows(console: Console, reading: Reading, marks: Marks, now: datetime) -> list[tuple[str, str, str]]:
    assert reading.verdict is not None
    assert reading.co2_mg_l is not None
    assert reading.ph is not None
    plants, fish, advice = reading.verdict.sentences
    word, style = _fish_words(reading.verdict.fish)
    width = max(min(console.width - _LABEL_WIDTH - 2, _SCALE_WIDTH_MAX), _SCALE_WIDTH_MIN)
    stated, assumed = input_words(reading)
    days = 0 if reading.taken_at is None else age_days(reading.taken_at, now)
    to_do = [("", advice, "bold")]
    if days > 1:
        photo_now = f"Take a photo now: this one was taken {days} days ago, and all of this is of that time."
        to_do = [("", photo_now, "bold"), ("", f"What was to do then: {advice}", "")]
    rows = [
        ("Fish", f"{word}: {fish.removeprefix('Fish: ')}", style),
        ("", plants, ""),
        *to_do,
        _GAP,
        ("CO2", ", ".join(co2_words(reading.co2_mg_l).pair()), "bold"),
        ("", co2_scale(reading.co2_mg_l, width, marks), ""),
        ("pH", ", ".join(ph_words(reading.ph).pair()) + ", of the fluid in the vial", ""),
        ("Tank pH", _tank_words(reading), ""),
        _GAP,
        ("Assumed", assumed, ""),
        ("Stated", stated, "dim"),
        ("Taken", time_words(reading), "dim"),
        ("Rule", _rule_words(reading), "dim"),
        ("Unsure by", _unsure_words(reading), "dim"),
    ]
    return [row for row in rows if row[1] or row is _GAP]


def _tank_words(reading: Reading) -> str:
    if reading.tank_ph is None or reading.fluid == "tank-water":  # of which the pH before it tells
        return ""
    expected = ", ".join(ph_words(reading.tank_ph).pair())
    return (
        f"{expected}: what a probe in the tank ({reading.tank_kh_dkh:g} dKH) should show. A clear mismatch means other "
        "acids, a drifting probe or stale fluid."
    )


def _unsure_words(reading: Reading) -> str:
    words = budget_words(reading)
    if not words or reading.profile is not None:
        return words
    return f"{words}. A calibration narrows it: colorread calibrate ends --how"


def _rule_words(reading: Reading) -> str:
    rule = reading.co2_rule_of_thumb_mg_l
    if rule is None or reading.co2_mg_l is None or reading.co2_mg_l.value is None:
        return ""
    value, _ = co2_words(Interval(value=rule, low=rule, high=rule)).pair()
    off_percent = round(100.0 * (rule / reading.co2_mg_l.value - 1.0))
    rule_words = f"{value} by the usual 3 x KH x 10^(7 - pH)"
    if off_percent == 0:
        return rule_words
    off = f"{abs(off_percent)} % {'high' if off_percent > 0 else 'low'}"
    return f"{rule_words}, which reads {off} at this KH and temperature"


def _print_rows(console: Console, rows: Sequence[tuple[str, str, str]]) -> None:
    """Print label, text and style of the text in two columns, and an empty line."""
    width = max(min(console.width - _LABEL_WIDTH - 2, _TEXT_WIDTH_MAX), _SCALE_WIDTH_MIN)
    for label, text, style in rows:
        lines = [line for part in bind_units(text).split("\n") for line in textwrap.wrap(part, width) or [""]]
        for start, line in zip([label, *[""] * len(lines)], lines, strict=False):
            _print(console, f"{start:{_LABEL_WIDTH}}  {line}".rstrip().replace(NO_BREAK, " "), style)
    console.print()


def _print_panel(console: Console, title: str, lines: Sequence[str]) -> None:
    table = Table.grid(padding=(0, 1, 0, 0))
    for line in lines:
        table.add_row("-", Text(line))
    width = min(console.width, _LABEL_WIDTH + _TEXT_WIDTH_MAX)
    console.print(Panel(table, title=title, title_align="left", width=width))


def _print(console: Console, text: str, style: str) -> None:
    console.print(shown(console, text, style))
