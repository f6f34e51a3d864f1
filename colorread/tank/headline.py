"""The verdict that days of readings end in: what matters first."""

from __future__ import annotations

import math
from datetime import datetime

from colorread.reading import Interval, Verdict
from colorread.tank.day_words import LEAST_DAYS, is_already, lit_words, share_words
from colorread.tank.results import Told
from colorread.tank.series import wall_clock
from colorread.tank.settings import Tank
from colorread.verdict import Marks, judge
from colorread.words import co2_words, days_words, number_words

_LOOK = "Look at the fish now."
_LEAKING_PERCENT_A_DAY = -3.0  # assumption: less may be the weather or the fit
_LEAK = (
    "A cylinder does not fade by itself: ventilate, and check regulator, valve and hose for leaks as its supplier "
    "instructs; once that is mended, more gas may flow again."
)


def headline(tank: Tank, told: Told, last: Verdict) -> tuple[str, ...]:
    """
    Return the verdict of a course in sentences, the fish first.

    Parameters
    ----------
    tank : Tank
        Its marks.
    told : Told
        What the course tells.
    last : Verdict
        Of the last reading alone, lest a course silences what a fresh photo shows.

    Returns
    -------
    tuple of str
        One sentence or more for fish, plants, gas and change; how much gas to give is left to the change.
    """
    marks, advice = tank.judged_by, told.advice
    peak, above = told.estimates["peak_mg_l"].interval, told.estimates["hours_above_fish_mark"].interval
    trend, fades = told.estimates["gas_trend_percent_per_day"], told.estimates["fades_in_days"]
    assert peak is not None
    assert above is not None
    was = "is expected to peak" if _is_peak_to_come(told) else "peaked"
    fish = (
        f"Fish: on the day of the last photo the tank {was} at {co2_words(peak).short()}, "
        f"{_for_fish(peak, above, marks, last)}"
    )
    plants = (
        f"Plants: as it runs now the CO2 is within {marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L for "
        f"{share_words(advice.today)} of {lit_words(tank.lights)}."
    )
    gas = "Gas: " + trend.reason
    if trend.interval is not None:
        low, high = trend.interval.low or 0.0, trend.interval.high or 0.0
        change = number_words(trend.interval, "% a day", signed=True).short()
        gas = f"Gas: the rate changes by {change}."
        if low < 0.0 < high:
            gas = f"Gas: no sure trend, {change}."
        elif fades.interval is not None and (fades.interval.value or 0.0) < LEAST_DAYS:
            is_below = is_already(fades.interval) and peak.high is not None and peak.high < tank.marks.plants_low_mg_l
            gas += (
                f" The daily peak {'is' if is_below else 'may be'} below {tank.marks.plants_low_mg_l:g} mg/L already."
            )
        elif fades.interval is not None:
            gas += (
                f" Fading on like that, the daily peak falls below {tank.marks.plants_low_mg_l:g} mg/L in about "
                f"{days_words(fades.interval).short()}."
            )
        if tank.source_kind == "cylinder" and high < 0.0 and (trend.interval.value or 0.0) <= _LEAKING_PERCENT_A_DAY:
            gas += f" {_LEAK}"
    return fish, plants, gas, f"What to change: {advice.sentences[0]}"


def _is_peak_to_come(told: Told) -> bool:
    """Whether the peak of the day of the last photo lies after that photo."""
    last_at = wall_clock(told.tank_co2[-1].taken_at)
    levels = zip(told.course.tank_mg_l, told.course.times, strict=True)
    of_day = [(level, at) for level, at in levels if at.date() == last_at.date()]
    return max(of_day, key=lambda pair: pair[0])[1] > last_at


def _for_fish(peak: Interval, above: Interval, marks: Marks, last: Verdict) -> str:
    """Return what a daily peak means for the fish, no weaker than one reading as high or the last one is judged."""
    assert peak.low is not None
    assert peak.high is not None
    assert above.high is not None
    mark = f"the mark of {marks.fish_mg_l:g} mg/L"
    alone = f"The last photo alone gives cause for more: {_LOOK[0].lower()}{_LOOK[1:]}" if last.fish == "act" else ""
    if peak.high <= marks.fish_mg_l:
        return f"below {mark}. {alone or 'Keep watching the fish as on every day.'}"
    hours = max(math.ceil(round(above.high, 1)), 1)  # as the tables tell it
    duration = f"for up to {hours} hour{'s' if hours > 1 else ''} a day"
    if peak.low > marks.fish_mg_l:
        return f"so it is above {mark} {duration}. {_LOOK}"
    instruction = _LOOK if judge(peak, marks).fish == "act" else alone or "Watch the fish."
    return f"so it may pass {mark} {duration}. {instruction}"


def lone_headline(gravest: tuple[datetime, Interval] | None, marks: Marks, reason: str) -> tuple[str, ...]:
    """
    Return what one reading alone says, the fish first.

    Parameters
    ----------
    gravest : (datetime, Interval) or None
        When the highest reading of the two days up to the last photo was taken, and its CO2 [mg/L]: a low morning does
        not undo a high evening.
    marks : Marks
        What it is judged by.
    reason : str
        Why there is no more.

    Returns
    -------
    tuple of str
        Sentences.
    """
    if gravest is None:
        return (reason,)
    taken_at, co2_mg_l = gravest
    plants, fish, advice = judge(co2_mg_l, marks).sentences
    fish = fish.replace("Fish: ", f"Fish: {co2_words(co2_mg_l).short()} in the vial: ", 1)
    when = f"Told by the highest reading of the two days up to the last photo, of {taken_at:%Y-%m-%d %H:%M}."
    return f"{fish} {advice}", plants, when, reason
