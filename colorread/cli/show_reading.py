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

from colorread.chemistry import CAUTIONS, DyeDose, FluidRecipe, RoomAirColor
from colorread.cli.console_text import printable, shown
from colorread.result import LEVELS, Interval, Level, Reading
from colorread.tank import age_days
from colorread.words import (
    FISH_SIGNS,
    IN_VIAL,
    NO_BREAK,
    REFUSED_SIGN,
    SIGNS_IN_SHORT,
    USUAL_MARKS,
    Answer,
    Marks,
    answer_of,
    bar_lines,
    bar_of,
    bind_units,
    budget_words,
    clean_name,
    co2_words,
    flag_texts,
    fluid_rows,
    input_words,
    number_words,
    ph_words,
    time_words,
)

_BAR_WIDTH_MIN, _BAR_WIDTH_MAX = 16, 61
_TEXT_WIDTH_MAX = 96  # longer lines are hard to follow
_LABEL_WIDTH = 8
_TABLE_WIDTH_MIN = 60  # narrower, and a table of several readings has no room for whole words beside its numbers
_FISH_STYLES: dict[Level, str] = {"no concern": "bold", "watch": "bold yellow", "act": "bold red"}

Row = tuple[str, str, str]
"""Label, text and style of the text."""


def print_reading(
    console: Console,
    reading: Reading,
    picture: Path | None = None,
    *,
    marks: Marks = USUAL_MARKS,
    now: datetime | None = None,
    details: bool = False,
    brief: bool = False,
) -> None:
    """
    Print one reading, the answer first, without its cautions.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    reading : Reading
        Read or refused.
    picture : Path, optional
        Its evidence picture.
    marks : Marks, optional
        What the CO2 was judged by, on the bar.
    now : datetime, optional
        On the tank's clock; that of the machine where not given.
    details : bool, default False
        Whether to print all that is known.
    brief : bool, default False
        Whether to print its number without a verdict, as the tank's own follows.
    """
    _print(console, clean_name(reading.photo), style="bold underline")
    if reading.reason is not None:
        rows = _refused_rows(reading)
    else:
        assert reading.co2_mg_l is not None
        rows = [("Vial", co2_words(reading.co2_mg_l).short(), "")]
    if reading.co2_mg_l is not None and reading.verdict is not None and not brief:
        days_old = 0 if reading.taken_at is None else age_days(reading.taken_at, now or datetime.now())
        answer = answer_of(reading.co2_mg_l, reading.verdict, days_old=days_old)
        rows = answer_rows(console, answer, reading.co2_mg_l, marks)
    if reading.reason is None:
        rows += _detail_rows(reading) if details else _input_rows(reading)
    notes = flag_texts(reading)
    if details or len(notes) < 2:
        rows += [("Note", note.sentence, "") for note in notes]
    else:
        rows.append(("Note", f"{notes[0].seen}. {len(notes) - 1} more: --details", ""))
    if picture is not None:
        rows.append(("Picture", clean_name(str(picture)), ""))
    print_rows(console, rows, gap=False)


def answer_rows(console: Console, answer: Answer, co2_mg_l: Interval, marks: Marks) -> list[Row]:
    """
    Return the answer that every screen begins with.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    answer : Answer
        Its words.
    co2_mg_l : Interval
        For the bar [mg/L].
    marks : Marks
        Limits on the bar.

    Returns
    -------
    list of Row
        Number, bar, fish, plants, what to do.
    """
    width = max(min(console.width - _LABEL_WIDTH - 2, _BAR_WIDTH_MAX), _BAR_WIDTH_MIN)
    zones, line, labels = bar_lines(bar_of(co2_mg_l, marks), width)
    of_what = "" if answer.what == IN_VIAL else f" {answer.what.removeprefix('CO2 ')}"
    rows = [
        ("CO2", f"{answer.value} ({answer.span}){of_what}", "bold"),
        ("", zones, "dim"),
        ("", line, "bold"),
        ("", labels, "dim"),
        ("Fish", f"{answer.lead} {answer.fish}", _FISH_STYLES[answer.level]),
        ("Plants", answer.plants, ""),
        ("To do", answer.to_do, "bold"),
        ("", answer.then, ""),
    ]
    return [row for row in rows if row[1]]


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
            print_rows(console, _short_rows(reading))
        return
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("photo", overflow="fold")
    table.add_column("CO2 mg/L", justify="right", no_wrap=True)
    table.add_column("90 %", no_wrap=True)
    table.add_column("fish", overflow="fold")
    for reading in readings:
        name = printable(console, clean_name(Path(reading.photo).name))
        if reading.co2_mg_l is None or reading.verdict is None:
            table.add_row(Text(name), "-", "", shown(console, f"{REFUSED_SIGN} not read"))
            continue
        value, span = number_words(reading.co2_mg_l).cells()
        table.add_row(Text(name), value, span, shown(console, *_fish_words(reading.verdict.fish)))
    console.print(table)


