"""The readings of one tank as its fit takes them: in the order of time, each with what it shares with the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from colorread.reading import NORMAL_95, Reading
from colorread.tank.settings import Tank

# A gas flow is never quite what the model says; readings differ from the course by this much beyond their own error.
_MODEL_STD_LN = 0.05  # assumption
# An error of phone and lamp changes with the color: half a turn over 1.4 pH, so that both ends of the dye's range
# may err in opposite ways. Assumption, from the readings of the rendered photos.
PH_PER_RADIAN = 0.45
PH_PER_LN = 1.0 / math.log(10.0)

WINDOW_DAYS = 14
"""Only the last two weeks are fitted: a charge of gas, and how plants grow, changes over longer times."""
# Assumptions: with fewer readings, or over less than a night and the days before and after it, what is believed of
# tanks in general would speak and not the photos.
LEAST_READINGS = 6
LEAST_HOURS = 36.0
# Assumption: noise of the color where a reading does not say it, on the wide side [pH].
_USUAL_OWN_STD_PH = 0.1
_COMMON_BUDGET = ("dye pKa", "KH of the fluid", "other acids in tank water")
_COLOR_BUDGET, _OWN_BUDGET = "light and camera", "color of the fluid"


class CannotTell(ValueError):  # noqa: N818 - a right answer, not an error of the program
    """Why the readings tell nothing of the tank, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VialSeries:
    """
    The readings as the fit takes them, in the order of time.

    Parameters
    ----------
    hours : ndarray of float64, shape (N,)
        Hours since `midnight` [h].
    ln_co2 : ndarray of float64, shape (N,)
        Natural logarithm of the CO2 of the vial; for a one-sided reading that of its known end.
    std_below, std_above : ndarray of float64, shape (N,)
        Standard uncertainty of its own, towards lower and higher CO2, without what all readings share.
    open_below, open_above : ndarray of bool, shape (N,)
        One-sided readings: the CO2 lies below or above.
    shared_std, color_std : ndarray of float64, shape (N,)
        Standard uncertainty that all readings share alike, and that they share as far as their colors are alike.
    angle : ndarray of float64, shape (N,)
        Place on the color scale [rad].
    midnight : datetime
        Midnight before the first reading, on the tank's clock.
    readings : tuple of Reading
        The same readings.
    """

    hours: NDArray[np.float64]
    ln_co2: NDArray[np.float64]
    std_below: NDArray[np.float64]
    std_above: NDArray[np.float64]
    open_below: NDArray[np.bool_]
    open_above: NDArray[np.bool_]
    shared_std: NDArray[np.float64]
    color_std: NDArray[np.float64]
    angle: NDArray[np.float64]
    midnight: datetime
    readings: tuple[Reading, ...]


def wall_clock(taken_at: datetime) -> datetime:
    """
    Return a time on the tank's own clock.

    Parameters
    ----------
    taken_at : datetime
        With or without offset.

    Returns
    -------
    datetime
        As the clock on the wall showed it, without offset.
    """
    return taken_at.replace(tzinfo=None)


def is_of_the_future(reading: Reading, now: datetime) -> bool:
    """
    Whether the clock of the phone or camera was wrong when a photo was taken.

    Parameters
    ----------
    reading : Reading
        With or without a time.
    now : datetime
        On the tank's clock.

    Returns
    -------
    bool
        True for a time more than a day ahead of `now`; up to a day may be another part of the world.
    """
    return reading.taken_at is not None and wall_clock(reading.taken_at) > wall_clock(now) + timedelta(days=1)


def vial_series(tank: Tank, readings: Sequence[Reading]) -> VialSeries:
    """
    Return the readings that the fit can use.

    Parameters
    ----------
    tank : Tank
        A new charge of its gas source begins a new series, where there are readings before it on the day after.
    readings : sequence of Reading
        Any order.

    Returns
    -------
    VialSeries
        Those of the last two weeks and of the present charge.

    Raises
    ------
    CannotTell
        If they are too few or span too little time.
    """
    timed = [(wall_clock(r.taken_at), r) for r in readings if r.status == "read" and r.taken_at is not None]
    timed.sort(key=lambda pair: (pair[0], pair[1].photo))
    if timed:
        first = timed[-1][0] - timedelta(days=WINDOW_DAYS)
        if tank.source is not None and tank.source.started is not None:
            charged = datetime.combine(tank.source.started, time())
            if charged <= timed[-1][0]:
                # The hour of the charge is not known: after an earlier charge the photos of its day may show either;
                # by night what went before has mostly left the water.
                had_another = timed[0][0] < charged
                first = max(first, charged + timedelta(days=had_another))
        timed = [pair for pair in timed if pair[0] >= first]
    if len(timed) < LEAST_READINGS:
        count = "is 1 usable reading" if len(timed) == 1 else f"are {len(timed)} usable readings"
        raise CannotTell(
            f"There {count} of the last {WINDOW_DAYS} days and the present charge; the tank's course needs "
            f"{LEAST_READINGS}, best at different hours of the day."
        )
    span_h = (timed[-1][0] - timed[0][0]).total_seconds() / 3600.0
    if span_h < LEAST_HOURS:
        raise CannotTell(
            f"The readings span {math.floor(span_h)} hours; the tank's course needs {LEAST_HOURS:.0f} hours or more."
        )
    midnight = datetime.combine(timed[0][0].date(), time())
    rows = [_row(reading) for _, reading in timed]
    ln_co2, below, above, open_below, open_above, shared, color, ph = (
        np.array(column) for column in zip(*rows, strict=True)
    )
    return VialSeries(
        hours=np.array([(when - midnight).total_seconds() / 3600.0 for when, _ in timed]),
        ln_co2=ln_co2,
        std_below=below,
        std_above=above,
        open_below=open_below,
        open_above=open_above,
        shared_std=shared,
        color_std=color,
        angle=(ph - 7.0) / PH_PER_RADIAN,
        midnight=midnight,
        readings=tuple(reading for _, reading in timed),
    )


def _row(reading: Reading) -> tuple[float, float, float, bool, bool, float, float, float]:
    """Return one reading as ln CO2, own standard uncertainties, open ends, shared ones, and pH."""
    assert reading.co2_mg_l is not None
    assert reading.ph is not None
    co2, ph = reading.co2_mg_l, reading.ph
    in_ln = 1.0 / PH_PER_LN
    shared = in_ln * math.hypot(*(reading.budget.get(name, 0.0) for name in _COMMON_BUDGET))
    color = in_ln * reading.budget.get(_COLOR_BUDGET, 0.0)
    known = co2.value or co2.low or co2.high
    assert known is not None
    # A one-sided reading tells no width; the noise of its color stands for it.
    lone = in_ln * reading.budget.get(_OWN_BUDGET, _USUAL_OWN_STD_PH)
    own = [lone, lone]
    if co2.value and co2.low and co2.high:
        whole = (math.log(co2.value / co2.low) / NORMAL_95, math.log(co2.high / co2.value) / NORMAL_95)
        own = [math.sqrt(max(std**2 - shared**2 - color**2, 0.0)) for std in whole]
    below, above = (math.hypot(std, _MODEL_STD_LN) for std in own)
    place = next(value for value in (ph.value, ph.high, ph.low) if value is not None)
    return math.log(known), below, above, co2.low is None, co2.high is None, shared, color, place
