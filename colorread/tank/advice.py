"""What to change: days simulated with small changes, and the smallest one that does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np

from colorread.gas_care import gas_cautions
from colorread.tank.changes import STILL_FADING_PER_DAY, Candidate, candidates, fresh_charge, full_charge
from colorread.tank.day_words import lit_words, percent_words, share_words
from colorread.tank.fit import TankFit
from colorread.tank.forecast import DayStart, day_start, forecast, rate_for_peak
from colorread.tank.gas_source import Handling, handling_of
from colorread.tank.model import Draws
from colorread.tank.results import Advice, Change, DayForecast
from colorread.tank.settings import Tank
from colorread.verdict import ACT_CAUTIONS, DISTRESS_CAUTION, Marks, judge

# What counts as reached. The probability for the fish is what a keeper should ask for; the share of the light is an
# assumption: the first hour after lights on is often lean and does no harm.
FISH_PROBABILITY = 0.95
_PLANTS_SHARE = 0.7
_WORTH_IT = 0.08  # a change must add this much to the plants' share to be worth the trouble: assumption
# Where no change reaches the mark, one that takes a twentieth off the upper end of the peak is a step: assumption.
_LOWER_PEAK = 0.95
_SHARE_PER_EFFORT = 0.02  # of the light within the plants' range, what an effort must bring
# More gas than now that is named as the next aim, and the least that is worth naming: assumptions, in small steps.
_MOST_MORE_GAS, _WORTH_CLIMBING = 2.0, 0.25
_DAYS_AHEAD = 7  # assumption: a trend of at most two weeks is carried on for one
_WAIT_DAYS = 2  # as long as the cautions ask to wait after a change
_LOOK_OFTEN = "Look at the fish often and take new photos tomorrow."
_CHECK_SOURCE = "Check the gas source first: is it empty or closed, or a hose blocked?"
_CHECK_CYLINDER = " Close the valve of a cylinder before you change it."
_NEW_PHOTOS = "Take new photos then: they tell whether it came so, or whether one of the other changes is needed."
_RATE_STEP = 0.05  # no one sets a rate more finely: assumption

CAUTIONS = (
    "Make one change at a time, where two are named the first one first, in small steps; then wait two days, look at "
    "the fish and take new photos before the next one.",
    "The simulation knows only what the photos told of this tank: watch the fish for gasping at the surface and fast "
    "gill movement, most of all on the day after a change and at the end of the night.",
    DISTRESS_CAUTION,
    "Where that does not help, ask a veterinarian.",
)
# Common practice, no source.
_NEW_CHARGE = (
    "A new charge of a bottle comes back at its full rate: start it in the morning, watch the fish all that day, and "
    "take photos."
)


@dataclass(frozen=True, slots=True)
class _Fading:
    """In how many days a fading source keeps the fish mark with nothing changed, and with what probability."""

    days: int
    fish_probability: float


def advise(fit: TankFit, tank: Tank) -> Advice:
    """
    Simulate changes and pick the smallest that serves plants and fish.

    Parameters
    ----------
    fit : TankFit
        What is believed of the tank.
    tank : Tank
        Its schedule, source and marks.

    Returns
    -------
    Advice
        For the day after the last reading.
    """
    midnight = datetime.combine(fit.last_at.date() + timedelta(days=1), time())
    start = day_start(fit, tank.judged_by, midnight)
    handling = handling_of(tank.source, start.schedule.gas)
    today = forecast(start, Change(), "Change nothing.")
    overdosed = _is_overdosed(today, start.marks)
    # A new charge only brings more CO2, so it is none for fish that have too much.
    fresh, smaller = _new_charges(start, tank, midnight, handling) if _is_fish_fine(today) else ((), ())
    tried = _tried(start, candidates(start, handling, fresh=fresh, overdosed=overdosed))
    tried_last = _tried(start, smaller)
    # Waiting is no advice where there is far too much. A cylinder does not fade by itself: what went may come back.
    fading = None if overdosed or tank.source_kind == "cylinder" else _fading(start, today)
    calm = judge(today.peak_mg_l, start.marks).fish != "act"
    waiting = fading if fading is not None and fading.days <= _WAIT_DAYS and calm else None
    recommended = None if waiting else _pick(today, tried) or _pick(today, tried_last)
    if overdosed and (recommended is None or not _is_fish_fine(recommended)):
        recommended = _new_start(start, handling)
        sentences = _stop_sentences(today, recommended, start, handling)
    elif fit.series.left_out["higher course"] and _is_lean(today, start.marks):
        # More gas is no advice for a source that may have run dry.
        recommended, tried, tried_last = None, [], []
        check = _CHECK_SOURCE + (_CHECK_CYLINDER if tank.source_kind in ("cylinder", None) else "")
        sentences = check, _before(today, start)
    elif waiting is not None:
        sentences = _wait_words(waiting, start.marks), _before(today, start), _NEW_PHOTOS
    else:
        how = handling.how if _ends_gas_otherwise(recommended, start) else ""
        if tried or tried_last:
            none = "None of the changes that were simulated does clearly better."
        else:
            none = "No change could be simulated; state the hours of the lamp."
        if tried and recommended is None:
            none = _climb_words(today, start, handling) or none
        sentences = _sentences(today, recommended, start, fading, none=none, how=how, overdosed=overdosed)
    # In small steps, but not where the gas must go down.
    cautions = ACT_CAUTIONS + CAUTIONS[1:] if overdosed else CAUTIONS
    recharged = () if tank.source_kind == "cylinder" else (_NEW_CHARGE,)
    return Advice(
        day=midnight.date(),
        today=today,
        recommended=recommended,
        others=_worth_showing([*tried, *tried_last], recommended, today, start.marks),
        sentences=sentences,
        cautions=(*cautions, *recharged, *gas_cautions(tank.source_kind)),
    )


def _tried(start: DayStart, changes: Sequence[Candidate]) -> list[tuple[DayForecast, float]]:
    return [(forecast(start, one.change, one.words, one.rate_factor), one.effort) for one in changes]


def _pick(today: DayForecast, tried: Sequence[tuple[DayForecast, float]]) -> DayForecast | None:
    """Return the smallest change that does, else the one that lowers the peak most; None to leave it."""
    fish_fine = _is_fish_fine(today)
    if fish_fine and today.plants_share >= _PLANTS_SHARE:
        return None
    mild = [(day, effort) for day, effort in tried if _is_fish_fine(day)]
    full = [(day, effort) for day, effort in mild if day.plants_share >= _PLANTS_SHARE]
    if full:
        return min(full, key=lambda pair: (pair[1], -pair[0].plants_share))[0]
    if mild:
        best = max(mild, key=lambda pair: pair[0].plants_share - _SHARE_PER_EFFORT * pair[1])[0]
        return best if not fish_fine or best.plants_share >= today.plants_share + _WORTH_IT else None
    if not tried:
        return None
    # Not by the probability: that is 0 for all of them where the mark is far away.
    best = min((day for day, _ in tried), key=_upper_peak)
    lower = _upper_peak(best) < _LOWER_PEAK * _upper_peak(today)
    return best if lower or best.fish_probability > today.fish_probability else None


def _ends_gas_otherwise(day: DayForecast | None, start: DayStart) -> bool:
    return day is not None and day.change.gas is not None and day.change.gas.off != start.schedule.gas.off


def _is_fish_fine(day: DayForecast) -> bool:
    return day.fish_probability >= FISH_PROBABILITY


def _is_lean(day: DayForecast, marks: Marks) -> bool:
    """Whether the plants have too little and the fish nothing to fear."""
    assert day.peak_mg_l.value is not None
    return _is_fish_fine(day) and day.peak_mg_l.value < marks.plants_low_mg_l


def _upper_peak(day: DayForecast) -> float:
    assert day.peak_mg_l.high is not None
    return day.peak_mg_l.high


def _is_overdosed(day: DayForecast, marks: Marks) -> bool:
    """Whether the peak lies above the fish mark with its whole interval."""
    assert day.peak_mg_l.low is not None
    return day.peak_mg_l.low > marks.fish_mg_l


def _worth_showing(
    tried: Sequence[tuple[DayForecast, float]], recommended: DayForecast | None, today: DayForecast, marks: Marks
) -> tuple[DayForecast, ...]:
    """Return the best single change of each kind, by fish first; none that lowers the CO2 where it is too little."""
    is_lean = _is_lean(today, marks)
    kinds: dict[tuple[bool, bool, bool, bool], DayForecast] = {}
    for day, _ in tried:
        change = day.change
        kind = (change.gas is None, change.rate_factor == 1.0, change.night_loss_factor == 1.0, not change.refill_on)
        if day is recommended or sum(kind) != 3 or (is_lean and day.co2_mg_l.mean() < today.co2_mg_l.mean()):
            continue
        best = kinds.get(kind)
        if best is None or _merit(day, is_lean=is_lean) > _merit(best, is_lean=is_lean):
            kinds[kind] = day
    return tuple(kinds.values())


def _merit(day: DayForecast, *, is_lean: bool) -> tuple[float, float, float]:
    peak = day.peak_mg_l.value if is_lean else None
    return min(day.fish_probability, FISH_PROBABILITY), day.plants_share, peak or 0.0


def _new_start(start: DayStart, handling: Handling) -> DayForecast | None:
    """Return the day of a source that was stopped and begins again with as much as keeps the mark; None for nothing."""
    factor = _most_gas(start)
    if factor <= 0.0:
        return None
    words = f"Begin again with no more than about {factor * 100.0:.0f} % of the present gas{handling.less}."
    return forecast(start, Change(rate_factor=factor), words)


def _new_charges(
    start: DayStart, tank: Tank, midnight: datetime, handling: Handling
) -> tuple[tuple[Candidate, ...], tuple[Candidate, ...]]:
    """Return a new charge where all of it keeps the fish mark, else one that is small enough but brings more gas."""
    full = full_charge(start, tank.source, midnight)
    share = 0.0 if full is None else _most_gas(start, full)
    if full is None or share * float(np.median(full)) <= 1.0:
        return (), ()
    if share >= 1.0:
        return (fresh_charge(full, 1.0, midnight, handling),), ()
    return (), (fresh_charge(full, share, midnight, handling),)


def _most_gas(start: DayStart, rate_factor: Draws | float = 1.0) -> float:
    """Return the largest share of a gas rate that keeps the fish mark, in steps; not above 0 where none does."""
    shares = rate_for_peak(start, start.marks.fish_mg_l, rate_factor)
    return round(math.floor(float(np.quantile(shares, 1.0 - FISH_PROBABILITY)) / _RATE_STEP) * _RATE_STEP, 2)


def _stop_sentences(
    today: DayForecast, recommended: DayForecast | None, start: DayStart, handling: Handling
) -> tuple[str, ...]:
    """Return the advice where no change is enough at once."""
    stop = (
        f"The gas must go down now: {handling.stop}, or run an air stone, until new photos read below "
        f"{start.marks.fish_mg_l:g} mg/L."
    )
    if recommended is None:
        return f"{stop} None of the changes that were simulated is enough.", _before(today, start)
    begin = recommended.words[0].lower() + recommended.words[1:]
    return f"{stop} Only then {begin}", _before(today, start), _after(recommended), _LOOK_OFTEN


def _sentences(
    today: DayForecast,
    recommended: DayForecast | None,
    start: DayStart,
    fading: _Fading | None,
    *,
    none: str,
    how: str,
    overdosed: bool,
) -> tuple[str, ...]:
    before = _before(today, start)
    fades = () if fading is None else (_fading_words(fading, start.marks, changed=recommended is not None),)
    if recommended is None:
        if _is_fish_fine(today) and today.plants_share >= _PLANTS_SHARE:
            return "Leave it as it is.", before
        watch = () if _is_fish_fine(today) else (_LOOK_OFTEN,)
        verdict = judge(today.peak_mg_l, start.marks)
        if verdict.fish == "act":
            none = f"{verdict.sentences[-1]} {none}"
        return none, before, *watch, *fades
    first = ("The gas must go down now." if overdosed else "", recommended.words, how)
    sentences = [" ".join(text for text in first if text), before, _after(recommended)]
    if overdosed:
        sentences.append(_LOOK_OFTEN)
    elif not _is_fish_fine(recommended):
        sentences.append(
            "That is a first step and not enough for the fish: take new photos after two days and go on from there."
        )
    return *sentences, *fades


def _climb_words(today: DayForecast, start: DayStart, handling: Handling) -> str:
    """Return how to come up from so far below the plants' range that no small step is worth it; else nothing."""
    factor = min(_most_gas(start), _MOST_MORE_GAS)
    if not _is_lean(today, start.marks) or factor < 1.0 + _WORTH_CLIMBING:
        return ""
    return (
        f"No small step brings it into the plants' range; {factor:g} times the present gas would still keep the tank "
        f"below {start.marks.fish_mg_l:g} mg/L with a probability of {percent_words(FISH_PROBABILITY)} or more. "
        f"Come closer to the range slowly: {handling.more}, and after each step wait two days, look at the fish and "
        "take new photos."
    )


