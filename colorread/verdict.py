"""What a CO2 reading means for plants and fish, in words; the fish are judged on the upper end of the interval."""

from __future__ import annotations

import math

from colorread.reading import FishWord, Interval, Limit, PlantsWord, Verdict

PLANTS_LOW_MG_L, PLANTS_HIGH_MG_L = 15.0, 30.0  # common practice of planted tanks, no source
# Assumption: "enough" needs half of the interval, as pH (where it is even), between the two marks.
_ENOUGH_SHARE = 0.5
# "< 20 mg/L" is the common target of fish systems (a clinical guide to fish medicine; Wedemeyer 1996 as quoted in a
# Danish report: warm-water species not above 20 to 30 mg/L for long). The steps 25 and 35 are an assumption of ours.
FISH_LONG_TERM_MG_L = 20.0
FISH_WATCH_MG_L = 25.0
FISH_ACT_MG_L = 35.0

STANDING_CAUTIONS = (
    "The vial is one to several hours behind the water, longest when the CO2 falls: the tank may be higher or lower by "
    "now.",
    "This reading replaces neither an instrument nor the advice of a veterinarian or another professional.",
)
WATCH_CAUTIONS = (
    "Look at the fish: gasping at the surface, fast gill movement, loss of balance or lethargy are signs of too much "
    "CO2 or too little oxygen, most of all at the end of the night.",
    "If they show such signs: stop the gas, move the surface or run an air stone, and change part of the water with "
    "water of the same temperature.",
)
ACT_CAUTIONS = ("Never move the gas in large steps; change it a little, then wait a day and look at the fish.",)

_PLANTS_SPAN = f"{PLANTS_LOW_MG_L:.0f} to {PLANTS_HIGH_MG_L:.0f} mg/L"
_WELFARE = f"The literature on fish welfare asks for {FISH_LONG_TERM_MG_L:.0f} mg/L or less over long times."


def judge(co2_mg_l: Interval, limit: Limit | None) -> Verdict:
    """
    Put a reading into words.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval; an open end is None [mg/L].
    limit : {'below', 'above'} or None
        One-sided reading of the pH; 'below' means that the CO2 has no upper end.

    Returns
    -------
    Verdict
        Never says that anything is without danger.
    """
    low = 0.0 if co2_mg_l.low is None else co2_mg_l.low
    high = math.inf if co2_mg_l.high is None or limit == "below" else co2_mg_l.high
    plants, plants_text = _judge_plants(low, high, co2_mg_l.value)
    fish, fish_text, advice = _judge_fish(low, high)
    cautions = {
        "no concern read": STANDING_CAUTIONS,
        "watch": WATCH_CAUTIONS + STANDING_CAUTIONS,
        "act": WATCH_CAUTIONS + ACT_CAUTIONS + STANDING_CAUTIONS,
    }[fish]
    return Verdict(plants=plants, fish=fish, sentences=(plants_text, fish_text, advice), cautions=cautions)


def _judge_plants(low: float, high: float, value: float | None) -> tuple[PlantsWord, str]:
    if high < PLANTS_LOW_MG_L:
        return "too little", f"Plants: less CO2 than the customary {_PLANTS_SPAN}."
    if low > PLANTS_HIGH_MG_L:
        return "more than needed", f"Plants: more CO2 than the customary {_PLANTS_SPAN}; they gain nothing from it."
    if _share_between_marks(low, high) >= _ENOUGH_SHARE:
        return "enough", f"Plants: most likely within the customary {_PLANTS_SPAN}."
    if value is None or PLANTS_LOW_MG_L <= value <= PLANTS_HIGH_MG_L:
        return (
            "cannot tell",
            f"Plants: the reading does not tell whether the CO2 is within the customary {_PLANTS_SPAN}.",
        )
    side = "less" if value < PLANTS_LOW_MG_L else "more"
    return "cannot tell", f"Plants: rather {side} CO2 than the customary {_PLANTS_SPAN}, but that is not certain."


def _share_between_marks(low: float, high: float) -> float:
    """Return how much of the interval, as pH, lies between the plants' marks."""
    inner_low, inner_high = max(low, PLANTS_LOW_MG_L), min(high, PLANTS_HIGH_MG_L)
    if low == 0.0 or math.isinf(high):
        return 0.0
    return 1.0 if low == high else math.log(inner_high / inner_low) / math.log(high / low)


def _judge_fish(low: float, high: float) -> tuple[FishWord, str, str]:
    fish: FishWord = "act"
    if low > FISH_ACT_MG_L:
        text, advice = "too much CO2, even at the lower end of the interval", "Look at the fish now; turn the gas down."
    elif math.isinf(high):
        text = "the dye shows no upper end, so the CO2 may be far higher than fish bear"
        advice = "Look at the fish now; turn the gas down a little."
    elif high > FISH_ACT_MG_L:
        text = f"the CO2 may be as high as {high:.0f} mg/L"
        advice = "Look at the fish now; turn the gas down a little."
    elif high > FISH_WATCH_MG_L:
        fish, text = "watch", f"the CO2 may be as high as {high:.0f} mg/L"
        advice = "Keep an eye on the fish; do not turn the gas up."
    else:
        fish, text = "no concern read", f"nothing in this reading calls for action; its upper end is {high:.0f} mg/L"
        advice = "Keep watching the fish as on every day."
    return fish, f"Fish: {text}. {_WELFARE}", advice
