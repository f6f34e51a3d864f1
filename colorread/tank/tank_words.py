"""The days of a tank in words and in rows of tables: numbers, forecasts, gas, plan, and notes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from itertools import groupby

import numpy as np

from colorread.chemistry import RENEW_AFTER_WEEKS
from colorread.limits import USUAL_KH_DKH
from colorread.result import Interval, Reading
from colorread.tank.events import Event, event_words, moment_words
from colorread.tank.fit import TankFit
from colorread.tank.forecast import NIGHT_CHANCE
from colorread.tank.results import (
    NEVER_DAYS,
    Advice,
    DayForecast,
    EstimateName,
    Findings,
    Night,
    Plan,
    PlannedFor,
    TankSummary,
    TimerValve,
)
from colorread.tank.series import WINDOW_DAYS, LeftOut
from colorread.tank.settings import DailySpan, Tank
from colorread.words import (
    NumberWords,
    co2_words,
    date_span_words,
    date_words,
    days_words,
    number_words,
    percent_words,
    plural,
)

NUMBERS_CAPTION = "Last day: the day of the last photo. Rates are as of that photo."
RECOMMENDED = "Recommended"
AERATE = "Run an air stone at night."
HOURS_ABOVE = "Above fish limit"
# What a planned photo is good for.
PHOTO_PURPOSES: Mapping[PlannedFor, str] = {
    "loss": "The best time to see how fast CO2 escapes to the air.",
    "lag": "The best time to see how far the vial lags.",
    "gas rate": "The best time to see the gas rate.",
    "usual": "",
}
_LEFT_OUT: Mapping[LeftOut, str] = {
    "earlier charge": "taken before the current charge took effect",
    "other course": "taken before the tank changed",
    "higher course": "taken before the tank changed",
    "old": f"taken more than {WINDOW_DAYS} days before the last",
    "no time": "without a time",
    "no budget": "from an older version, without error sources",
}
_LEAST_HOURS = 0.5  # step of the simulated course
_LEAST_DAYS = 0.05  # less is shown as 0.0
_LEAKING_PERCENT_A_DAY = -3.0  # a slower loss may be the weather or the fit: assumption
_photos = partial(plural, noun="photo")

_InWords = Callable[[Interval], NumberWords]


def share_words(day: DayForecast) -> str:
    """Return the share of the lit hours within the plants' range, such as ``55 % (31 to 78 %)``."""
    share, span = share_cells(day)
    return f"{share} ({span})" if span else share


def share_cells(day: DayForecast) -> tuple[str, str]:
    """Return that share and its 90 % interval; the interval is empty if both ends look the same."""
    low, high = (round(share * 100.0) for share in (day.plants_share_low, day.plants_share_high))
    return percent_words(day.plants_share), "" if low == high else f"{low} to {high} %"


def lit_words(lights: DailySpan | None) -> str:
    """Return what the lit hours are called: those of the gas if the lamp's are not known."""
    return "the gas-on time" if lights is None else "the lights-on time"


def hours_words(hours: Interval) -> NumberWords:
    """Return hours of a day, or ``less than 0.5 h``, as no simulation shows that a limit is never passed."""
    if hours.high is not None and hours.high < _LEAST_HOURS:
        return NumberWords(value=f"less than {_LEAST_HOURS:g}", span="", unit=" h")
    return number_words(hours, "h", digits=1)


def night_words(night: Night, fish_mg_l: float) -> str:
    """Return what the CO2 does at night while the gas never stops."""
    return (
        f"At night the CO2 runs from {co2_words(night.low_mg_l).short()} to {co2_words(night.high_mg_l).short()}: "
        f"{percent_words(night.chance_above_limit)} chance of passing {fish_mg_l:g} mg/L. Oxygen is lowest just before "
        "lights on."
    )


