"""What to change: days simulated with one small change each, and the smallest that is useful, or none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from colorread.result import Level, chance_above, level_of
from colorread.tank import changes
from colorread.tank.changes import Candidate, Handling
from colorread.tank.fit import TankFit
from colorread.tank.forecast import DayStart, day_start, forecast, midnight_after, night_of, timer_valve
from colorread.tank.results import Advice, Change, DayForecast
from colorread.tank.settings import Tank
from colorread.tank.tank_words import after_words, before_words, night_words, timer_words
from colorread.words import ACT_CAUTIONS, LEAVE_IT, WATCH, Marks, gas_cautions, watch_cautions

# Shares of the light within the plants' range from which they are left alone, and that a change must reach:
# assumptions, apart from each other lest the advice comes and goes. The first hours are often lean and do no harm.
_PLANTS_SHARE, _PLANTS_AIM = 0.4, 0.5
_WORTH_IT = 0.1  # a change must add this much to the plants' share to be worth the trouble: assumption
# Where no change is enough, one that takes a twentieth off the upper end of the peak is a step: assumption.
_LOWER_PEAK = 0.95
_SHARE_PER_EFFORT = 0.02  # of the light within the plants' range, what an effort must bring
_WORTH_CLIMBING = 1.25  # room for this much more gas is worth naming: assumption
_DAYS_AHEAD = 7  # assumption: a trend of at most two weeks is carried on for one
_LOOK = "Look at the fish now."
_TOMORROW = "Take new photos tomorrow."
_CHECK_SOURCE = "Check the gas source first: empty, closed, or a blocked hose?"
_CHECK_CYLINDER = " Close a cylinder's valve before you change it."
_CAUTIONS = (
    "Make one change at a time. Wait two days, look at the fish and take new photos before the next.",
    "The simulation knows only what the photos showed. Watch the fish, most of all the day after a change.",
)
# Common practice, no source.
_NEW_CHARGE = "A refilled bottle starts at its full rate. Start it in the morning, and watch the fish all that day."


@dataclass(frozen=True, slots=True)
class _Tried:
    """A simulated day, the effort of its change, and how worried to be for the fish."""

    day: DayForecast
    effort: float
    level: Level

    @property
    def upper_peak(self) -> float:
        return self.day.peak_mg_l.high or 0.0

    def is_lean(self, marks: Marks) -> bool:
        """Whether the plants have too little and the fish nothing to fear."""
        return self.level == "no concern" and (self.day.peak_mg_l.value or 0.0) < marks.plants_low_mg_l

    def is_enough(self, level_before: Level, marks: Marks) -> bool:
        """Whether a change is enough for the fish: where there is too much, more likely than not below the limit."""
        if level_before == "no concern":
            return self.level == "no concern"
        return chance_above(self.day.peak_mg_l, marks.fish_mg_l) < 0.5


def advise(fit: TankFit, tank: Tank, held: Level | None = None, *, bubbles: float | None = None) -> Advice:
    """
    Simulate changes of the day after the last reading, and pick the smallest that serves plants and fish.

    `held` is the level before the last photo, `bubbles` are those that come now, to say the turn of a valve [1/min].
    """
    midnight, marks = midnight_after(fit), tank.judged_by
    start = day_start(fit, marks, midnight)
    handling = changes.handling_of(tank.source, start.schedule.gas)
    today = _simulated(start, Candidate(Change(), "Change nothing.", 0.0))
    level = level_of(today.day.peak_mg_l, marks.fish_mg_l, held)
    overdosed = (today.day.peak_mg_l.low or 0.0) > marks.fish_mg_l  # with its whole interval
    tried = [
        _simulated(start, one) for one in changes.candidates(start, handling, overdosed=overdosed, bubbles=bubbles)
    ]
    tried_last = list[_Tried]()
    # A new charge only brings more CO2, so it is none for fish that have too much.
    charge, is_whole = (
        changes.new_charge(start, tank.source, midnight, handling) if level == "no concern" else (None, False)
    )
    if charge is not None:
        (tried if is_whole else tried_last).append(_simulated(start, charge))
    best = _pick(today, tried, marks, level) or _pick(today, tried_last, marks, level)
    recommended = None if best is None else best.day
    before = before_words(today.day, marks, start.schedule.lights)
    sentences: tuple[str, ...]
    if overdosed and (best is None or not best.is_enough(level, marks)):
        recommended = _new_start(start, handling, bubbles)
        sentences = _stop_sentences(before, recommended, marks, handling)
    elif fit.series.left_out["higher course"] and today.is_lean(marks):
        # More gas is no advice for a source that may have run dry.
        recommended, tried, tried_last = None, [], []
        sentences = _CHECK_SOURCE + (_CHECK_CYLINDER if tank.source_kind in ("cylinder", None) else ""), before
    elif best is not None:
        look = f"{_LOOK} " if level == "act" else ""
        ends_otherwise = best.day.change.gas is not None and best.day.change.gas.off != start.schedule.gas.off
        how = f" {handling.how}" if handling.how and ends_otherwise else ""
        step = "" if best.level == "no concern" else "This is a first step. Go on in two days."
        sentences = f"{look}{best.day.words}{how}", before, after_words(best.day), step
    else:
        sentences = _unchanged_words(today, level, start, handling, can_change=bool(tried or tried_last)), before
    if not overdosed:
        fades = _fading_words(start, today) if tank.source_kind != "cylinder" else ""
        sentences = *sentences, *_night_sentences(start, tank), fades
    # In small steps, but not where the gas must go down.
    cautions = (*(ACT_CAUTIONS + _CAUTIONS[1:] if overdosed else _CAUTIONS), *watch_cautions(marks))
    recharged = () if tank.source_kind == "cylinder" else (_NEW_CHARGE,)
    return Advice(
        day=midnight.date(),
        today=today.day,
        recommended=recommended,
        others=_worth_showing([*tried, *tried_last], recommended, today, marks),
        sentences=tuple(sentence for sentence in sentences if sentence),
        cautions=(*cautions, *recharged, *gas_cautions(tank.source_kind, tank.valve)),
    )


def _simulated(start: DayStart, one: Candidate) -> _Tried:
    day = forecast(start, one.change, one.words, one.rate_factor)
    return _Tried(day, one.effort, level_of(day.peak_mg_l, start.marks.fish_mg_l))


def _pick(today: _Tried, tried: Sequence[_Tried], marks: Marks, level: Level) -> _Tried | None:
    """Return the smallest change that does, else the one that lowers the peak most; None to leave it."""
    plants_share = today.day.plants_share
    # Where it is not clear, more photos or a calibration help, and a change would have to be taken back.
    if not tried or level == "watch" or (level == "no concern" and plants_share >= _PLANTS_SHARE):
        return None
    calm = [one for one in tried if one.is_enough(level, marks)]
    full = [one for one in calm if one.day.plants_share >= _PLANTS_AIM]
    if full:
        return min(full, key=lambda one: (one.effort, -one.day.plants_share))
    if calm:
        best = max(calm, key=lambda one: one.day.plants_share - _SHARE_PER_EFFORT * one.effort)
        return best if level == "act" or best.day.plants_share >= plants_share + _WORTH_IT else None
    # Not by the probability: that is 0 for all of them where the limit is far away.
    best = min(tried, key=lambda one: one.upper_peak)
    return best if best.upper_peak < _LOWER_PEAK * today.upper_peak else None


def _worth_showing(
    tried: Sequence[_Tried], recommended: DayForecast | None, today: _Tried, marks: Marks
) -> tuple[DayForecast, ...]:
    """Return the best change of each kind, by fish first; none that lowers the CO2 where it is too little."""
    is_lean = today.is_lean(marks)

    def merit(day: DayForecast) -> tuple[float, float, float]:
        peak_mg_l = day.peak_mg_l.value or 0.0
        return min(day.fish_probability, changes.FISH_PROBABILITY), day.plants_share, peak_mg_l if is_lean else 0.0

    kinds: dict[tuple[bool, ...], DayForecast] = {}
    for day in (one.day for one in tried):
        if day is recommended or (is_lean and day.co2_mg_l.mean() < today.day.co2_mg_l.mean()):
            continue
        change = day.change
        kind = (change.gas is None, change.rate_factor == 1.0, change.night_loss_factor == 1.0, not change.refill_on)
        kinds[kind] = max(kinds.get(kind, day), day, key=merit)
    return tuple(kinds.values())


def _new_start(start: DayStart, handling: Handling, bubbles: float | None) -> DayForecast | None:
    """Return the day of a stopped source that starts again with as much as keeps the limit; None for nothing."""
    factor = changes.most_gas(start)
    if factor <= 0.0:
        return None
    how = handling.less or changes.bubble_words(bubbles, factor)
    words = f"Start again with at most about {factor * 100.0:.0f} % of the gas{how}."
    return forecast(start, Change(rate_factor=factor), words)


def _stop_sentences(before: str, again: DayForecast | None, marks: Marks, handling: Handling) -> tuple[str, ...]:
    """Return the advice where no change is enough at once."""
    until = f"Run an air stone too, until new photos read below {marks.fish_mg_l:g} mg/L."
    stop = f"{_LOOK} Stop the gas: {handling.stop}. {until}"
    if again is None:
        return f"{stop} No simulated change is enough.", before, _TOMORROW
    return stop, again.words, before, after_words(again), _TOMORROW


def _unchanged_words(today: _Tried, level: Level, start: DayStart, handling: Handling, *, can_change: bool) -> str:
    """Return what to do where no change is recommended."""
    if level == "act":
        return f"{_LOOK} Stop the gas for a few hours: {handling.stop}. {_TOMORROW}"
    if level == "watch":
        return WATCH
    if today.day.plants_share >= _PLANTS_SHARE:
        return LEAVE_IT
    if can_change and today.is_lean(start.marks) and changes.most_gas(start) >= _WORTH_CLIMBING:
        return f"Plants could use more gas: {handling.more}, and wait two days after each step."
    return LEAVE_IT if can_change else "Leave it as it is; enter the lights' hours to see what a change would do."


def _night_sentences(start: DayStart, tank: Tank) -> tuple[str, ...]:
    """Return what gas that never stops does by night, and whether a timer valve would help."""
    night, timer = night_of(start), timer_valve(start, tank)
    words = () if night is None else (night_words(night, start.marks.fish_mg_l),)
    return (*words, timer_words(timer)) if timer is not None and timer.is_worth_it else words


def _fading_words(start: DayStart, today: _Tried) -> str:
    """Return in how many days a fading source is of no concern by itself, within a week; else nothing."""
    fall_per_day = start.parameters.fall_per_h * 24.0
    if today.level == "no concern" or float(np.median(fall_per_day)) < changes.STILL_FADING_PER_DAY:
        return ""
    for days in range(1, _DAYS_AHEAD + 1):
        faded = Candidate(Change(), "", 0.0, np.exp(-fall_per_day * days))
        if _simulated(start, faded).level == "no concern":
            return f"The gas is fading: no concern in about {days} day{'s' if days > 1 else ''} if nothing is changed."
    return ""
