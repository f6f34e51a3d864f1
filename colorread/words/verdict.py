"""What CO2 means for plants and fish, in words, and the answer that every screen shows first."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated, Any

from colorread import limits
from colorread.records import Kept
from colorread.result import (
    LIKELY,
    Interval,
    Level,
    PlantsWord,
    Reading,
    Verdict,
    chance_above,
    level_changes_at,
    level_of,
)
from colorread.words.gas_care import SIGNS_OF_DISTRESS, SourceKind, Valve, distress_words, less_gas_words
from colorread.words.phrases import FISH_SIGNS, co2_words, digits_of, percent_words

IN_VIAL = "CO2 in the vial"
HIGHEST_IN_VIAL = "CO2 in the vial, highest in two days"
CALIBRATE = "Calibrate to narrow this."
LEAVE_IT = "Leave the gas as it is."
WATCH = "Watch the fish, and leave the gas as it is."
WELFARE_CAUTION = (
    f"Fish-welfare sources advise {limits.SENSITIVE_FISH_LIMIT_MG_L:g} mg/L or less long term. For sensitive animals, "
    "that is the limit to use."
)
STANDING_CAUTIONS = (
    "The vial lags one to several hours behind the water, most when CO2 falls. The tank may be higher or lower now.",
    "This reading does not replace an instrument, or advice from a veterinarian or other professional.",
)
ACT_CAUTIONS = ("Raise the gas again only in small steps, two days apart, and look at the fish after each.",)
OLD_DAYS = 1  # CO2 rises and falls every day, so an older photo says little about now: assumption


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """
    The limits that CO2 is judged by, and the gas hardware, which decides how to reduce it.

    Parameters
    ----------
    plants_low_mg_l, plants_high_mg_l : float
        Plants' range [mg/L].
    fish_mg_l : float
        Fish limit, which the water should stay below [mg/L].
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        What makes the gas; None if not known.
    valve : {'none', 'needle', 'timer'} or None
        What sets the gas; None if not known.
    """

    plants_low_mg_l: float = limits.USUAL_PLANTS_RANGE_MG_L[0]
    plants_high_mg_l: float = limits.USUAL_PLANTS_RANGE_MG_L[1]
    fish_mg_l: float = limits.USUAL_FISH_LIMIT_MG_L
    source: Annotated[SourceKind | None, Kept(is_left_out=True)] = None
    valve: Annotated[Valve | None, Kept(is_left_out=True)] = None

    @staticmethod
    def upgraded(data: dict[str, Any]) -> dict[str, Any]:
        """Return the data of an earlier version, which took fish limits from 1 to 200 mg/L, in the current form."""
        low, high = limits.FISH_LIMIT_RANGE_MG_L
        fish_mg_l: Any = data.get("fish_mg_l")
        if type(fish_mg_l) not in (int, float) or not 1.0 <= fish_mg_l <= 200.0:
            return data
        return data | {"fish_mg_l": min(max(fish_mg_l, low), high)}


USUAL_MARKS = Marks()


def judge(
    co2_mg_l: Interval, marks: Marks = USUAL_MARKS, *, calibrated: bool = True, held: Level | None = None
) -> Verdict:
    """
    Judge CO2 for plants and fish.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval; an open end is None [mg/L].
    marks : Marks
        Limits and gas hardware.
    calibrated : bool, default True
        Whether a profile was used; without one, an unclear verdict says that calibrating narrows it.
    held : {'no concern', 'watch', 'act'}, optional
        Level before the last photo, see `colorread.result.level_of`.

    Returns
    -------
    Verdict
        Words for plants, fish, and what to do; it never calls anything safe.
    """
    plants, plants_text = _judge_plants(co2_mg_l, marks)
    fish, fish_text = _judge_fish(co2_mg_l, marks, held)
    to_do = _to_do(co2_mg_l, marks, plants, fish)
    if not calibrated and fish != "act" and co2_mg_l.value is not None and (fish == "watch" or plants == "cannot tell"):
        to_do += f" {CALIBRATE}"
    watch = watch_cautions(marks)
    of_level = {"no concern": (), "watch": watch, "act": watch + ACT_CAUTIONS}[fish]
    high = co2_mg_l.high is None or co2_mg_l.high > limits.SENSITIVE_FISH_LIMIT_MG_L
    cautions = (*of_level, *((WELFARE_CAUTION,) if high else ()), *STANDING_CAUTIONS)
    return Verdict(plants=plants, fish=fish, sentences=(plants_text, fish_text, to_do), cautions=cautions)


def watch_cautions(marks: Marks = USUAL_MARKS) -> tuple[str, ...]:
    """Return the signs of distress in fish, and what to do about them with this gas hardware."""
    return SIGNS_OF_DISTRESS, distress_words(marks.source, marks.valve)


def judged(reading: Reading, marks: Marks) -> Reading:
    """
    Judge a reading again, as the limits of a tank may have changed since its photo was read.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    marks : Marks
        Current limits.

    Returns
    -------
    Reading
        A copy with the verdict by these limits; the same reading if it was refused.
    """
    if reading.co2_mg_l is None:
        return reading
    return replace(reading, verdict=judge(reading.co2_mg_l, marks, calibrated=reading.profile is not None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """
    The answer in words, in the order in which every screen shows it.

    Parameters
    ----------
    what : str
        What the number measures, such as `IN_VIAL`.
    value, span : str
        Such as ``24 mg/L`` and ``90 %: 17 to 34``.
    sign, level : str
        Sign and word of the level for the fish.
    fish, plants, to_do : str
        One sentence each.
    then : str
        Advice at the time of an old photo; empty for a recent one.
    """

    what: str
    value: str
    span: str
    sign: str
    level: Level
    fish: str
    plants: str
    to_do: str
    then: str = ""

    @property
    def lead(self) -> str:
        """Sign and level, which begin the line for the fish."""
        return f"{self.sign} {self.level.capitalize()}."


def answer_of(co2_mg_l: Interval, verdict: Verdict, *, days_old: int = 0, what: str = IN_VIAL) -> Answer:
    """
    Put number and verdict into the words that every screen begins with.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval [mg/L].
    verdict : Verdict
        What it means.
    days_old : int, optional
        Age of the photo; an old one calls for a new photo, not for a change.
    what : str, optional
        What the number measures.

    Returns
    -------
    Answer
        The answer.
    """
    value, span = co2_words(co2_mg_l).pair()
    plants, fish, to_do = verdict.sentences
    is_old = days_old > OLD_DAYS
    return Answer(
        what=what,
        value=value,
        span=span,
        sign=FISH_SIGNS[verdict.fish],
        level=verdict.fish,
        fish=fish,
        plants=plants,
        to_do=f"Take a new photo; this one was taken {days_old} days ago." if is_old else to_do,
        then=f"Advice at the time: {to_do}" if is_old else "",
    )


def _judge_plants(co2_mg_l: Interval, marks: Marks) -> tuple[PlantsWord, str]:
    low, high = marks.plants_low_mg_l, marks.plants_high_mg_l
    is_usual = (low, high) == limits.USUAL_PLANTS_RANGE_MG_L
    span = f"{'the usual' if is_usual else 'your'} {low:g} to {high:g} mg/L"
    above = chance_above(co2_mg_l, high)
    below = 1.0 - chance_above(co2_mg_l, low)
    if below >= LIKELY:
        is_sure = co2_mg_l.high is not None and co2_mg_l.high < low
        return "too little", f"Too little, {'' if is_sure else 'probably '}below {span}."
    if above >= LIKELY:
        is_sure = co2_mg_l.low is not None and co2_mg_l.low > high
        return "more than needed", f"More than needed, {'' if is_sure else 'probably '}above {span}."
    if 1.0 - above - below >= LIKELY:
        return "enough", f"Enough, probably within {span}."
    if 1.0 - below >= LIKELY and above >= below:
        return "enough", f"Enough, possibly above {span}."
    if co2_mg_l.value is None:
        return "cannot tell", f"Unclear: only one end is known. Compare it with {span}."
    value = round(co2_mg_l.value, digits_of(co2_mg_l))  # as it is shown
    place = "below" if value < low else "above" if value > high else "within"
    return "cannot tell", f"Unclear, possibly {place} {span}."


def _judge_fish(co2_mg_l: Interval, marks: Marks, held: Level | None) -> tuple[Level, str]:
    limit = marks.fish_mg_l
    level = level_of(co2_mg_l, limit, held)
    digits = digits_of(co2_mg_l)
    if co2_mg_l.low is not None and round(co2_mg_l.low, digits) > limit:
        return level, f"Even the low estimate ({co2_mg_l.low:.{digits}f}) is above the limit ({limit:g})."
    if co2_mg_l.high is None:
        return level, f"No upper end is known: it may be far above the limit ({limit:g} mg/L)."
    if round(co2_mg_l.high, digits) < limit:
        return level, f"Even the high estimate ({co2_mg_l.high:.{digits}f}) is under the limit ({limit:g})."
    chance = chance_above(co2_mg_l, limit)
    words = f"{percent_words(chance)} chance of being above the limit ({limit:g} mg/L)."
    until = level_changes_at(chance, level)
    if until is not None:
        words += f" The level stays until this {'reaches' if until > chance else 'falls below'} {percent_words(until)}."
    return level, words


def _to_do(co2_mg_l: Interval, marks: Marks, plants: PlantsWord, fish: Level) -> str:
    if fish == "act":
        # If the CO2 may still be within the limit, a little less gas may be enough.
        a_little = co2_mg_l.value is not None and (co2_mg_l.low is None or co2_mg_l.low <= marks.fish_mg_l)
        return f"Look at the fish now, and {less_gas_words(marks.source, marks.valve, a_little=a_little)}."
    if fish == "watch":
        return WATCH
    return {
        "too little": "Normal early in the day. If it is no higher at the daily peak, give a little more gas.",
        "enough": LEAVE_IT,
        "more than needed": "Plants need no more gas.",
        "cannot tell": "Leave the gas as it is, and take a photo at the daily peak.",
    }[plants]