def timer_words(timer: TimerValve) -> str:
    """Return whether a timer valve is worth it."""
    saves = f"It would save {timer.saved * 100.0:.0f} % of the gas."
    without = percent_words(timer.chance_without)
    if timer.chance_without <= NIGHT_CHANCE:
        return f"The fish do not need a timer valve: {without} chance of passing the limit at night. {saves}"
    effect = (
        f"with the gas on {timer.gas}, the chance of passing the fish limit at night goes from {without} to "
        f"{percent_words(timer.chance_with)}"
    )
    if timer.is_worth_it:
        return f"A timer valve is worth it: {effect}. Choose one that closes when it has no power."
    return f"A timer valve would hardly help the fish: {effect}. {saves}"


def days_until_words(days: Interval, end: str) -> NumberWords:
    """Return the days until something ends, such as ``12 days (8 or more)``, ``never``, or ``used up already``."""
    if _is_already(days):
        return NumberWords(value=f"{end} already", span="", unit="")
    if days.value is None:
        low = days.low or 0.0
        span = f"or {end} already" if low < _LEAST_DAYS else f"{_shown(low)} or more"
        return NumberWords(value="never", span="" if low >= NEVER_DAYS else span, unit="")
    if days.value >= _LEAST_DAYS:
        return days_words(days)
    span = "or much later" if days.high is None else f"up to {_shown(days.high)}"
    return NumberWords(value=f"possibly {end} already", span=span, unit="")


def _is_already(days: Interval) -> bool:
    """Return whether the whole interval of the days until something happens has passed."""
    return days.high is not None and days.high < _LEAST_DAYS


def _shown(days: float) -> str:
    words = days_words(Interval(value=days, low=None, high=None))
    return words.value + words.unit


def gas_trend_words(tank: Tank, findings: Findings, *, is_old: bool = False) -> str:
    """Return the trend of the gas and what it means; for old photos, nothing about the days since."""
    trend, fades = findings.estimates["gas_trend_percent_per_day"], findings.estimates["fades_in_days"]
    if trend.interval is None:
        return trend.reason
    value, low, high = (end or 0.0 for end in (trend.interval.value, trend.interval.low, trend.interval.high))
    change = number_words(trend.interval, "% per day", signed=True).short()
    gas = "Gas at the time" if is_old else "Gas"
    if low < 0.0 < high:
        return f"{gas}: no clear trend, {change}."
    words = f"{gas}: {change}."
    if fades.interval is not None and not is_old:
        words += f" {_fades_words(tank, findings, fades.interval)}"
    if tank.source_kind == "cylinder" and high < 0.0 and value <= _LEAKING_PERCENT_A_DAY:
        words += (
            " A cylinder does not fade by itself. Ventilate, and check regulator, valve and hose for leaks; once "
            "fixed, more gas may flow again."
        )
    return words


def _fades_words(tank: Tank, findings: Findings, days: Interval) -> str:
    lower = f"{tank.marks.plants_low_mg_l:g} mg/L"
    if (days.value or 0.0) >= _LEAST_DAYS:
        return f"At this rate, the daily peak falls below {lower} in about {days_words(days).short()}."
    peak = findings.estimates["peak_mg_l"].interval
    is_below = peak is not None and peak.high is not None and peak.high < tank.marks.plants_low_mg_l
    return f"The daily peak {'is already' if is_below and _is_already(days) else 'may already be'} below {lower}."


def noted_since_words(events: Sequence[Event], last_at: datetime) -> str:
    """Return what was last done to the gas after the last photo, which cannot show it; empty if nothing was."""
    since = [event for event in events if event.changes_gas_rate and event.at > last_at]
    if not since:
        return ""
    return f"Noted since the last photo: {event_words(since[-1])}. Only a new photo can show how much gas flows now."


def plan_lines(plan: Plan, today: date | None = None) -> tuple[str, ...]:
    """
    Return the plan for photos, refill and fluid.

    Parameters
    ----------
    plan : Plan
        Plan of a tank.
    today : datetime.date, optional
        Enables "today" and "tomorrow"; leave it out for paper, which is read on another day.

    Returns
    -------
    tuple of str
        A line each, as far as known.
    """
    lines = []
    if plan.photos:
        first, *others = plan.photos
        sentences = [f"Next photo: {moment_words(first.at, today)}.", PHOTO_PURPOSES[first.tells]]
        days = [[photo.at for photo in photos] for _, photos in groupby(others, lambda photo: photo.at.date())]
        later = [", ".join((moment_words(at, today), *(f"{more:%H:%M}" for more in rest))) for at, *rest in days]
        if later:
            sentences.append(f"Then: {'; '.join(later)}.")
        lines.append(" ".join(filter(None, sentences)))
    if plan.refill_on is not None:
        lines.append(f"The gas lasts until about {refill_words(plan)}.")
    if plan.renew_fluid_on is not None:
        is_due = today is not None and plan.renew_fluid_on <= today
        lines.append("Renew the fluid now." if is_due else f"Renew the fluid by {date_words(plan.renew_fluid_on)}.")
    return tuple(lines)


