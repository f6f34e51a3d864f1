"""What days of readings tell of a tank, as text for a terminal; words and symbols, never color alone."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table

from colorread.console_text import shown
from colorread.reading import Interval
from colorread.tank.day_words import hours_words, percent_words, share_words
from colorread.tank.results import Advice, DayForecast, Estimate, TankSummary

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
        console.print(_numbers(console, summary))
        _print_advice(console, summary.told.advice)
    _print_lines(console, [f"Caution: {caution}" for caution in summary.cautions])
    outlook = None if summary.told is None else summary.told.source
    source = "" if outlook is None else outlook.sentence
    _print_lines(console, [f"Note: {note}" for note in (source, summary.fluid_advice, *summary.notes) if note])


def estimate_words(estimate: Estimate, unit: str, digits: int | None = None) -> str:
    """
    Return a fitted number in words.

    Parameters
    ----------
    estimate : Estimate
        With an interval or a reason.
    unit : str
        Its unit.
    digits : int, optional
        Decimals; one below 10 and none above where not given.

    Returns
    -------
    str
        Value with its interval, or the reason.
    """
    if estimate.interval is None:
        return estimate.reason
    return f"{interval_words(estimate.interval, digits)} {unit}"


def interval_words(interval: Interval, digits: int | None = None) -> str:
    """
    Return a number with its interval, such as ``24 (19 to 30)``.

    Parameters
    ----------
    interval : Interval
        An end may be open.
    digits : int, optional
        Decimals; one below 10 and none above where not given.

    Returns
    -------
    str
        Without unit.
    """
    low, high = interval.low, interval.high
    if digits is None:
        digits = 1 if (interval.value or low or high or 0.0) < 10.0 else 0
    if low is None or high is None:
        ends = (
            f"up to {high:.{digits}f}" if high is not None else f"{low:.{digits}f} or more" if low is not None else ""
        )
    else:
        ends = f"{low:.{digits}f} to {high:.{digits}f}"
    return ends if interval.value is None else f"{interval.value:.{digits}f} ({ends})"


def _hours_above(estimate: Estimate) -> str:
    if estimate.interval is None:
        return estimate.reason
    value, interval = hours_words(estimate.interval)
    return f"{value} ({interval}) h a day" if interval else f"{value} h a day"


def _numbers(console: Console, summary: TankSummary) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    rows = (
        ("At lights on", estimate_words(summary.estimate("lights_on_mg_l"), "mg/L")),
        ("Daily peak", estimate_words(summary.estimate("peak_mg_l"), "mg/L")),
        ("Overnight low", estimate_words(summary.estimate("night_low_mg_l"), "mg/L")),
        ("Above the fish mark", _hours_above(summary.estimate("hours_above_fish_mark"))),
        ("Gas rate", estimate_words(summary.estimate("gas_mg_l_per_hour"), "mg/L an hour", 1)),
        ("Gas trend", estimate_words(summary.estimate("gas_trend_percent_per_day"), "% a day", 1)),
        ("Loss to the air", estimate_words(summary.estimate("loss_per_hour"), "of it an hour", 2)),
        ("Vial lags by", estimate_words(summary.estimate("lag_hours"), "h", 1)),
    )
    for label, words in rows:
        table.add_row(label, shown(console, words))
    return table


def _print_advice(console: Console, advice: Advice) -> None:
    console.print(shown(console, f"What to change, simulated for {advice.day:%d %B %Y}", "bold"))
    _print_lines(console, [_INDENT + sentence for sentence in advice.sentences])
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    table.add_column(overflow="fold")
    for heading in ("lights on", "peak", "overnight low", "below fish mark", "light in plants' range"):
        table.add_column(heading, overflow="fold", max_width=None if console.width >= _WIDE else _NUMBERS_WIDTH)
    days = [advice.today, *([advice.recommended] if advice.recommended else []), *advice.others]
    for day in days:
        cells = _day_cells(day, "→ " if day is advice.recommended else "")
        table.add_row(*(shown(console, cell) for cell in cells))
    console.print(table)


def _print_lines(console: Console, lines: Sequence[str]) -> None:
    for line in lines:
        console.print(shown(console, line))


def _day_cells(day: DayForecast, mark: str) -> tuple[str, ...]:
    return (
        mark + day.words,
        interval_words(day.lights_on_mg_l),
        interval_words(day.peak_mg_l),
        interval_words(day.night_low_mg_l),
        percent_words(day.fish_probability),
        share_words(day),
    )
