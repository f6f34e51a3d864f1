"""When to take the next photos: the hours from which the posterior expects to learn most."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta

import numpy as np

from colorread.chemistry import RENEW_AFTER_WEEKS
from colorread.tank.changes import shifted
from colorread.tank.fit import TankFit
from colorread.tank.results import NEVER_DAYS, Plan, PlannedFor, PlannedPhoto, SourceOutlook
from colorread.tank.settings import DailySpan, Tank

_AHEAD_H, _NEXT_H = 48, 24  # of all photos, and of the next one
_N_PHOTOS = 4
_APART_H = 2.0  # a vial shows little else before: assumption
_AWAKE_H = (7, 22)  # whole hours of the clock at which a keeper may take a photo: assumption
_STALE_DAYS = 7.0  # a course carried on for longer says little of an hour: assumption
_LEAST_NARROWING = 0.01  # of a standard deviation: less is no reason for one more photo: assumption
# Hours after the gas goes on and off: common practice, no source, as the vial shows most of its lag while the tank
# rises and most of the loss once the gas is off.
_AFTER_SWITCHING_H = 3.0


def planned_photos(fit: TankFit, now: datetime) -> tuple[PlannedPhoto, ...]:
    """
    Return the next photos by what the days have left open.

    Each is the one, of the hours after the one before it, that narrows the number known least by then: loss, lag or
    gas rate. That is reckoned to first order, from how they go together with the reading to be expected, all as
    logarithms, over the draws (linear Gaussian updating of their covariance).

    Parameters
    ----------
    fit : TankFit
        What is believed of the tank.
    now : datetime
        On the tank's clock.

    Returns
    -------
    tuple of PlannedPhoto
        In the order of time.
    """
    start = max(now, fit.last_at + timedelta(hours=_APART_H / 2.0))
    times = _whole_hours(start)
    hours = np.array([(when - fit.series.midnight).total_seconds() / 3600.0 for when in times])
    readings, noise_std = fit.expected_readings(hours)
    parameters = fit.parameters
    names: tuple[PlannedFor, ...] = ("loss", "lag", "gas rate")
    numbers = np.stack(
        [np.log(parameters.loss_per_h), np.log(parameters.lag_h), np.log(fit.gas_rates(hours[:1])[:, 0])], axis=1
    )
    known = len(names)
    covariance = np.cov(np.concatenate([numbers, readings], axis=1).T)
    noise = noise_std**2
    photos: list[PlannedPhoto] = []
    possible = hours < hours[0] + _NEXT_H
    while len(photos) < _N_PHOTOS and possible.any():
        least = int(np.argmax(np.diag(covariance)[:known]))
        seen = np.diag(covariance)[known:] + noise
        narrowed = covariance[least, known:] ** 2 / seen / covariance[least, least]
        narrowing = 1.0 - np.sqrt(np.maximum(1.0 - narrowed, 0.0))
        best = int(np.argmax(np.where(possible, narrowing, -1.0)))
        if photos and narrowing[best] < _LEAST_NARROWING:
            break
        photos.append(PlannedPhoto(at=times[best], tells=names[least], narrowing=float(narrowing[best])))
        possible = hours >= hours[best] + _APART_H
        column = covariance[:, known + best]
        covariance = covariance - np.outer(column, column) / seen[best]
    return tuple(photos)


def usual_photos(tank: Tank, now: datetime) -> tuple[PlannedPhoto, ...]:
    """
    Return the next photos where no course says more: see `telling_hours`.

    Parameters
    ----------
    tank : Tank
        Its hours.
    now : datetime
        On the tank's clock.

    Returns
    -------
    tuple of PlannedPhoto
        In the order of time; none where no hours are known.
    """
    wanted = {round(clock.hour + clock.minute / 60.0) % 24 for clock in telling_hours(tank.lights, tank.gas_hours)}
    times = [when for when in _whole_hours(now) if when.hour in wanted]
    return tuple(PlannedPhoto(at=when, tells="usual", narrowing=0.0) for when in times[:_N_PHOTOS])


def telling_hours(lights: DailySpan | None, gas: DailySpan | None) -> tuple[time, ...]:
    """
    Return when photos tell most of a tank of which no days are known.

    Parameters
    ----------
    lights, gas : DailySpan or None
        When they are on.

    Returns
    -------
    tuple of datetime.time
        Around the switching of the gas; of gas that never stops, or whose hours are not known, through the light.
    """
    if gas is not None and gas.hours < 24.0:
        return tuple(shifted(clock, after_h) for clock in (gas.on, gas.off) for after_h in (0.0, _AFTER_SWITCHING_H))
    if lights is None:
        return ()
    return lights.on, shifted(lights.on, lights.hours / 2.0), lights.off


def plan_of(tank: Tank, fit: TankFit | None, source: SourceOutlook | None, now: datetime) -> Plan:
    """
    Return what to do next, and when.

    Parameters
    ----------
    tank : Tank
        Its settings, with what was noted since.
    fit : TankFit or None
        What is believed of it, where there is a course.
    source : SourceOutlook or None
        What the charge can still give.
    now : datetime
        On the tank's clock.

    Returns
    -------
    Plan
        Photos of the next days; refill and fluid as far as they can be told, none of them in the past.
    """
    if fit is not None and now - fit.last_at > timedelta(days=_STALE_DAYS):
        fit = source = None
    photos = () if fit is None else planned_photos(fit, now)
    left = None if source is None else source.days_left
    days = None if left is None or left.value is None or left.value >= NEVER_DAYS else left.value
    refill_on = None if fit is None or days is None else (fit.last_at + timedelta(days=days)).date()
    renewed = tank.fluid_renewed
    renew_on = None if renewed is None else renewed + timedelta(weeks=RENEW_AFTER_WEEKS)
    return Plan(
        photos=photos or usual_photos(tank, now),
        refill_on=None if refill_on is None else max(refill_on, now.date()),
        renew_fluid_on=None if renew_on is None else max(renew_on, now.date()),
    )


def _whole_hours(start: datetime) -> Sequence[datetime]:
    """Return the hours of the next days at which a keeper is awake."""
    first = datetime.combine(start.date(), time(start.hour)) + timedelta(hours=1)
    hours = (first + timedelta(hours=step) for step in range(_AHEAD_H))
    return [when for when in hours if _AWAKE_H[0] <= when.hour <= _AWAKE_H[1]]
