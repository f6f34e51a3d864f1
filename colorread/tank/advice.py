"""What to change: days simulated with one small change each, and the smallest that is useful, or none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, time, timedelta

import numpy as np

from colorread.result import Level, chance_above, level_of
from colorread.tank.bubbles import bubble_words
from colorread.tank.changes import STILL_FADING_PER_DAY, Candidate, candidates, fresh_charge, full_charge
from colorread.tank.day_words import lit_words, night_words, share_words, timer_words
from colorread.tank.fit import TankFit
from colorread.tank.forecast import DayStart, day_start, forecast, rate_for_peak
from colorread.tank.gas_source import Handling, handling_of
from colorread.tank.model import Draws
from colorread.tank.night import night_of, timer_valve
from colorread.tank.results import Advice, Change, DayForecast
from colorread.tank.settings import Tank
from colorread.words import ACT_CAUTIONS, LEAVE_IT, WATCH, Marks, gas_cautions, percent_words, watch_cautions

# What new gas must keep: assumption; more gas is added only where the limit is kept for almost sure.
FISH_PROBABILITY = 0.95
# Shares of the light within the plants' range from which they are left alone, and that a change must reach:
# assumptions, apart from each other lest the advice comes and goes. The first hours are often lean and do no harm.
_PLANTS_SHARE, _PLANTS_AIM = 0.4, 0.5
_WORTH_IT = 0.1  # a change must add this much to the plants' share to be worth the trouble: assumption
# Where no change is enough, one that takes a twentieth off the upper end of the peak is a step: assumption.
_LOWER_PEAK = 0.95
_SHARE_PER_EFFORT = 0.02  # of the light within the plants' range, what an effort must bring
_WORTH_CLIMBING = 1.25  # room for this much more gas is worth naming: assumption
_DAYS_AHEAD = 7  # assumption: a trend of at most two weeks is carried on for one
_RATE_STEP = 0.05  # no one sets a rate more finely: assumption
_LOOK = "Look at the fish now."
_TOMORROW = "Take new photos tomorrow."
_CHECK_SOURCE = "Check the gas source first: empty, closed, or a blocked hose?"
_CHECK_CYLINDER = " Close a cylinder's valve before you change it."

CAUTIONS = (
    "Make one change at a time. Wait two days, look at the fish and take new photos before the next.",
    "The simulation knows only what the photos showed. Watch the fish, most of all the day after a change.",
)
# Common practice, no source.
_NEW_CHARGE = "A refilled bottle starts at its full rate. Start it in the morning, and watch the fish all that day."


def advise(fit: TankFit, tank: Tank, held: Level | None = None, *, bubbles: float | None = None) -> Advice:
    """
    Simulate changes and pick the smallest that serves plants and fish.

    Parameters
    ----------
    fit : TankFit
        What is believed of the tank.
    tank : Tank
        Its schedule, source and limits.
    held : {'no concern', 'watch', 'act'}, optional
        Level before the last photo, see `colorread.result.level_of`.
    bubbles : float, optional
        Bubbles that come now, to say the turn of a valve in [1/min].

    Returns
    -------
    Advice
        For the day after the last reading.
    """
    midnight = datetime.combine(fit.last_at.date() + timedelta(days=1), time())
    start = day_start(fit, tank.judged_by, midnight)
    handling = handling_of(tank.source, start.schedule.gas)
    today = forecast(start, Change(), "Change nothing.")
    level, overdosed = level_of(today.peak_mg_l, start.marks.fish_mg_l, held), _is_overdosed(today, start.marks)
    # A new charge only brings more CO2, so it is none for fish that have too much.
    fresh, smaller = _new_charges(start, tank, midnight, handling) if level == "no concern" else ((), ())
    tried = _tried(start, candidates(start, handling, fresh=fresh, overdosed=overdosed, bubbles=bubbles))
    tried_last = _tried(start, smaller)
    recommended = _pick(today, tried, start.marks, level) or _pick(today, tried_last, start.marks, level)
    before = _before(today, start)
    if overdosed and (recommended is None or not _is_enough(recommended, level, start.marks)):
        recommended = _new_start(start, handling, bubbles)
        sentences = _stop_sentences(before, recommended, start, handling)
    elif fit.series.left_out["higher course"] and _is_lean(today, start.marks):
        # More gas is no advice for a source that may have run dry.
        recommended, tried, tried_last = None, [], []
        sentences = _CHECK_SOURCE + (_CHECK_CYLINDER if tank.source_kind in ("cylinder", None) else ""), before
    elif recommended is not None:
        how = f" {handling.how}" if handling.how and _ends_gas_otherwise(recommended, start) else ""
        look = f"{_LOOK} " if level == "act" else ""
        step = "" if _level(recommended, start.marks) == "no concern" else "This is a first step. Go on in two days."
        sentences = f"{look}{recommended.words}{how}", before, _after(recommended), step
    else:
        sentences = _unchanged_words(today, level, start, handling, can_change=bool(tried or tried_last)), before
    night = () if overdosed else _night_sentences(start, tank)
    fades = _fading_words(start, today) if tank.source_kind != "cylinder" and not overdosed else ""
    # In small steps, but not where the gas must go down.
    cautions = (*(ACT_CAUTIONS + CAUTIONS[1:] if overdosed else CAUTIONS), *watch_cautions(start.marks))
    recharged = () if tank.source_kind == "cylinder" else (_NEW_CHARGE,)
    return Advice(
        day=midnight.date(),
        today=today,
        recommended=recommended,
        others=_worth_showing([*tried, *tried_last], recommended, today, start.marks),
        sentences=tuple(sentence for sentence in (*sentences, *night, fades) if sentence),
        cautions=(*cautions, *recharged, *gas_cautions(tank.source_kind, tank.valve)),
    )


def _tried(start: DayStart, changes: Sequence[Candidate]) -> list[tuple[DayForecast, float]]:
    return [(forecast(start, one.change, one.words, one.rate_factor), one.effort) for one in changes]


def _pick(
    today: DayForecast, tried: Sequence[tuple[DayForecast, float]], marks: Marks, level: Level
) -> DayForecast | None:
    """Return the smallest change that does, else the one that lowers the peak most; None to leave it."""
    # Where it is not clear, more photos or a calibration help, and a change would have to be taken back.
    if level == "watch" or (level == "no concern" and today.plants_share >= _PLANTS_SHARE):
        return None
    calm = [(day, effort) for day, effort in tried if _is_enough(day, level, marks)]
    full = [(day, effort) for day, effort in calm if day.plants_share >= _PLANTS_AIM]
    if full:
        return min(full, key=lambda pair: (pair[1], -pair[0].plants_share))[0]
    if calm:
        best = max(calm, key=lambda pair: pair[0].plants_share - _SHARE_PER_EFFORT * pair[1])[0]
        return best if level == "act" or best.plants_share >= today.plants_share + _WORTH_IT else None
    if not tried:
        return None
    # Not by the probability: that is 0 for all of them where the limit is far away.
    best = min((day for day, _ in tried), key=_upper_peak)
    return best if _upper_peak(best) < _LOWER_PEAK * _upper_peak(today) else None


def _level(day: DayForecast, marks: Marks) -> Level:
    return level_of(day.peak_mg_l, marks.fish_mg_l)


def _is_enough(day: DayForecast, level_before: Level, marks: Marks) -> bool:
    """Whether a change is enough for the fish: where there is too much, more likely than not below the limit."""
    if level_before == "no concern":
        return _level(day, marks) == "no concern"
    return chance_above(day.peak_mg_l, marks.fish_mg_l) < 0.5


def _ends_gas_otherwise(day: DayForecast, start: DayStart) -> bool:
    return day.change.gas is not None and day.change.gas.off != start.schedule.gas.off


def _is_lean(day: DayForecast, marks: Marks) -> bool:
    """Whether the plants have too little and the fish nothing to fear."""
    assert day.peak_mg_l.value is not None
    return _level(day, marks) == "no concern" and day.peak_mg_l.value < marks.plants_low_mg_l


def _upper_peak(day: DayForecast) -> float:
    assert day.peak_mg_l.high is not None
    return day.peak_mg_l.high


def _is_overdosed(day: DayForecast, marks: Marks) -> bool:
    """Whether the peak lies above the fish limit with its whole interval."""
    assert day.peak_mg_l.low is not None
    return day.peak_mg_l.low > marks.fish_mg_l


def _worth_showing(
    tried: Sequence[tuple[DayForecast, float]], recommended: DayForecast | None, today: DayForecast, marks: Marks
) -> tuple[DayForecast, ...]:
    """Return the best change of each kind, by fish first; none that lowers the CO2 where it is too little."""
    is_lean = _is_lean(today, marks)
    kinds: dict[tuple[bool, bool, bool, bool], DayForecast] = {}
    for day, _ in tried:
        change = day.change
        kind = (change.gas is None, change.rate_factor == 1.0, change.night_loss_factor == 1.0, not change.refill_on)
        if day is recommended or (is_lean and day.co2_mg_l.mean() < today.co2_mg_l.mean()):
            continue
        best = kinds.get(kind)
        if best is None or _merit(day, is_lean=is_lean) > _merit(best, is_lean=is_lean):
            kinds[kind] = day
    return tuple(kinds.values())


def _merit(day: DayForecast, *, is_lean: bool) -> tuple[float, float, float]:
    peak = day.peak_mg_l.value if is_lean else None
    return min(day.fish_probability, FISH_PROBABILITY), day.plants_share, peak or 0.0


def _new_start(start: DayStart, handling: Handling, bubbles: float | None) -> DayForecast | None:
    """Return the day of a stopped source that starts again with as much as keeps the limit; None for nothing."""
    factor = _most_gas(start)
    if factor <= 0.0:
        return None
    how = handling.less or bubble_words(bubbles, factor)
    words = f"Start again with at most about {factor * 100.0:.0f} % of the gas{how}."
    return forecast(start, Change(rate_factor=factor), words)


def _new_charges(
    start: DayStart, tank: Tank, midnight: datetime, handling: Handling
) -> tuple[tuple[Candidate, ...], tuple[Candidate, ...]]:
    """Return a new charge where all of it keeps the fish limit, else one that is small enough but brings more gas."""
    full = full_charge(start, tank.source, midnight)
    share = 0.0 if full is None else _most_gas(start, full)
    if full is None or share * float(np.median(full)) <= 1.0:
        return (), ()
    if share >= 1.0:
        return (fresh_charge(full, 1.0, midnight, handling),), ()
    return (), (fresh_charge(full, share, midnight, handling),)


def _most_gas(start: DayStart, rate_factor: Draws | float = 1.0) -> float:
    """Return the largest share of a gas rate that keeps the fish limit, in steps; not above 0 where none does."""
    shares = rate_for_peak(start, start.marks.fish_mg_l, rate_factor)
    return round(math.floor(float(np.quantile(shares, 1.0 - FISH_PROBABILITY)) / _RATE_STEP) * _RATE_STEP, 2)


def _stop_sentences(
    before: str, recommended: DayForecast | None, start: DayStart, handling: Handling
) -> tuple[str, ...]:
    """Return the advice where no change is enough at once."""
    stop = (
        f"{_LOOK} Stop the gas: {handling.stop}. Run an air stone too, until new photos read below "
        f"{start.marks.fish_mg_l:g} mg/L."
    )
    if recommended is None:
        return f"{stop} No simulated change is enough.", before, _TOMORROW
    return stop, recommended.words, before, _after(recommended), _TOMORROW


def _unchanged_words(today: DayForecast, level: Level, start: DayStart, handling: Handling, *, can_change: bool) -> str:
    """Return what to do where no change is recommended."""
    if level == "act":
        return f"{_LOOK} Stop the gas for a few hours: {handling.stop}. {_TOMORROW}"
    if level == "watch":
        return WATCH
    if today.plants_share >= _PLANTS_SHARE:
        return LEAVE_IT
    if can_change and _is_lean(today, start.marks) and _most_gas(start) >= _WORTH_CLIMBING:
        return f"Plants could use more gas: {handling.more}, and wait two days after each step."
    return LEAVE_IT if can_change else "Leave it as it is; enter the lights' hours to see what a change would do."


def _night_sentences(start: DayStart, tank: Tank) -> tuple[str, ...]:
    """Return what gas that never stops does by night, and whether a timer valve would help."""
    night, timer = night_of(start), timer_valve(start, tank)
    words = () if night is None else (night_words(night, start.marks.fish_mg_l),)
    return (*words, timer_words(timer)) if timer is not None and timer.is_worth_it else words


def _before(today: DayForecast, start: DayStart) -> str:
    marks = start.marks
    return (
        f"As it runs now: {percent_words(today.fish_probability)} chance of staying below {marks.fish_mg_l:g} mg/L all "
        f"day, and in the plants' range for {share_words(today)} of {lit_words(start.schedule.lights)}."
    )


def _after(recommended: DayForecast) -> str:
    return (
        f"With the change: {percent_words(recommended.fish_probability)} chance, and {share_words(recommended)} of "
        "that time."
    )


def _fading_words(start: DayStart, today: DayForecast) -> str:
    """Return in how many days a fading source is of no concern by itself, within a week; else nothing."""
    fall_per_day = start.parameters.fall_per_h * 24.0
    if _level(today, start.marks) == "no concern" or float(np.median(fall_per_day)) < STILL_FADING_PER_DAY:
        return ""
    for days in range(1, _DAYS_AHEAD + 1):
        if _level(forecast(start, Change(), "", np.exp(-fall_per_day * days)), start.marks) == "no concern":
            return f"The gas is fading: no concern in about {days} day{'s' if days > 1 else ''} if nothing is changed."
    return ""
