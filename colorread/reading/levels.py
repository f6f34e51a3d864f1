"""How worried to be about a CO2 value: three levels by probability, the same for reading, week, page and report."""

from __future__ import annotations

import math
from statistics import NormalDist

from colorread.reading.record import NORMAL_95, Interval, Level

LEVELS: tuple[Level, ...] = ("no concern", "watch", "act")
"""From calm to grave."""

# Probability that the CO2 is above the fish limit from which a level holds. Assumptions, set so that of simulated
# readings of a right tank (15 to 25 mg/L) few alarm and of those of 45 mg/L and more few are missed: see
# `tests/test_levels.py`, which measures it.
WATCH_FROM, ACT_FROM = 0.22, 0.75
_MARGIN = 0.08  # of probability, by which the level before the last photo must be left: assumption
_LEAST_MG_L = 1e-6  # of which there is a logarithm
LIKELY = 2.0 / 3.0
"""Probability from which a thing is called probable: assumption [-]."""


def chance_above(co2_mg_l: Interval, limit_mg_l: float) -> float:
    """
    Return the probability that the CO2 is above a limit.

    Parameters
    ----------
    co2_mg_l : Interval
        Taken as log-normal on either side of its value; with one end only, all beyond that end is taken as possible
        [mg/L].
    limit_mg_l : float
        The limit [mg/L].

    Returns
    -------
    float
        From 0 to 1 [-]; where one end only is known and the limit lies beyond it, one half, as nothing is known.
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


def level_of(co2_mg_l: Interval, limit_mg_l: float, held: Level | None = None) -> Level:
    """
    Return how worried to be for the fish.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 of a reading, or the daily peak of a tank [mg/L].
    limit_mg_l : float
        The fish limit [mg/L].
    held : {'no concern', 'watch', 'act'}, optional
        Level before the last photo; it is left only by a margin, so that two photos alike are not judged apart.

    Returns
    -------
    {'no concern', 'watch', 'act'}
        By the chance to be above the limit; an open upper end is always 'act', as it may be far higher than fish bear.
    """
    if co2_mg_l.high is None:
        return "act"
    chance = chance_above(co2_mg_l, limit_mg_l)
    if held is None:
        return level_for(chance)
    lowest, highest = (LEVELS.index(level_for(chance + off)) for off in (-_MARGIN, _MARGIN))
    return LEVELS[min(max(LEVELS.index(held), lowest), highest)]


def held_until(chance: float, level: Level) -> float | None:
    """Return the probability at which a level that is only held is left; None where the chance itself gives it [-]."""
    of_chance = level_for(chance)
    if of_chance == level:
        return None
    begins = {"no concern": 0.0, "watch": WATCH_FROM, "act": ACT_FROM}
    if LEVELS.index(of_chance) < LEVELS.index(level):
        return begins[level] - _MARGIN
    return begins[of_chance] + _MARGIN


def hangs_on_held(co2_mg_l: Interval, limit_mg_l: float) -> bool:
    """Whether the level that was held before decides, as the chance is near where a level begins."""
    return len({level_of(co2_mg_l, limit_mg_l, held) for held in LEVELS}) > 1


def level_for(chance: float) -> Level:
    """Return the level that belongs to a probability to be above the fish limit [-]."""
    return "act" if chance >= ACT_FROM else "watch" if chance >= WATCH_FROM else "no concern"
