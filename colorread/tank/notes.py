"""Notes beside the verdict: how old the fluid is, what was assumed, and what the data cannot tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from colorread.chemistry import RENEW_AFTER_WEEKS
from colorread.limits import USUAL_KH_DKH
from colorread.result import Reading
from colorread.tank.fit import TankFit
from colorread.tank.series import WINDOW_DAYS, LeftOut
from colorread.tank.settings import Tank

_LEFT_OUT: Mapping[LeftOut, str] = {
    "earlier charge": "taken before the current charge took effect",
    "other course": "taken before the tank changed",
    "higher course": "taken before the CO2 fell",
    "old": f"taken more than {WINDOW_DAYS} days before the last",
    "no time": "without a time",
    "no budget": "from an older version, without error sources",
}


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
            f"Renew the fluid: it was {age} old at the last photo (every {RENEW_AFTER_WEEKS} weeks, hobby convention)."
        )
    if weeks < 0.0:
        return "The fluid was renewed after the last photo."
    return f"The fluid was {age} old at the last photo."


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
            f"{n_of_the_future} photo{'s have' if n_of_the_future > 1 else ' has'} a date in the future and "
            f"{'do' if n_of_the_future > 1 else 'does'} not count; set that camera's clock."
        )
    by_file = sum(reading.time_source == "file time" for reading in read)
    if by_file:
        notes.append(
            f"{by_file} photo{'s have' if by_file > 1 else ' has'} no time inside; the file's time was used, which may "
            "be that of a copy."
        )
    if any("kh" in reading.assumed for reading in read):
        notes.append(f"KH of the fluid: {USUAL_KH_DKH:g} dKH assumed.")
    if read and not any(reading.profile for reading in read):
        notes.append(
            "Without a calibration, all readings may be off together; the intervals include that. Calibrating narrows "
            "them."
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
    return (f"Not used: {', '.join(parts)}.",) if parts else ()


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
    if tank.source_kind == "fermentation" and tank.gas is not None and tank.gas.hours < 24.0:
        notes.append(
            f"A fermenting bottle never stops: the gas hours ({tank.gas}) hold only if its hose is out of the tank at "
            "other times. Else clear them."
        )
    if tank.lights is None:
        notes.append("The lights' hours are not known, so plant uptake cannot be separated from loss to the air.")
    hours = np.unique(np.floor(fit.series.hours % 24.0 / 3.0))
    if len(hours) < 2:
        notes.append("All photos are from the same hours of the day; other hours would show far more.")
    one_sided = int((fit.series.open_below | fit.series.open_above).sum())
    if one_sided:
        notes.append(
            f"{one_sided} reading{'s are' if one_sided > 1 else ' is'} beyond the dye's range; only one end counts."
        )
    return tuple(notes)
