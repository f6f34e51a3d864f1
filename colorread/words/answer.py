"""The answer that every screen gives first: how much CO2, is it all right, what to do."""

from __future__ import annotations

from dataclasses import dataclass

from colorread.result import Interval, Level, Verdict
from colorread.words.numbers import FISH_SIGNS, co2_words

IN_VIAL = "CO2 in the vial"
_OLD_DAYS = 1  # the CO2 goes up and down with every day, so older photos are of their own time: assumption


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """
    The answer in words, in the order in which every screen shows it.

    Parameters
    ----------
    what : str
        What the number is of.
    value, span : str
        Such as ``24 mg/L`` and ``17 to 34 mg/L``.
    sign, level : str
        Sign and word for the fish.
    fish, plants, to_do : str
        A sentence each.
    then : str
        Advice of an old photo; empty where `to_do` is of now.
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
        """Sign and level."""
        return f"{self.sign} {self.level[:1].upper()}{self.level[1:]}."


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
        Age of the photo; an old one is followed by a new photo, not by a change.
    what : str, optional
        What the number is of.

    Returns
    -------
    Answer
        The words.
    """
    value, span = co2_words(co2_mg_l).pair()
    plants, fish, to_do = verdict.sentences
    is_old = days_old > _OLD_DAYS
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