def print_cautions(
    console: Console, readings: Sequence[Reading], of_gas: Sequence[str] = (), *, details: bool = False
) -> None:
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
    details : bool, default False
        Whether to print all of them; else the first of the gravest level, and how to see the rest.
    """
    verdicts = [reading.verdict for reading in readings if reading.verdict is not None]
    verdicts.sort(key=lambda verdict: -LEVELS.index(verdict.fish))
    cautions = tuple(dict.fromkeys(caution for verdict in verdicts for caution in verdict.cautions))
    if cautions and details:
        print_panel(console, "Cautions", (*cautions, *of_gas))
    elif cautions:
        print_short_caution(console, verdicts[0].fish)


def print_short_caution(console: Console, level: Level, where: str = "--details") -> None:
    """
    Print one line of caution, or where there are more.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    level : {'no concern', 'watch', 'act'}
        Of the verdict.
    where : str, optional
        Where there is more.
    """
    text = f"Details and cautions: {where}" if level == "no concern" else f"{SIGNS_IN_SHORT} More: {where}"
    print_rows(console, [("More" if level == "no concern" else "Caution", text, "dim")])


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
    print_rows(console, [(label, text, "") for label, text in rows])
    print_panel(console, "Cautions", CAUTIONS)


def _short_rows(reading: Reading) -> list[tuple[str, str, str]]:
    if reading.co2_mg_l is None or reading.verdict is None:
        return [("CO2", f"{REFUSED_SIGN} Not read. {_message(reading)}", "bold")]
    return [("CO2", co2_words(reading.co2_mg_l).short(), ""), ("Fish", *_fish_words(reading.verdict.fish))]


def _message(reading: Reading) -> str:
    return "" if reading.reason is None else reading.reason.message


def _fish_words(fish: Level) -> tuple[str, str]:
    """Return sign and word for the fish, and their style."""
    return f"{FISH_SIGNS[fish]} {fish}", _FISH_STYLES[fish]


# Refusals with a way out that only the command line has.
_ASKS_FOR_VIAL = ("no-vial", "not-a-vial", "not-the-dye", "two-vials")


def _way_out(reading: Reading) -> str:
    assert reading.reason is not None
    if reading.reason.code not in _ASKS_FOR_VIAL:
        return ""
    if "vial-pointed" in reading.flags:
        return " Also check --vial X,Y,W,H, in pixels of the upright photo."
    return " Or mark the fluid with --vial X,Y,W,H."


def _refused_rows(reading: Reading) -> list[tuple[str, str, str]]:
    assert reading.reason is not None
    rows = [
        ("CO2", f"{REFUSED_SIGN} Not read. {reading.reason.message}", "bold"),
        ("To do", reading.reason.next_step + _way_out(reading), ""),
        ("Taken", time_words(reading), "dim"),
    ]
    return [row for row in rows if row[1]]


def _input_rows(reading: Reading) -> list[Row]:
    assumed = input_words(reading)[1]
    profile = "" if reading.profile is None else f"profile {clean_name(reading.profile)}"
    text = "; ".join(part for part in (profile, f"assumed {assumed}" if assumed else "") if part)
    return [("Inputs", text, "dim")] if text else []


def _detail_rows(reading: Reading) -> list[Row]:
    assert reading.ph is not None
    stated, assumed = input_words(reading)
    rows = [
        ("pH", f"{ph_words(reading.ph).short()}, of the fluid in the vial", ""),
        ("Tank pH", _tank_words(reading), ""),
        ("Assumed", assumed, ""),
        ("Entered", stated, ""),
        ("Taken", time_words(reading), ""),
        ("Rule", _rule_words(reading), ""),
        ("Error", _error_words(reading), ""),
    ]
    return [row for row in rows if row[1]]


def _tank_words(reading: Reading) -> str:
    if reading.tank_ph is None or reading.fluid == "tank-water":  # of which the pH before it tells
        return ""
    expected = ph_words(reading.tank_ph).short()
    return (
        f"{expected} expected on a probe in the tank ({reading.tank_kh_dkh:g} dKH). A clear mismatch means "
        "other acids, a drifting probe or old fluid."
    )


def _error_words(reading: Reading) -> str:
    words = budget_words(reading)
    if not words:
        return ""
    narrower = "" if reading.profile is not None else ". To narrow it: colorread calibrate ends --how"
    return f"uncertainty from {words}{narrower}"


def _rule_words(reading: Reading) -> str:
    rule = reading.co2_rule_of_thumb_mg_l
    if rule is None or reading.co2_mg_l is None or reading.co2_mg_l.value is None:
        return ""
    value, _ = co2_words(Interval(value=rule, low=rule, high=rule)).pair()
    off_percent = round(100.0 * (rule / reading.co2_mg_l.value - 1.0))
    rule_words = f"{value} by the rule of thumb 3 x KH x 10^(7 - pH)"
    if off_percent == 0:
        return rule_words
    off = f"{abs(off_percent)} % {'high' if off_percent > 0 else 'low'}"
    return f"{rule_words}, which reads {off} here"


def print_rows(console: Console, rows: Sequence[Row], *, gap: bool = True) -> None:
    """
    Print rows in two columns, and an empty line.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    rows : sequence of Row
        A text that begins with a space, as of a bar, is left as it is.
    gap : bool, default True
        Whether an empty line follows.
    """
    width = max(min(console.width - _LABEL_WIDTH - 2, _TEXT_WIDTH_MAX), _BAR_WIDTH_MIN)
    for label, text, style in rows:
        lines = [text] if len(text) <= width else textwrap.wrap(bind_units(text), width)
        for start, line in zip([label, *[""] * len(lines)], lines, strict=False):
            _print(console, f"{start:{_LABEL_WIDTH}}  {line}".rstrip().replace(NO_BREAK, " "), style)
    if gap:
        console.print()


def print_panel(console: Console, title: str, lines: Sequence[str]) -> None:
    """
    Print a list in a frame.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    title : str
        On the frame.
    lines : sequence of str
        An entry each.
    """
    table = Table.grid(padding=(0, 1, 0, 0))
    for line in lines:
        table.add_row("-", Text(line))
    width = min(console.width, _LABEL_WIDTH + _TEXT_WIDTH_MAX)
    console.print(Panel(table, title=title, title_align="left", width=width))


def _print(console: Console, text: str, style: str) -> None:
    console.print(shown(console, text, style))
