"""What days of readings show of a tank as rows of tables, the same in a terminal and in the report."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from colorread.chemistry import with_other_unit
from colorread.result import Interval
from colorread.tank.day_words import charge_words, fading_words, hours_words
from colorread.tank.described import SETTINGS, Setting
from colorread.tank.results import Advice, DayForecast, EstimateName, TankSummary, Told
from colorread.tank.settings import Tank
from colorread.words import NumberWords, clean_name, co2_words, number_words, percent_words

OF_WHEN = "Levels: on the day of the last photo. Rates: at its time."
RECOMMENDED = "Recommended"
HOURS_ABOVE = "Above fish limit"


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
        ("hours_above_fish_mark", f"Above the fish limit ({marks.fish_mg_l:g} mg/L)", hours_words),
        ("gas_mg_l_per_hour", "Gas rate", _in("mg/L per hour")),
        ("gas_trend_percent_per_day", "Gas trend", _in("% per day", signed=True)),
        ("fades_in_days", f"Daily peak falls below {marks.plants_low_mg_l:g} mg/L in", fading_words),
        ("loss_per_hour", "Loss to the air", _percent_per_hour),
        ("lag_hours", "The vial lags by", _in("h")),
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
        what = "Cylinder" if summary.tank.source_kind == "cylinder" else "Charge"
        label = f"{what} empty in{', if it keeps fading' if source.fades_on else ''}"
        rows.append(NumberRow(label=label, number=charge_words(source.days_left)))
    return rows


def fitted_rows(told: Told) -> list[NumberRow]:
    """
    Return the further fitted numbers, for the record.

    Parameters
    ----------
    told : Told
        What a course tells.

    Returns
    -------
    list of NumberRow
        One each, with its unit.
    """
    kinds = {
        "loss_per_hour": ("Loss to the air", "% per hour"),
        "lag_hours": ("Lag of the vial", "h"),
        "uptake_per_hour_in_the_light": ("Uptake by plants in the light", "% per hour"),
        "level_without_gas_mg_l": ("Level without gas", "mg/L"),
    }
    return [
        NumberRow(label=label, number=number_words(_in_unit(told.fitted[name], unit), unit))
        for name, (label, unit) in kinds.items()
    ]


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


def _percent_per_hour(share: Interval) -> NumberWords:
    return number_words(_in_unit(share, "% per hour"), "% per hour")


def _in_unit(interval: Interval, unit: str) -> Interval:
    """Return shares as percent, and anything else as it is."""
    if not unit.startswith("%"):
        return interval
    value, low, high = (None if end is None else 100.0 * end for end in (interval.value, interval.low, interval.high))
    return Interval(value=value, low=low, high=high)


def _forecast_row(day: DayForecast, role: str) -> ForecastRow:
    low, high = (round(share * 100.0) for share in (day.plants_share_low, day.plants_share_high))
    in_range = percent_words(day.plants_share), "" if low == high else f"{low} to {high} %"
    return ForecastRow(
        words=day.words,
        role=role,
        numbers={
            "At lights on, mg/L": number_words(day.lights_on_mg_l).cells(),
            "Daily peak, mg/L": number_words(day.peak_mg_l).cells(),
            "Overnight low, mg/L": number_words(day.night_low_mg_l).cells(),
            HOURS_ABOVE: hours_words(day.hours_above_fish_mark).cells(),
            "Lights-on time in plants' range": in_range,
            "Chance to stay below fish limit": (percent_words(day.fish_probability), ""),
        },
    )


def setting_rows(tank: Tank) -> list[tuple[Setting, str]]:
    """
    Return what the keeper said about a tank, and what is assumed where nothing was said.

    Parameters
    ----------
    tank : Tank
        Its settings.

    Returns
    -------
    list of (Setting, str)
        Every setting and its value in words, empty where it is not known; the limits are those it is judged by.
    """
    held = replace(tank, gas=tank.gas_hours, marks=tank.judged_by)
    return [
        (setting, _setting_words(setting, setting.values_in(held), is_assumed=None in setting.values_in(tank)))
        for setting in SETTINGS.values()
    ]


def _setting_words(setting: Setting, values: Sequence[Any], *, is_assumed: bool) -> str:
    value = setting.usual if values[0] is None else values[0]
    if value is None:
        return ""
    measure, remark = setting.measure, "assumed" if is_assumed else ""
    if measure is not None and measure.quantity is not None:
        return with_other_unit(measure.quantity, value, remark=remark and f", {remark}")
    if measure is not None:
        return f"{' to '.join(f'{end:g}' for end in values)} {measure.unit}"
    if setting.kind == "flag":
        return "yes" if value else "no"
    words = setting.choices.get(value) or clean_name(str(value))
    return words + (remark and f" ({remark})")
