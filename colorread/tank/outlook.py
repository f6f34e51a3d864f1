"""What the charge of the gas source gave so far by the fitted rate, and how long it lasts."""

from __future__ import annotations

from datetime import datetime, time

import numpy as np
from numpy.typing import NDArray

from colorread.result import Interval
from colorread.tank.fit import TankFit
from colorread.tank.forecast import interval
from colorread.tank.gas_source import USUAL_YIELD, co2_of_charge_g, share_into_water
from colorread.tank.results import NEVER_DAYS, Estimate, SourceOutlook
from colorread.tank.settings import Tank
from colorread.words import date_words

# Assumption: before the photos the gas rate is held to no more than twice that of now, lest a small error of the trend
# grows without bound.
_PAST_RATE_MAX = 2.0
NARROWED = 0.75
"""Share of the standard deviation of a prior below which the photos are taken to have told something: assumption."""


def source_outlook(fit: TankFit, tank: Tank, trend: Estimate) -> SourceOutlook | None:
    """
    Return what the charge of the gas source gave so far and how long it lasts.

    Parameters
    ----------
    fit : TankFit
        What is believed of the tank.
    tank : Tank
        Its source and volume.
    trend : Estimate
        Change of the gas rate [%/d]; it is carried on where it surely falls.

    Returns
    -------
    SourceOutlook or None
        None where amount, day or volume are not stated, or where the source changed during the photos: what it gave
        before is not known then.
    """
    source = tank.source
    total_g = None if source is None else co2_of_charge_g(source)
    if source is None or total_g is None or source.started is None or tank.volume_l is None:
        return None
    age_days = (fit.last_at - datetime.combine(source.started, time())).total_seconds() / 86400.0
    if age_days < 0.0 or fit.series.left_out["other course"] or fit.series.left_out["higher course"]:
        return None
    parameters = fit.parameters
    fall_per_day = parameters.fall_per_h * 24.0
    now_gas = fit.gas_rates(fit.series.hours[-1:])[:, 0]
    now_g_per_day = now_gas * fit.schedule.gas.hours * tank.volume_l / 1000.0
    # The rate of the past is that of the course, and follows from it by the fitted trend before.
    hours = fit.series.hours[-1] - 24.0 * np.linspace(0.0, age_days, 50)
    rates = fit.gas_rates(hours) / now_gas[:, None]
    past = np.where(hours < fit.series.hours[0], np.minimum(rates, _PAST_RATE_MAX), rates).mean(axis=1)
    into_water = share_into_water(source, fit.schedule.gas)
    rated_g, most_g = now_g_per_day * past * age_days, total_g * into_water
    # How much of the theory reaches the water is not known of a bottle: any share of the usual ones alike.
    share = 1.0 if source.kind == "cylinder" else np.random.default_rng(0).uniform(*USUAL_YIELD, len(now_gas))
    # A cylinder does not fade by itself: what went may come back.
    falls = trend.interval is not None and trend.interval.high is not None and trend.interval.high < 0.0
    fades_on = source.kind != "cylinder" and falls
    fall = fall_per_day if fades_on else np.zeros_like(fall_per_day)
    left_g = np.maximum(most_g * share - rated_g, 0.0)
    contradicts = float(np.median(rated_g)) >= most_g or float(np.quantile(left_g, 0.95)) == 0.0
    used_g = interval(rated_g if contradicts else np.minimum(rated_g, most_g))
    days_left: Interval | None = _days_left(left_g / np.maximum(now_g_per_day, 1e-9), fall)
    sentence = f"The charge holds at most {total_g:.0f} g of CO2"
    if source.kind != "cylinder":
        low, high = (share * 100.0 for share in USUAL_YIELD)
        sentence += f", of which {low:.0f} to {high:.0f} % usually reaches the water (hobby convention)"
    sentence += f". About {used_g.value:.0f} g ({used_g.low:.0f} to {used_g.high:.0f}) went into the water so far"
    first_seen = fit.when(float(fit.series.hours[0])).date()
    if source.started < first_seen:
        sentence += f", extrapolated back from the first photo on {date_words(first_seen)}"
    sentence += "."
    if source.kind == "cylinder":
        sentence += " Weigh the cylinder; its pressure stays the same until the liquid is gone."
    if into_water < 1.0:
        sentence += f" Yeast never stops: gas made while the hose is out is lost; {into_water * 100.0:.0f} % counts."
    if contradicts:
        days_left = None  # the gas was seen to flow
        sentence += " By this count it would be empty already; check its amount, day and hours."
    return SourceOutlook(total_g=total_g, used_g=used_g, days_left=days_left, fades_on=fades_on, sentence=sentence)


def gas_trend(fit: TankFit) -> Estimate:
    """Return how the gas rate changes [%/d], or why that cannot be told."""
    fall_per_day = fit.parameters.fall_per_h * 24.0
    if float(np.std(fall_per_day)) >= NARROWED * fit.prior_std["fall_per_day"]:
        return Estimate(
            interval=None,
            reason="Gas: no trend yet; it needs several days of photos at the same hours.",
        )
    return Estimate(interval=interval(100.0 * np.expm1(-fall_per_day)))


def _days_left(steady: NDArray[np.float64], fall_per_day: NDArray[np.float64]) -> Interval:
    """Return how long what lasts so many days at a steady rate lasts at one that fades."""
    share = steady * fall_per_day  # of all that a rate that fades for ever would still bring
    with np.errstate(divide="ignore", invalid="ignore"):
        fading = np.where(share < 1.0, -np.log1p(-share) / fall_per_day, np.inf)
    days = interval(np.minimum(np.where(fall_per_day == 0.0, steady, fading), 10.0 * NEVER_DAYS))
    low, value, high = (
        end if end is not None and end < NEVER_DAYS else None for end in (days.low, days.value, days.high)
    )
    return Interval(value=value, low=NEVER_DAYS if low is None else low, high=high)
