"""What a CO2 reading means for plants and fish, in words; the fish are judged on the upper end of the interval."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from colorread.gas_care import STOP_THE_GAS, SourceKind, less_gas
from colorread.limits import USUAL_FISH_MARK_MG_L, USUAL_PLANTS_RANGE_MG_L
from colorread.reading import FishWord, Interval, PlantsWord, Reading, Verdict
from colorread.words import digits_of

# Assumption: "enough" needs two thirds of the interval, as pH (where it is even), between the two marks.
_ENOUGH_SHARE = 2.0 / 3.0
# A clinical guide to fish medicine names "less than 20 mg/L" as a common target; a Danish report quotes (second-hand)
# Alabaster & Lloyd 1980: 20 mg/L at most for salmonids, and Wedemeyer 1996: warm-water species not for long above 20 to
# 30 mg/L.
_WELFARE_MG_L = 20.0
_WELFARE = f"The literature on fish welfare asks for {_WELFARE_MG_L:g} mg/L or less over long times."
_ACT_FACTOR = 1.4  # over the mark for the fish: assumption
# Whatever the mark, assumption: at 56 mg/L more seabream died than usual (Aquacultural Engineering 2013, abstract), and
# a manual on tilapia asks for less than 50 (second-hand).
_ACT_AT_MOST_MG_L = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """
    What the CO2 is judged by, and what makes the gas.

    Parameters
    ----------
    plants_low_mg_l, plants_high_mg_l : float
        Range for the plants [mg/L].
    fish_mg_l : float
        What the water should stay below for the fish [mg/L].
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        It decides how there can be less gas; None where not known.
    """

    plants_low_mg_l: float = USUAL_PLANTS_RANGE_MG_L[0]
    plants_high_mg_l: float = USUAL_PLANTS_RANGE_MG_L[1]
    fish_mg_l: float = USUAL_FISH_MARK_MG_L
    source: SourceKind | None = None


USUAL_MARKS = Marks()
STANDING_CAUTIONS = (
    "The vial is one to several hours behind the water, longest when the CO2 falls: the tank may be higher or lower by "
    "now.",
    "This reading replaces neither an instrument nor the advice of a veterinarian or another professional.",
)
# Like water, without chlorine: common practice, no source.
DISTRESS_CAUTION = (
    f"If they show such signs: {STOP_THE_GAS}, move the surface or run an air stone, and change part of the water with "
    "conditioned (dechlorinated) water of like temperature and hardness."
)
WATCH_CAUTIONS = (
    "Look at the fish: gasping at the surface, fast gill movement, loss of balance or lethargy are signs of too much "
    "CO2 or too little oxygen, most of all at the end of the night.",
    DISTRESS_CAUTION,
)
ACT_CAUTIONS = ("Give more gas again in small steps only, two days apart, and look at the fish after each.",)


def judge(co2_mg_l: Interval, marks: Marks = USUAL_MARKS) -> Verdict:
    """
    Put a reading into words.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval; an open end is None [mg/L].
    marks : Marks
        Of the tank.

    Returns
    -------
    Verdict
        Never says that anything is without danger.
    """
    low = 0.0 if co2_mg_l.low is None else co2_mg_l.low
    high = math.inf if co2_mg_l.high is None else co2_mg_l.high
    digits = 0 if math.isinf(high) else digits_of(co2_mg_l)  # as readings are told
    plants, plants_text = _judge_plants(low, high, co2_mg_l.value, marks, digits)
    fish, fish_text, advice = _judge_fish(low, high, marks, digits)
    cautions = {
        "no concern read": STANDING_CAUTIONS,
        "watch": WATCH_CAUTIONS + STANDING_CAUTIONS,
        "act": WATCH_CAUTIONS + ACT_CAUTIONS + STANDING_CAUTIONS,
    }[fish]
    return Verdict(plants=plants, fish=fish, sentences=(plants_text, fish_text, advice), cautions=cautions)


def judged(reading: Reading, marks: Marks) -> Reading:
    """
    Judge a reading anew, as the marks of a tank may have changed since its photo was read.

    Parameters
    ----------
    reading : Reading
        Read or refused.
    marks : Marks
        Of now.

    Returns
    -------
    Reading
        With the verdict by these marks; a refused one as it was.
    """
    return reading if reading.co2_mg_l is None else replace(reading, verdict=judge(reading.co2_mg_l, marks))


def _judge_plants(low: float, high: float, value: float | None, marks: Marks, digits: int) -> tuple[PlantsWord, str]:
    span = f"{marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L"
    if (marks.plants_low_mg_l, marks.plants_high_mg_l) == (USUAL_MARKS.plants_low_mg_l, USUAL_MARKS.plants_high_mg_l):
        span = f"customary {span}"
    if high < marks.plants_low_mg_l:
        return "too little", f"Plants: less CO2 than the {span}."
    if low > marks.plants_high_mg_l:
        return "more than needed", f"Plants: more CO2 than the {span}."
    if _share_between_marks(low, high, marks) >= _ENOUGH_SHARE:
        return "enough", f"Plants: likely within the {span}."
    if value is None:
        return "cannot tell", f"Plants: the reading does not tell whether the CO2 is within the {span}."
    if marks.plants_low_mg_l <= round(value, digits) <= marks.plants_high_mg_l:
        return "cannot tell", f"Plants: perhaps within the {span}, but that is not certain."
    side = "less" if value < marks.plants_low_mg_l else "more"
    return "cannot tell", f"Plants: rather {side} CO2 than the {span}, but that is not certain."


def _share_between_marks(low: float, high: float, marks: Marks) -> float:
    """Return how much of the interval, as pH, lies between the plants' marks."""
    inner_low, inner_high = max(low, marks.plants_low_mg_l), min(high, marks.plants_high_mg_l)
    if low == 0.0 or math.isinf(high):
        return 0.0
    return 1.0 if low == high else math.log(inner_high / inner_low) / math.log(high / low)


def _judge_fish(low: float, high: float, marks: Marks, digits: int) -> tuple[FishWord, str, str]:
    fish: FishWord = "act"
    act_mg_l = min(_ACT_FACTOR * marks.fish_mg_l, _ACT_AT_MOST_MG_L)
    advice = f"Look at the fish now; {less_gas(marks.source)}."
    if low > act_mg_l:
        text = "too much CO2, even at the lower end of the interval"
    elif math.isinf(high):
        text = "the dye shows no upper end, so the CO2 may be far higher than fish bear"
    elif high > act_mg_l:
        text = f"the CO2 may be as high as {high:.{digits}f} mg/L"
        if low <= marks.fish_mg_l:
            advice = f"Look at the fish now; {less_gas(marks.source, a_little=True)}."
    elif high > marks.fish_mg_l:
        above = f"as high as {high:.{digits}f} mg/L," if round(high, digits) > marks.fish_mg_l else "just"
        fish, text = "watch", f"the CO2 may be {above} above the mark of {marks.fish_mg_l:g} mg/L"
        advice = "Keep an eye on the fish; give no more gas than now."
    else:
        fish = "no concern read"
        text = (
            f"nothing in this reading calls for action; its upper end of {high:.{digits}f} mg/L is not above the "
            f"mark of {marks.fish_mg_l:g} mg/L"
        )
        advice = "Keep watching the fish as on every day."
    sentence = f"Fish: {text}."
    if high > _WELFARE_MG_L:
        sentence += f" {_WELFARE}"
        if fish == "no concern read":
            sentence += f" The mark of {marks.fish_mg_l:g} mg/L is an assumption; a lower one can be set."
    return fish, sentence, advice
