"""What a CO2 reading means for plants and fish, in words; the fish are judged on the upper end of the interval."""

from __future__ import annotations

from colorread.reading import FishWord, Interval, Limit, PlantsWord, Verdict

PLANTS_LOW_MG_L, PLANTS_HIGH_MG_L = 15.0, 30.0  # common practice of planted tanks, no source
# "< 20 mg/L" is the common target of fish systems (a clinical guide to fish medicine; Wedemeyer 1996 as quoted in a
# Danish report: warm-water species not above 20 to 30 mg/L for long). The steps 25 and 35 are an assumption of ours.
FISH_LONG_TERM_MG_L = 20.0
FISH_WATCH_MG_L = 25.0
FISH_ACT_MG_L = 35.0

STANDING_CAUTIONS = (
    "The vial follows the water with a delay of one to several hours, longest when the CO2 falls.",
    "This reading replaces neither an instrument nor the advice of a veterinarian or another professional.",
)
_WATCH_CAUTIONS = (
    "Watch the fish: gasping at the surface, fast gill movement, loss of balance or listlessness are signs of too much "
    "CO2 or too little oxygen, most of all at the end of the night.",
)
_ACT_CAUTIONS = (
    "If the fish show such signs: stop the gas, move the surface or run an air stone, and change part of the water "
    "with water of the same temperature.",
    "Never raise and lower the gas in large steps; change it a little, then wait a day and look at the fish.",
)


def judge(co2_mg_l: Interval, limit: Limit | None) -> Verdict:
    """
    Put a reading into words.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval; an open end is None [mg/L].
    limit : {'below', 'above'} or None
        One-sided reading of the pH.

    Returns
    -------
    Verdict
        Never says that anything is safe.
    """
    low = 0.0 if co2_mg_l.low is None else co2_mg_l.low
    high = float("inf") if co2_mg_l.high is None else co2_mg_l.high
    plants, plants_text = _plants(low, high, co2_mg_l.value)
    cautions: tuple[str, ...] = STANDING_CAUTIONS
    if high > FISH_ACT_MG_L:
        cautions = _WATCH_CAUTIONS + _ACT_CAUTIONS + STANDING_CAUTIONS
        if low > FISH_ACT_MG_L:
            fish_text = "Fish: the whole interval lies above what fish bear for long. Act now and watch them."
        elif limit == "below":
            fish_text = "Fish: the dye gives no upper end, so the CO2 may be far above what fish bear. Watch them now."
        else:
            fish_text = "Fish: the CO2 may be above what fish bear for long. Watch them and turn the gas down a little."
        return _verdict(plants, "act", plants_text, fish_text, cautions)
    if high > FISH_WATCH_MG_L:
        fish_text = (
            f"Fish: the CO2 may be above the {FISH_LONG_TERM_MG_L:.0f} mg/L that fish keepers' literature asks not to "
            "exceed for long. Keep an eye on them."
        )
        return _verdict(plants, "watch", plants_text, fish_text, _WATCH_CAUTIONS + cautions)
    fish_text = "Fish: nothing in this reading asks for action. Keep watching them as on every day."
    return _verdict(plants, "no concern read", plants_text, fish_text, cautions)


def _plants(low: float, high: float, value: float | None) -> tuple[PlantsWord, str]:
    span = f"{PLANTS_LOW_MG_L:.0f} to {PLANTS_HIGH_MG_L:.0f} mg/L"
    if high < PLANTS_LOW_MG_L:
        return "too little", f"Plants: less CO2 than the customary {span}; algae gain where plants starve."
    if low > PLANTS_HIGH_MG_L:
        return "more than needed", f"Plants: more CO2 than the customary {span}; they gain nothing from it."
    if value is not None and PLANTS_LOW_MG_L <= value <= PLANTS_HIGH_MG_L:
        return "enough", f"Plants: most likely within the customary {span} in the light."
    if value is not None:
        side = "less" if value < PLANTS_LOW_MG_L else "more"
        return "cannot tell", f"Plants: rather {side} than the customary {span}, but the interval reaches into it."
    return "cannot tell", f"Plants: the reading does not tell whether the CO2 lies within the customary {span}."


def _verdict(
    plants: PlantsWord, fish: FishWord, plants_text: str, fish_text: str, cautions: tuple[str, ...]
) -> Verdict:
    return Verdict(plants=plants, fish=fish, sentences=(plants_text, fish_text), cautions=cautions)
