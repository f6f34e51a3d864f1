"""Notes beside the verdict: how old the photos and the fluid are, what was assumed, and what the data cannot tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime

import numpy as np

from colorread.fluid import RENEW_AFTER_WEEKS
from colorread.limits import USUAL_KH_DKH
from colorread.reading import Reading
from colorread.tank.fit import TankFit
from colorread.tank.series import WINDOW_DAYS, LeftOut, age_days
from colorread.tank.settings import Tank

_OLD_DAYS = 7  # older photos say little of now: assumption
_LEFT_OUT: Mapping[LeftOut, str] = {
    "earlier charge": "from before the present charge of the gas source was at work",
    "other course": "from before the readings took another course",
    "higher course": "from before the readings took a lower course",
    "old": f"from more than {WINDOW_DAYS} days before the last",
    "no time": "without a time",
    "no budget": "that do not say where their error is from",
}


def age_of(last_at: datetime, now: datetime) -> tuple[str, ...]:
    """
    Return the age of the last photo where it matters.

    Parameters
    ----------
    last_at, now : datetime
        On the tank's clock.

    Returns
    -------
    tuple of str
        A sentence, or none.
    """
    days = age_days(last_at, now)
    return (f"The last photo is {days} days old: all of this is of that time.",) if days > _OLD_DAYS else ()


def fluid_advice(tank: Tank, last: date | None) -> str:
    """
    Return whether to renew the fluid in the vial.

    Parameters
    ----------
    tank : Tank
        When its fluid was renewed.
    last : datetime.date or None
        Day of the last photo.

    Returns
    -------
    str
        A sentence; empty where nothing is known.
    """
    if tank.fluid_renewed is None or last is None:
        return ""
    weeks = (last - tank.fluid_renewed).days / 7.0
    age = "1 week" if round(weeks) == 1 else f"{weeks:.0f} weeks"
    if weeks >= RENEW_AFTER_WEEKS:
        return (
            f"The fluid in the vial was {age} old at the last photo; renew it "
            f"(about every {RENEW_AFTER_WEEKS} weeks, common practice, no source)."
        )
    if weeks < 0.0:
        return "The fluid in the vial was renewed after the last photo; nothing to do yet."
    return f"The fluid in the vial was {age} old at the last photo; nothing to do yet."


def input_notes(read: Sequence[Reading], n_of_the_future: int) -> tuple[str, ...]:
    """
    Return what was assumed of the photos.

    Parameters
    ----------
    read : sequence of Reading
        Those with numbers.
    n_of_the_future : int
        How many were left out because the clock of their phone was wrong.

    Returns
    -------
    tuple of str
        Sentences.
    """
    notes = []
    if n_of_the_future:
        notes.append(
            f"{n_of_the_future} photo{'s carry' if n_of_the_future > 1 else ' carries'} a time that has not come yet, "
            f"so {'they do' if n_of_the_future > 1 else 'it does'} not count; set the clock of that phone or camera."
        )
    by_file = sum(reading.time_source == "file time" for reading in read)
    if by_file:
        notes.append(
            f"{by_file} photo{'s carry' if by_file > 1 else ' carries'} no time of taking; the time of the file was "
            "used, which is that of the last copy."
        )
    if any("kh" in reading.assumed for reading in read):
        notes.append(f"The KH of the fluid was assumed to be {USUAL_KH_DKH:g} dKH.")
    if read and not any(reading.profile for reading in read):
        notes.append(
            "Without a calibration all readings may be off together; the intervals hold that, and a calibration "
            "narrows them (colorread calibrate ends --how, or Calibrate on the page)."
        )
    return tuple(notes)


def unused_notes(left_out: Counter[LeftOut]) -> tuple[str, ...]:
    """
    Return which readings the course leaves out, and why.

    Parameters
    ----------
    left_out : Counter of str
        How many, by the reason.

    Returns
    -------
    tuple of str
        A sentence, or none.
    """
    parts = [
        f"{left_out[why]} photo{'s' if left_out[why] > 1 else ''} {words}"
        for why, words in _LEFT_OUT.items()
        if left_out[why]
    ]
    return (f"Not used for the course: {', '.join(parts)}.",) if parts else ()


def fit_notes(tank: Tank, fit: TankFit) -> tuple[str, ...]:
    """
    Return what the readings could not tell the fit.

    Parameters
    ----------
    tank : Tank
        Its settings.
    fit : TankFit
        What was fitted.

    Returns
    -------
    tuple of str
        Sentences.
    """
    notes = []
    if tank.lights is None:
        notes.append("The hours of the lamp are not known; what plants take up is not told apart from the loss.")
    hours = np.unique(np.floor(fit.series.hours % 24.0 / 3.0))
    if len(hours) < 2:
        notes.append("All photos are of the same hours of the day; photos at other hours would tell far more.")
    one_sided = int((fit.series.open_below | fit.series.open_above).sum())
    if one_sided:
        notes.append(
            f"{one_sided} reading{'s lie' if one_sided > 1 else ' lies'} beyond the dye's range; only one end counts."
        )
    return tuple(notes)
