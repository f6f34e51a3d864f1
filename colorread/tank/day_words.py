"""Numbers of a day of the tank in words, the same in sentences and tables."""

from __future__ import annotations

from colorread.result import Interval
from colorread.tank.results import NEVER_DAYS, DayForecast, Night, TimerValve
from colorread.tank.settings import DailySpan
from colorread.words import NumberWords, co2_words, days_words, number_words, percent_words

_LEAST_HOURS = 0.5  # the course is told every half hour
LEAST_DAYS = 0.05  # less is shown as 0.0


def share_words(day: DayForecast) -> str:
    """
    Return the share of the light within the plants' range.

    Parameters
    ----------
    day : DayForecast
        A simulated day.

    Returns
    -------
    str
        With its 90 % interval, such as ``55 % (31 to 78 %)``; where both ends are one, that alone.
    """
    low, high = (round(share * 100.0) for share in (day.plants_share_low, day.plants_share_high))
    if low == high:
        return percent_words(day.plants_share)
    return f"{percent_words(day.plants_share)} ({low} to {high} %)"


def lit_words(lights: DailySpan | None) -> str:
    """
    Return what a share of the light is a share of.

    Parameters
    ----------
    lights : DailySpan or None
        Hours of the lamp; where they are not known, those of the gas stand in.

    Returns
    -------
    str
        For the end of a sentence.
    """
    return "the gas-on time" if lights is None else "the lights-on time"


def hours_words(hours: Interval) -> NumberWords:
    """
    Return hours of a day and their interval in words.

    Parameters
    ----------
    hours : Interval
        With both ends [h].

    Returns
    -------
    NumberWords
        Such as ``1.0 (0.0 to 4.5) h``, or ``less than 0.5 h``: no simulation shows that a limit is never passed.
    """
    assert hours.high is not None
    if hours.high < _LEAST_HOURS:
        return NumberWords(value=f"less than {_LEAST_HOURS:g}", span="", unit=" h")
    return number_words(hours, "h", digits=1)


def night_words(night: Night, fish_mg_l: float) -> str:
    """
    Return what the CO2 does by night where the gas never stops.

    Parameters
    ----------
    night : Night
        The night.
    fish_mg_l : float
        The fish limit [mg/L].

    Returns
    -------
    str
        Sentences.
    """
    to_do = " Run an air stone at night." if night.aerate else ""
    return (
        f"At night the CO2 runs from {co2_words(night.low_mg_l).short()} to {co2_words(night.high_mg_l).short()}: "
        f"{percent_words(night.chance_above_limit)} chance of passing {fish_mg_l:g} mg/L. Oxygen is lowest just before "
        f"lights on.{to_do}"
    )


def timer_words(timer: TimerValve) -> str:
    """
    Return whether a timer valve is worth it, in words.

    Parameters
    ----------
    timer : TimerValve
        What it would change.

    Returns
    -------
    str
        Sentences.
    """
    chances = f"{percent_words(timer.chance_without)} to {percent_words(timer.chance_with)}"
    effect = f"with gas from {timer.gas} the chance of passing the fish limit at night goes from {chances}"
    if timer.is_worth_it:
        return f"A timer valve is worth it: {effect}. Choose one that closes without current."
    return f"A timer valve is not needed for the fish: {effect}. It would save {timer.saved * 100.0:.0f} % of the gas."


def is_already(days: Interval) -> bool:
    """Whether what is to come in so many days is there already with the whole interval."""
    return days.high is not None and days.high < LEAST_DAYS


def fading_words(days: Interval) -> NumberWords:
    """
    Return in how many days the daily peak falls below a limit, in words.

    Parameters
    ----------
    days : Interval
        The upper end may be open [d].

    Returns
    -------
    NumberWords
        Such as ``12 (8 or more) days``, or ``possibly below it already (up to 14 days)``.
    """
    return _days(days, "below it")


def charge_words(days: Interval) -> NumberWords:
    """
    Return how long a charge lasts in words.

    Parameters
    ----------
    days : Interval
        Without a value where it is never used up [d].

    Returns
    -------
    NumberWords
        Such as ``45 (30 to 60) days``, or ``never (20 days or more)``.
    """
    if days.value is not None:
        return _days(days, "used up")
    assert days.low is not None
    span = "or used up already" if days.low < LEAST_DAYS else f"{_shown(days.low)} days or more"
    return NumberWords(value="never", span="" if days.low >= NEVER_DAYS else span, unit="")


def _days(days: Interval, end: str) -> NumberWords:
    if is_already(days):
        return NumberWords(value=f"{end} already", span="", unit="")
    if days.value is None or days.value >= LEAST_DAYS:
        return days_words(days)
    up_to = "or much later" if days.high is None else f"up to {_shown(days.high)} days"
    return NumberWords(value=f"possibly {end} already", span=up_to, unit="")


def _shown(days: float) -> str:
    return days_words(Interval(value=days, low=None, high=None)).value