def refill_words(plan: Plan) -> str:
    """Return when the charge is used up, such as ``May 20 (May 17 to 24)``, or the day alone if it is certain."""
    assert plan.refill_on is not None
    words = date_words(plan.refill_on)
    if plan.refill_from is None or plan.refill_from == plan.refill_until:
        return words
    return f"{words} ({date_span_words(plan.refill_from, plan.refill_until)})"


def fluid_words(renewed: date | None, last: date | None) -> str:
    """Return whether to renew the fluid in the vial, by its age at the last photo; empty if not known."""
    if renewed is None or last is None:
        return ""
    weeks = (last - renewed).days / 7.0
    age = plural(round(weeks), "week")
    if weeks >= RENEW_AFTER_WEEKS:
        return (
            f"Renew the fluid: it was {age} old at the last photo (every {RENEW_AFTER_WEEKS} weeks, hobby convention)."
        )
    if weeks < 0.0:
        return "The fluid was renewed after the last photo."
    return f"The fluid was {age} old at the last photo."


def future_words(n_photos: int) -> str:
    """Return how many photos do not count because of a wrong clock; nothing if none."""
    return f"{_photos(n_photos)} dated in the future, not counted. Set that camera's clock." if n_photos else ""


def input_notes(read: Sequence[Reading]) -> tuple[str, ...]:
    """Return what was assumed for the photos that were read."""
    notes = []
    if by_file := sum(reading.time_source == "file time" for reading in read):
        notes.append(f"{_photos(by_file)} without a stored time: the file's was used, which may be wrong for a copy.")
    if any("kh" in reading.assumed for reading in read):
        notes.append(f"KH of the fluid: {USUAL_KH_DKH:g} dKH assumed.")
    if read and not any(reading.profile for reading in read):
        notes.append(
            "Without calibration, all readings may be too high or too low together. The intervals include that; "
            "calibrating narrows them."
        )
    return tuple(notes)


def fit_notes(tank: Tank, fit: TankFit) -> tuple[str, ...]:
    """Return which readings the course leaves out and why, and what the others cannot show."""
    left_out = fit.series.left_out
    unused = [f"{_photos(left_out[why])} {words}" for why, words in _LEFT_OUT.items() if left_out[why]]
    notes = [f"Not used: {', '.join(unused)}."] if unused else []
    if tank.source_kind == "fermentation" and tank.gas is not None and tank.gas.hours < 24.0:
        notes.append(
            f"A fermenting bottle never stops: the gas hours ({tank.gas}) hold only if its hose is out of the tank at "
            "other times. Otherwise clear them."
        )
    if tank.lights is None:
        notes.append("The lighting hours are not known, so plant uptake cannot be separated from loss to the air.")
    if len(np.unique(np.floor(fit.series.hours % 24.0 / 3.0))) < 2:
        notes.append("All photos are from the same hours of the day; other hours would show far more.")
    if n := int(fit.series.is_open.sum()):
        notes.append(f"{n} reading{'s are' if n > 1 else ' is'} beyond the dye's range; only the known end is used.")
    return tuple(notes)


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRow:
    """A number with its interval, or the reason why there is none."""

    label: str
    number: NumberWords | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastRow:
    """A simulated day; under each label, a number as value and interval."""

    words: str
    role: str
    numbers: Mapping[str, tuple[str, str]]


