"""The numbers of a tank in words, as rows of the tables of its report."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from colorread.gas_care import SOURCE_WORDS
from colorread.reading import Interval
from colorread.tank.day_words import hours_words, percent_words
from colorread.tank.results import Advice, DayForecast, Estimate, TankSummary
from colorread.tank.settings import Tank
from colorread.words import co2_words, kh_words, temperature_words


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRow:
    """A number with its interval, or the reason why it cannot be told."""

    label: str
    value: str
    interval: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastRow:
    """A simulated day; the CO2 as value and interval."""

    words: str
    role: str
    lights_on: tuple[str, str]
    peak: tuple[str, str]
    night_low: tuple[str, str]
    hours_above: tuple[str, str]
    plants_share: tuple[str, str]
    fish_probability: str


def number_words(interval: Interval, unit: str = "") -> tuple[str, str]:
    """
    Return a number and its interval in words, with two digits that count.

    Parameters
    ----------
    interval : Interval
        One end may be open.
    unit : str, optional
        Put behind the numbers.

    Returns
    -------
    value, interval : str
        Such as ``3.1 h`` and ``2.4 to 4.0 h``, or ``above 4.0 h`` and an empty text.
    """
    known = [abs(number) for number in (interval.value, interval.low, interval.high) if number is not None]
    largest = max(known, default=0.0)
    digits = max(0, 1 - math.floor(math.log10(largest))) if largest > 0.0 else 0

    def words(number: float) -> str:
        return f"{number:.{digits}f}".replace("-", "\N{MINUS SIGN}")

    unit = f" {unit}" if unit else ""
    if interval.low is None or interval.high is None:
        if interval.high is not None:
            return f"below {words(interval.high)}{unit}", ""
        return (f"above {words(interval.low)}{unit}" if interval.low is not None else "unknown"), ""
    middle = (interval.low + interval.high) / 2.0 if interval.value is None else interval.value
    return f"{words(middle)}{unit}", f"{words(interval.low)} to {words(interval.high)}{unit}"


def period_words(first_at: datetime | None, last_at: datetime | None) -> str:
    """
    Return the days of a summary in words.

    Parameters
    ----------
    first_at, last_at : datetime or None
        First and last reading.

    Returns
    -------
    str
        Such as ``2 June 2025 to 8 June 2025``; empty where unknown.
    """
    days = [f"{when.day} {when:%B %Y}" for when in (first_at, last_at) if when is not None]
    return " to ".join(dict.fromkeys(days))


def without_unit(words: tuple[str, str]) -> tuple[str, str]:
    """
    Return a value and its interval for a table whose head says what they are.

    Parameters
    ----------
    words : (str, str)
        From `colorread.words.co2_words` or `colorread.words.ph_words`.

    Returns
    -------
    value, interval : str
        Such as ``19`` and ``13 to 27``, or ``above 61`` and ``95 % sure``.
    """
    value, interval = (text.removesuffix(" mg/L") for text in words)
    return value, _bare(interval).removeprefix("only this end is known, ")


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
        That of the last photo first, then those of its day.
    """
    return list(_number_rows(summary))


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
        rows.append(_forecast_row(advice.recommended, "Recommended"))
    return rows + [_forecast_row(other, "Also tried") for other in advice.others]


def setting_rows(tank: Tank) -> list[tuple[str, str]]:
    """
    Return what the keeper said about a tank.

    Parameters
    ----------
    tank : Tank
        Its settings.

    Returns
    -------
    list of (str, str)
        What and its value in words; what is not known is left out.
    """
    source, marks = tank.source, tank.judged_by
    rows = [
        ("Water", "" if tank.volume_l is None else f"{tank.volume_l:g} L"),
        ("KH of the fluid in the vial", kh_words(tank.kh_dkh)),
        ("Fluid renewed", "" if tank.fluid_renewed is None else f"{tank.fluid_renewed}"),
        ("KH of the tank", "" if tank.tank_kh_dkh is None else f"{tank.tank_kh_dkh:g} dKH"),
        ("Temperature", temperature_words(tank.temperature_c)),
        ("Lights", "" if tank.lights is None else f"{tank.lights} every day"),
        ("Gas", "" if tank.gas is None else f"{tank.gas} every day"),
        ("Gas source", "" if source is None else SOURCE_WORDS[source.kind]),
        ("Amount", "" if source is None or source.amount_g is None else f"{source.amount_g:g} g"),
        ("Charged", "" if source is None or source.started is None else f"{source.started}"),
        ("Plants' range", f"{marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L (common practice, no source)"),
        ("Fish mark", f"{marks.fish_mg_l:g} mg/L"),
        ("Animals", "some bear little CO2" if tank.sensitive else ""),
    ]
    return [(label, value) for label, value in rows if value]


