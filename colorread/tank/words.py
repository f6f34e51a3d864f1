"""What days of readings tell of a tank as rows of tables, the same in a terminal and in the report."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from rich import box
from rich.console import Console
from rich.table import Table

from colorread.console_text import shown
from colorread.reading import Interval
from colorread.tank.day_words import hours_words, percent_words
from colorread.tank.results import Advice, DayForecast, EstimateName, TankSummary
from colorread.words import NumberWords, co2_words, number_words

OF_WHEN = "Levels are those of the day of the last photo, rates those at its time."
RECOMMENDED = "Recommended"
HOURS_ABOVE = "Above fish mark"

_INDENT = "  "
_WIDE = 110  # from here on there is room for a forecast's words beside all of its numbers on one line
_NUMBERS_WIDTH = 10  # for "15 (12 to" over "19)", so that the words of a forecast get the rest


def print_tank_summary(console: Console, summary: TankSummary) -> None:
    """
    Print the verdict in words, the fitted numbers, and what to change.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    summary : TankSummary
        Of one tank.
    """
    console.print(shown(console, f"Tank {summary.tank.name}", "bold underline"))
    if summary.tank.made_up:
        console.print(shown(console, "Made-up data, for demonstration only.", "bold"))
    _print_lines(console, summary.headline)
    if summary.told is not None:
        _print_lines(console, [OF_WHEN])
        console.print(_numbers(console, summary))
        _print_advice(console, summary.told.advice)
    _print_lines(console, [f"Caution: {caution}" for caution in summary.cautions])
    outlook = None if summary.told is None else summary.told.source
    source = "" if outlook is None else outlook.sentence
    _print_lines(console, [f"Note: {note}" for note in (source, summary.fluid_advice, *summary.notes) if note])


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRow:
    """A number with its interval, or the reason why it cannot be told."""

    label: str
    number: NumberWords | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastRow:
    """A simulated day; each number as value and interval by its label."""

    words: str
    role: str
    numbers: Mapping[str, tuple[str, str]]


def number_rows(summary: TankSummary) -> list[NumberRow]:
    """
    Return the fitted numbers of a tank.

    Parameters
    ----------
    summary : TankSummary
        What the days tell.

    Returns
    -------
    list of NumberRow
        The CO2 at the last photo first, then what `OF_WHEN` speaks of.
    """
    marks = summary.tank.judged_by
    kinds: tuple[tuple[EstimateName, str, Callable[[Interval], NumberWords]], ...] = (
        ("lights_on_mg_l", "At lights on", co2_words),
        ("peak_mg_l", "Daily peak", co2_words),
        ("night_low_mg_l", "Overnight low", co2_words),
        ("hours_above_fish_mark", f"Above the fish mark of {marks.fish_mg_l:g} mg/L", hours_words),
        ("gas_mg_l_per_hour", "Gas rate", _in("mg/L an hour")),
        ("gas_trend_percent_per_day", "Gas trend", _in("% a day", signed=True)),
        ("fades_in_days", f"Until the daily peak falls below {marks.plants_low_mg_l:g} mg/L", _in("days")),
        ("loss_per_hour", "Loss to the air", _in("of it an hour")),
        ("lag_hours", "Lag of the vial", _in("h")),
    )
    rows = []
    if summary.told is not None:
        last = summary.told.tank_co2[-1]
        rows.append(
            NumberRow(label=f"Tank at the last photo ({last.taken_at:%a %H:%M})", number=co2_words(last.co2_mg_l))
        )
    for name, label, words in kinds:
        estimate = summary.estimate(name)
        number = None if estimate.interval is None else words(estimate.interval)
        rows.append(NumberRow(label=label, number=number, reason=estimate.reason))
    source = None if summary.told is None else summary.told.source
    if source is not None and source.days_left is not None:
        cylinder = summary.tank.source_kind == "cylinder"
        assumed = "if all its gas reached the water" if cylinder else "with the usual yield"
        rows.append(
            NumberRow(label=f"Until the charge is used up, {assumed}", number=number_words(source.days_left, "days"))
        )
    return rows


def forecast_rows(advice: Advice) -> list[ForecastRow]:
    """
    Return the simulated days, first as it is, then the recommended change.

    Parameters
    ----------
    advice : Advice
        With the simulated days.

    Returns
    -------
    list of ForecastRow
        One each.
    """
    rows = [_forecast_row(advice.today, "As it is")]
    if advice.recommended is not None:
        rows.append(_forecast_row(advice.recommended, RECOMMENDED))
    return rows + [_forecast_row(other, "Also tried") for other in advice.others]


def _in(unit: str, *, signed: bool = False) -> Callable[[Interval], NumberWords]:
    return partial(number_words, unit=unit, signed=signed)


def _forecast_row(day: DayForecast, role: str) -> ForecastRow:
    low, high = (round(share * 100.0) for share in (day.plants_share_low, day.plants_share_high))
    return ForecastRow(
        words=day.words,
        role=role,
        numbers={
            "At lights on, mg/L": number_words(day.lights_on_mg_l).cells(),
            "Daily peak, mg/L": number_words(day.peak_mg_l).cells(),
            "Overnight low, mg/L": number_words(day.night_low_mg_l).cells(),
            HOURS_ABOVE: hours_words(day.hours_above_fish_mark).cells(),
            "Light in plants' range": (percent_words(day.plants_share), "" if low == high else f"{low} to {high} %"),
            "Chance to stay below fish mark": (percent_words(day.fish_probability), ""),
        },
    )


def _numbers(console: Console, summary: TankSummary) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_header=False)
    table.add_column(overflow="fold")
    table.add_column(overflow="fold")
    for row in number_rows(summary):
        table.add_row(row.label, shown(console, row.reason if row.number is None else row.number.short()))
    return table


def _print_advice(console: Console, advice: Advice) -> None:
    console.print(shown(console, f"What to change, simulated for {advice.day:%d %B %Y}", "bold"))
    _print_lines(console, [_INDENT + sentence for sentence in advice.sentences])
    rows = forecast_rows(advice)
    labels = [label for label in rows[0].numbers if label != HOURS_ABOVE]  # there is no room for it
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    table.add_column(overflow="fold")
    for label in labels:
        table.add_column(label, overflow="fold", max_width=None if console.width >= _WIDE else _NUMBERS_WIDTH)
    for row in rows:
        words = f"→ {row.words}" if row.role == RECOMMENDED else row.words
        numbers = (f"{value} ({span})" if span else value for value, span in map(row.numbers.__getitem__, labels))
        table.add_row(*(shown(console, cell) for cell in (words, *numbers)))
    console.print(table)


def _print_lines(console: Console, lines: Sequence[str]) -> None:
    for line in lines:
        console.print(shown(console, line))
