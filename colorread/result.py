"""The result of a photo: numbers with their intervals and what they mean, or the reason why there are none."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from statistics import NormalDist
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration import ReferenceName
from colorread.errors import Reason
from colorread.limits import FluidKind, LightName, TimeSource
from colorread.records import Kept

NORMAL_95 = 1.645
"""Standard deviations from the middle of a normal distribution to the ends of its 90 % interval, from any table."""
BUDGET_KH, BUDGET_ACIDS = "KH of the fluid", "other acids in tank water"
"""Sources that the chemistry adds to the budget of `calibration.inversion`; shown to the keeper, and keys in JSON."""

Status = Literal["read", "refused"]
Limit = Literal["below", "above"]
PlantsWord = Literal["too little", "enough", "more than needed", "cannot tell"]
Level = Literal["no concern", "watch", "act"]
Outline = tuple[tuple[float, float], ...]

# No photo reads beyond these: such values in a log or an import are damage, and the chemistry would reject them.
_RANGES: Mapping[str, tuple[float, float]] = {
    "kh_dkh": (0.01, 30.0),
    "temperature_c": (0.0, 50.0),
    "ph": (4.0, 10.0),
    "photo_ph": (4.0, 10.0),
    "co2_mg_l": (0.0, 1e6),
    "budget": (0.0, 14.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """
    A value with the 90 % interval around it.

    Parameters
    ----------
    value : float or None
        Median; None where only one end is known.
    low, high : float or None
        5 % and 95 % ends; None at the open end of a one-sided reading.
    """

    value: float | None
    low: float | None
    high: float | None

    def require_sound(self, what: str) -> None:
        """Raise ValueError if it is not an interval of a reading; `what` names the reading."""
        known = _numbers_in(self)
        if (self.low is None and self.high is None) or known != sorted(known):
            raise ValueError(f"{what[0].upper()}{what[1:]} must have an end, and its value must lie between its ends.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """
    What the numbers mean for plants and fish.

    Parameters
    ----------
    plants : {'too little', 'enough', 'more than needed', 'cannot tell'}
        Against the plants' range.
    fish : {'no concern', 'watch', 'act'}
        By the chance of being above the fish limit; never says that anything is safe.
    sentences : tuple of str
        The same in plain words: for the plants, for the fish, and what to do.
    cautions : tuple of str
        Those of the level, then those that always hold.
    """

    plants: PlantsWord
    fish: Level
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]

    @staticmethod
    def upgraded(data: dict[str, Any]) -> dict[str, Any]:
        """Return the data of an earlier version in the current form."""
        return data | {"fish": "no concern"} if data.get("fish") == "no concern read" else data


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """
    The result of one photo, in the order of its JSON. A refused photo has a reason and no pH, CO2 or verdict.

    Parameters
    ----------
    photo : str
        Path or name of the photo.
    taken_at : datetime or None
        When the photo was taken; with offset where known.
    time_source : str
        Where `taken_at` comes from.
    ph : Interval or None
        pH of the fluid in the vial [-].
    photo_ph : Interval or None
        pH from the photo alone, without the prior on CO2 in tanks: the middle of the likelihood, and where it has
        fallen as far as a normal curve at its 90 % ends; None at an open end, beyond which any pH is as likely as the
        value. None altogether in readings of earlier versions [-].
    co2_mg_l : Interval or None
        CO2 in the vial, which lags behind the tank [mg/L].
    limit : {'below', 'above'} or None
        One-sided reading: the pH lies below (CO2 above) or above (CO2 below) the range of the dye.
    kh_dkh, temperature_c : float
        KH of the fluid in the vial [dKH] and temperature [degC] used.
    fluid : {'reference', 'tank-water'}
        What the vial holds.
    light : str
        Lamp class used.
    assumed : tuple of str
        Inputs that were not entered: any of ``"kh"``, ``"temperature"``, ``"light"``.
    reference : {'card', 'tag'} or None
        What stood behind the fluid; None where neither was seen.
    co2_rule_of_thumb_mg_l : float or None
        By the rule of thumb 3 x KH x 10^(7 - pH), for comparison only [mg/L].
    tank_ph : Interval or None
        pH that a probe in the tank should show, if the KH of the tank is known [-].
    tank_kh_dkh : float or None
        KH of the tank [dKH].
    verdict : Verdict or None
        What it means; None where refused.
    flags : tuple of str
        Codes of what widened the interval; see `colorread.words.phrases`.
    reason : Reason or None
        Why it was refused.
    card_corners_px : (4, 2) tuple or None
        Corners TL, TR, BR, BL of card or tag in pixels of the upright photo at full size.
    vial_outline_px : (N, 2) tuple or None
        Outline of the fluid in the same pixels.
    budget : mapping of str to float
        Standard uncertainty from each source, as pH; KH and other acids widen only the interval of the CO2 [-].
    profile : str or None
        Name of the calibration profile used.

    Attributes
    ----------
    schema : str
        Name and version of its JSON format.
    status : {'read', 'refused'}
        Whether there are numbers.
    """

    schema: str = field(default="colorread.reading/1", init=False)
    photo: str
    status: Status = field(init=False)
    taken_at: datetime | None = None
    time_source: TimeSource = "unknown"
    ph: Annotated[Interval | None, Kept(digits=3)] = None
    photo_ph: Annotated[Interval | None, Kept(digits=3)] = None
    co2_mg_l: Annotated[Interval | None, Kept(digits=2)] = None
    limit: Limit | None = None
    kh_dkh: Annotated[float, Kept(digits=3)]
    temperature_c: Annotated[float, Kept(digits=2)]
    fluid: FluidKind
    light: LightName
    profile: str | None = None
    assumed: tuple[str, ...]
    reference: ReferenceName | None = None
    co2_rule_of_thumb_mg_l: Annotated[float | None, Kept(digits=2)] = None
    tank_kh_dkh: Annotated[float | None, Kept(digits=3)]
    tank_ph: Annotated[Interval | None, Kept(digits=3)] = None
    verdict: Verdict | None = None
    flags: tuple[str, ...] = ()
    reason: Reason | None = None
    card_corners_px: Annotated[Outline | None, Kept(digits=1, path="card.corners_px")] = None
    vial_outline_px: Annotated[Outline | None, Kept(digits=1, path="vial.outline_px")] = None
    budget: Annotated[Mapping[str, float], Kept(digits=4)] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "status", "read" if self.reason is None else "refused")

    @staticmethod
    def upgraded(data: dict[str, Any]) -> dict[str, Any]:
        """Return the data of an earlier version, which had a `geometry` and only the card, in the current form."""
        return {"photo_ph": None, "reference": "card"} | {name: data[name] for name in data if name != "geometry"}

    def require_sound(self, what: str) -> None:
        """Raise ValueError if its fields contradict each other."""
        numbers = (self.ph, self.co2_mg_l, self.verdict)
        if None in numbers if self.reason is None else numbers != (None, None, None):
            raise ValueError(
                f"{what[0].upper()}{what[1:]} must have ph, co2_mg_l and verdict, or a reason why it has none of them."
            )
        for name, (low, high) in _RANGES.items():
            for number in _numbers_in(getattr(self, name)):
                if number < low or number > high:  # NaN passes, as in a budget
                    raise ValueError(f"The {name} of {what} must be from {low:g} to {high:g}, not {number:g}.")


def _numbers_in(value: Interval | Mapping[str, float] | float | None) -> list[float]:
    """Return the numbers in a field of a reading, those of an interval from low to high."""
    if isinstance(value, Interval):
        return [number for number in (value.low, value.value, value.high) if number is not None]
    if isinstance(value, Mapping):
        return list(value.values())
    return [] if value is None else [value]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """
    What was found on the way to a reading, for the evidence picture; all pixels are those of `rgb_u8`.

    Parameters
    ----------
    rgb_u8 : ndarray of uint8, shape (H, W, 3)
        The upright photo at working size, sRGB-encoded; None where the file could not be opened.
    card_corners_px : ndarray of float, shape (4, 2), or None
        Corners of card or tag.
    reference : {'card', 'tag'}
        Which of the two.
    vial_outlines_px : tuple of ndarray of float, shape (N, 2)
        Outline of the fluid; two if either could be the fluid.
    used_px : ndarray of float, shape (N, 2), or None
        Centers of the pixels whose color was used.
    fluid_rgb : ndarray of float, shape (3,), or None
        Corrected color of the fluid on white paper, sRGB-encoded 0..1.
    scale_rgb : tuple of (float, ndarray) pairs
        Expected colors at the dye amount found: pH and sRGB-encoded 0..1, shape (3,).
    """

    rgb_u8: NDArray[np.uint8] | None
    card_corners_px: NDArray[np.float64] | None = None
    reference: ReferenceName = "card"
    vial_outlines_px: tuple[NDArray[np.float64], ...] = ()
    used_px: NDArray[np.float64] | None = None
    fluid_rgb: NDArray[np.float64] | None = None
    scale_rgb: tuple[tuple[float, NDArray[np.float64]], ...] = ()


# Probability of being above the fish limit at which each level begins. Assumptions, set so that few simulated readings
# of a good tank (15 to 25 mg/L) raise an alarm and few of 45 mg/L and more are missed: `tests/test_levels.py` measures
# both.
WATCH_FROM, ACT_FROM = 0.22, 0.75
_LEVEL_FROM: dict[Level, float] = {"no concern": 0.0, "watch": WATCH_FROM, "act": ACT_FROM}
LEVELS: tuple[Level, ...] = tuple(_LEVEL_FROM)
"""From least to most serious."""
_MARGIN = 0.08  # hysteresis: how far the probability must pass a threshold before the level changes: assumption
_LEAST_MG_L = 1e-6  # keeps the logarithm finite
LIKELY = 2.0 / 3.0
"""Probability from which something is called probable: assumption [-]."""


def chance_above(co2_mg_l: Interval, limit_mg_l: float) -> float:
    """
    Return the probability that the CO2 is above a limit.

    Parameters
    ----------
    co2_mg_l : Interval
        Taken as log-normal on either side of its value; if only one end is known, anything beyond it is possible
        [mg/L].
    limit_mg_l : float
        The limit [mg/L].

    Returns
    -------
    float
        From 0 to 1 [-]; one half if only one end is known and the limit lies beyond it.
    """
    value, low, high = co2_mg_l.value, co2_mg_l.low, co2_mg_l.high
    if value is None:
        if low is not None:
            return 0.95 if low >= limit_mg_l else 0.5
        return 0.05 if high is not None and high <= limit_mg_l else 0.5
    value = max(value, _LEAST_MG_L)
    end = high if limit_mg_l > value else low
    off = math.log(limit_mg_l / value)
    width = 0.0 if end is None or end <= 0.0 else abs(math.log(end / value)) / NORMAL_95
    if width == 0.0:
        return 0.5 if end is None or off == 0.0 else float(off < 0.0)
    return NormalDist().cdf(-off / width)


def limit_at_chance(amount: Interval, chance: float) -> float:
    """Return the limit that an amount, of which both ends are known, exceeds with a probability: see `chance_above`."""
    value, end = amount.value or 0.0, (amount.low if chance > 0.5 else amount.high) or 0.0
    if value == 0.0:
        return 0.0
    return float(value * (end / value) ** (abs(NormalDist().inv_cdf(chance)) / NORMAL_95))


def level_of(co2_mg_l: Interval, limit_mg_l: float, held: Level | None = None) -> Level:
    """
    Return the level of concern for the fish.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 of a reading, or the daily peak of a tank [mg/L].
    limit_mg_l : float
        The fish limit [mg/L].
    held : {'no concern', 'watch', 'act'}, optional
        Level before the last photo; it changes only beyond a margin, so that two similar photos are judged alike.

    Returns
    -------
    {'no concern', 'watch', 'act'}
        By the chance of being above the limit; 'act' if the upper end is open: it may be more than fish can take.
    """
    if co2_mg_l.high is None:
        return "act"
    chance = chance_above(co2_mg_l, limit_mg_l)
    if held is None:
        return level_for(chance)
    lowest, highest = (LEVELS.index(level_for(chance + off)) for off in (-_MARGIN, _MARGIN))
    return LEVELS[min(max(LEVELS.index(held), lowest), highest)]


def level_changes_at(chance: float, level: Level) -> float | None:
    """Return the probability at which a held level would change; None if the chance itself gives that level [-]."""
    fresh = level_for(chance)
    if fresh == level:
        return None
    return _LEVEL_FROM[level] - _MARGIN if _LEVEL_FROM[fresh] < _LEVEL_FROM[level] else _LEVEL_FROM[fresh] + _MARGIN


def depends_on_held(co2_mg_l: Interval, limit_mg_l: float) -> bool:
    """Return whether the level depends on the one held before, because the chance is near a threshold."""
    return len({level_of(co2_mg_l, limit_mg_l, held) for held in LEVELS}) > 1


def level_for(chance: float) -> Level:
    """Return the level for a probability of being above the fish limit [-]."""
    return "act" if chance >= ACT_FROM else "watch" if chance >= WATCH_FROM else "no concern"