def _number_rows(summary: TankSummary) -> Iterator[NumberRow]:
    told = summary.told
    if told is not None:
        last = told.tank_co2[-1]
        value, interval = co2_words(last.co2_mg_l)
        when = f"{last.taken_at:%a %H:%M}"
        yield NumberRow(label=f"Tank at the last photo ({when})", value=value, interval=_bare(interval), reason="")
    for label, estimate in (
        ("At lights on, day of the last photo", summary.estimate("lights_on_mg_l")),
        ("Daily peak, day of the last photo", summary.estimate("peak_mg_l")),
        ("Lowest by night, day of the last photo", summary.estimate("night_low_mg_l")),
    ):
        yield _number_row(label, estimate, "mg/L")
    mark = summary.tank.judged_by.fish_mg_l
    yield _number_row(
        f"Time above the fish mark of {mark:g} mg/L, day of the last photo",
        summary.estimate("hours_above_fish_mark"),
        "h a day",
    )
    yield _number_row("Gas rate at the last reading", summary.estimate("gas_mg_l_per_hour"), "mg/L per hour")
    yield _number_row("Change of the gas rate", summary.estimate("gas_trend_percent_per_day"), "% per day")
    low = summary.tank.judged_by.plants_low_mg_l
    yield _number_row(f"Until the daily peak falls below {low:g} mg/L", summary.estimate("fades_in_days"), "days")
    yield _number_row("Loss to the air", summary.estimate("loss_per_hour"), "per hour")
    yield _number_row("Lag of the vial (time constant)", summary.estimate("lag_hours"), "h")
    if told is not None and told.source is not None and told.source.days_left is not None:
        cylinder = summary.tank.source is not None and summary.tank.source.kind == "cylinder"
        assumed = "if all its gas reached the water" if cylinder else "with the usual yield"
        yield _number_row(f"Until the charge is used up, {assumed}", Estimate(interval=told.source.days_left), "days")


def _number_row(label: str, estimate: Estimate, unit: str) -> NumberRow:
    if estimate.interval is None:
        return NumberRow(label=label, value="", interval="", reason=estimate.reason)
    if unit == "mg/L":
        value, interval = co2_words(estimate.interval)
    elif unit == "h a day":
        value, interval = (f"{words} h" if words else "" for words in hours_words(estimate.interval))
    else:
        value, interval = number_words(estimate.interval, unit)
    return NumberRow(label=label, value=value, interval=_bare(interval), reason="")


def _forecast_row(forecast: DayForecast, role: str) -> ForecastRow:
    def co2(interval: Interval) -> tuple[str, str]:
        return without_unit(co2_words(interval))

    low, high = (round(share * 100.0) for share in (forecast.plants_share_low, forecast.plants_share_high))
    return ForecastRow(
        words=forecast.words,
        role=role,
        lights_on=co2(forecast.lights_on_mg_l),
        peak=co2(forecast.peak_mg_l),
        night_low=co2(forecast.night_low_mg_l),
        hours_above=hours_words(forecast.hours_above_fish_mark),
        plants_share=(percent_words(forecast.plants_share), "" if low == high else f"{low} to {high} %"),
        fish_probability=percent_words(forecast.fish_probability),
    )


def _bare(interval_words: str) -> str:
    return interval_words.removeprefix("90 % interval ")