def number_rows(summary: TankSummary) -> list[NumberRow]:
    """
    Return the fitted numbers of a tank.

    Parameters
    ----------
    summary : TankSummary
        Summary of its days.

    Returns
    -------
    list of NumberRow
        The CO2 at the last photo first, then those that `NUMBERS_CAPTION` refers to.
    """
    marks, findings = summary.tank.judged_by, summary.findings
    kinds: tuple[tuple[EstimateName, str, _InWords], ...] = (
        ("lights_on_mg_l", "At lights on, last day", co2_words),
        ("peak_mg_l", "Peak, last day", co2_words),
        ("night_low_mg_l", "Overnight low, last day", co2_words),
        ("hours_above_fish_mark", f"Above the fish limit ({marks.fish_mg_l:g} mg/L), last day", hours_words),
        ("gas_mg_l_per_hour", "Gas rate", partial(number_words, unit="mg/L per hour")),
        ("gas_trend_percent_per_day", "Gas trend", partial(number_words, unit="% per day", signed=True)),
        (
            "fades_in_days",
            f"Daily peak falls below {marks.plants_low_mg_l:g} mg/L in",
            partial(days_until_words, end="below it"),
        ),
        ("loss_per_hour", "Loss to the air", _percent_per_hour),
        ("lag_hours", "Lag of the vial", partial(number_words, unit="h")),
    )
    rows = []
    if findings is not None:
        last = findings.tank_co2[-1]
        label = f"Tank at the last photo ({last.taken_at:%a %H:%M})"
        rows.append(NumberRow(label=label, number=co2_words(last.co2_mg_l)))
    for name, label, words in kinds:
        estimate = summary.estimate(name)
        number = None if estimate.interval is None else words(estimate.interval)
        rows.append(NumberRow(label=label, number=number, reason=estimate.reason))
    if findings is not None and findings.source is not None and findings.source.days_left is not None:
        what = "Cylinder" if summary.tank.source_kind == "cylinder" else "Charge"
        label = f"{what} empty in{' (if it keeps fading)' if findings.source.fades_on else ''}"
        rows.append(NumberRow(label=label, number=days_until_words(findings.source.days_left, "used up")))
    return rows


def fitted_rows(findings: Findings) -> list[NumberRow]:
    """
    Return the further fitted numbers, for the record.

    Parameters
    ----------
    findings : Findings
        What a course shows.

    Returns
    -------
    list of NumberRow
        One row for each.
    """
    kinds: dict[str, tuple[str, _InWords]] = {
        "loss_per_hour": ("Loss to the air", _percent_per_hour),
        "lag_hours": ("Lag of the vial", partial(number_words, unit="h")),
        "uptake_per_hour_in_the_light": ("Uptake by plants in the light", _percent_per_hour),
        "level_without_gas_mg_l": ("Level without gas", co2_words),
    }
    return [NumberRow(label=label, number=words(findings.fitted[name])) for name, (label, words) in kinds.items()]


def forecast_rows(advice: Advice) -> list[ForecastRow]:
    """
    Return the simulated days: with nothing changed, with the recommended change, and with others.

    Parameters
    ----------
    advice : Advice
        Advice with its simulated days.

    Returns
    -------
    list of ForecastRow
        One row for each.
    """
    rows = [_forecast_row(advice.today, "As it is")]
    if advice.recommended is not None:
        rows.append(_forecast_row(advice.recommended, RECOMMENDED))
    return rows + [_forecast_row(other, "Also tried") for other in advice.others]


def _percent_per_hour(share: Interval) -> NumberWords:
    value, low, high = (None if end is None else 100.0 * end for end in (share.value, share.low, share.high))
    return number_words(Interval(value=value, low=low, high=high), "% per hour")


def _forecast_row(day: DayForecast, role: str) -> ForecastRow:
    return ForecastRow(
        words=day.words,
        role=role,
        numbers={
            "At lights on, mg/L": number_words(day.lights_on_mg_l).cells(),
            "Daily peak, mg/L": number_words(day.peak_mg_l).cells(),
            "Overnight low, mg/L": number_words(day.night_low_mg_l).cells(),
            HOURS_ABOVE: hours_words(day.hours_above_fish_mark).cells(),
            "Lights-on time in plants' range": share_cells(day),
            "Chance of staying below fish limit": (percent_words(day.fish_probability), ""),
        },
    )