def _before(today: DayForecast, start: DayStart) -> str:
    marks = start.marks
    return (
        f"As it runs now, the tank stays below {marks.fish_mg_l:g} mg/L all day with a probability of "
        f"{percent_words(today.fish_probability)} and is within {marks.plants_low_mg_l:g} to "
        f"{marks.plants_high_mg_l:g} mg/L for {share_words(today)} of {lit_words(start.schedule.lights)}."
    )


def _after(recommended: DayForecast) -> str:
    changes = "both changes" if recommended.change.gas and recommended.change.rate_factor != 1.0 else "the change"
    return (
        f"With {changes} it stays below with {percent_words(recommended.fish_probability)} and is within for "
        f"{share_words(recommended)} of that time (simulated, once it has settled)."
    )


def _fading(start: DayStart, today: DayForecast) -> _Fading | None:
    """Return when a fading source leaves the fish mark behind by itself, within a week."""
    fall_per_day = start.parameters.fall_per_h * 24.0
    if _is_fish_fine(today) or float(np.median(fall_per_day)) < STILL_FADING_PER_DAY:
        return None
    for days in range(1, _DAYS_AHEAD + 1):
        later = forecast(start, Change(), "", np.exp(-fall_per_day * days))
        if _is_fish_fine(later):
            return _Fading(days, later.fish_probability)
    return None


def _wait_words(fading: _Fading, marks: Marks) -> str:
    return (
        f"Nothing yet: the gas fades by itself, and in about {_days_words(fading)} the tank stays below "
        f"{marks.fish_mg_l:g} mg/L all day with a probability of {percent_words(fading.fish_probability)}. Watch the "
        "fish until then."
    )


def _days_words(fading: _Fading) -> str:
    return f"{fading.days} day{'s' if fading.days > 1 else ''}"


def _fading_words(fading: _Fading, marks: Marks, *, changed: bool) -> str:
    then = " After that the change may be more than needed, so take new photos." if changed else ""
    return (
        f"The gas fades by itself: with nothing changed the tank would stay below {marks.fish_mg_l:g} mg/L all day "
        f"with a probability of {percent_words(fading.fish_probability)} in about {_days_words(fading)}. Until then "
        f"watch the fish.{then}"
    )
