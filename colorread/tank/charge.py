"""A charge of gas by stoichiometry: what to mix for so much CO2, what one gave so far, and how long it lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from colorread.chemistry import CO2_G_MOL, NAHCO3_G_MOL, WATER_G_MOL
from colorread.result import Interval
from colorread.tank.fit import TankFit
from colorread.tank.forecast import interval
from colorread.tank.results import NEVER_DAYS, Estimate, SourceOutlook
from colorread.tank.settings import GasSource, Tank
from colorread.words import date_words

# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2, 342.297 g/mol from standard atomic masses: 0.5143 g CO2 per g of sucrose.
SUCROSE_G_MOL = 342.297
CO2_PER_SUCROSE = 4.0 * CO2_G_MOL / SUCROSE_G_MOL
# C6H8O7 + 3 NaHCO3 -> Na3C6H5O7 + 3 CO2 + 3 H2O, anhydrous citric acid 192.123 g/mol: 0.687 g CO2 per g of acid, with
# 1.312 g of bicarbonate.
CITRIC_ACID_G_MOL = 192.123
CO2_PER_CITRIC_ACID = 3.0 * CO2_G_MOL / CITRIC_ACID_G_MOL
SODA_PER_ACID = 3.0 * NAHCO3_G_MOL / CITRIC_ACID_G_MOL
# Of the theory 60 to 90 % reaches the water while the gas is led there: common practice, no source.
USUAL_YIELD = (0.6, 0.9)
# The monohydrate carries one molecule of water: 1.094 g of it per g of anhydrous acid, 1.199 g of bicarbonate per g.
MONOHYDRATE_PER_ACID = (CITRIC_ACID_G_MOL + WATER_G_MOL) / CITRIC_ACID_G_MOL
# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2: 0.538 g of ethanol (46.07 g/mol) per g of sucrose.
_ETHANOL_PER_SUCROSE = (SUCROSE_G_MOL + WATER_G_MOL - 4.0 * CO2_G_MOL) / SUCROSE_G_MOL
_ETHANOL_G_ML = 0.789  # at 20 degrees C: handbooks
# Yeast stops near 12 to 15 % of alcohol by volume (common practice, no source): at 12 % all sugar is still used.
_ALCOHOL_MAX = 0.12
_SUGAR_ML_PER_G = 0.62  # that dissolved sugar takes up: its apparent specific volume, handbooks
# Half a teaspoon to a tablespoon of fresh dry yeast to one to two cups of sugar: common practice, no source. Here half
# a teaspoon to a cup, as little yeast lasts longer.
_YEAST_TSP_PER_CUP_SUGAR = 0.5
# A level US cup of sugar and a teaspoon of yeast: common practice, no source.
SUGAR_G_PER_CUP, YEAST_G_PER_TSP = 200.0, 3.1
_FERMENTING_FILL = 0.75  # of a bottle, as it foams: common practice, no source
# A third more water than acid and soda together weigh, and half a bottle, as it foams when it mixes: assumptions.
_WATER_PER_ACID_ML = 3.0
_ACID_SOLIDS_ML_PER_G = 0.6  # of dissolved acid and wet soda together: assumption, on the side of a larger bottle
_ACID_FILL = 0.5
_BOTTLES_ML = (500.0, 1000.0, 1500.0, 2000.0)  # that are sold for sparkling drinks: common practice, no source

Substance = Literal["sugar", "yeast", "citric acid", "baking soda", "water"]
# Assumption: before the photos the gas rate is held to no more than twice that of now, lest a small error of the trend
# grows without bound.
_PAST_RATE_MAX = 2.0
# Share of the standard deviation of a prior below which the photos are taken to have told something: assumption.
NARROWED = 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """
    One charge of a bottle.

    Parameters
    ----------
    parts : mapping of Substance to float
        What goes in, water in mL [g].
    bottles : int
        How many are filled with it together.
    bottle_ml : float
        Size of each, with its head space [mL].
    co2_g : float
        What it gives by stoichiometry [g].
    """

    parts: dict[Substance, float]
    bottles: int
    bottle_ml: float
    co2_g: float


def fermentation_mix(co2_g: float) -> Mix:
    """Return what gives so much CO2, with water enough that the alcohol does not stop the yeast before all is used."""
    sugar_g = _rounded(co2_g / CO2_PER_SUCROSE)
    liquid_ml = sugar_g * _ETHANOL_PER_SUCROSE / _ETHANOL_G_ML / _ALCOHOL_MAX
    yeast_tsp = max(_YEAST_TSP_PER_CUP_SUGAR * sugar_g / SUGAR_G_PER_CUP, 0.25)
    sugar_ml = sugar_g * _SUGAR_ML_PER_G
    water_ml = _rounded(liquid_ml - sugar_ml, 2)
    return _in_bottles(
        {"sugar": sugar_g, "yeast": _rounded(yeast_tsp * YEAST_G_PER_TSP, 2), "water": water_ml},
        (water_ml + sugar_ml) / _FERMENTING_FILL,
        sugar_g * CO2_PER_SUCROSE,
    )


def acid_mix(co2_g: float) -> Mix:
    """Return what gives so much CO2, with just as much soda as the acid uses."""
    acid_g = _rounded(co2_g / CO2_PER_CITRIC_ACID)
    soda_g, water_ml = _rounded(acid_g * SODA_PER_ACID), _rounded(acid_g * _WATER_PER_ACID_ML, 2)
    return _in_bottles(
        {"citric acid": acid_g, "baking soda": soda_g, "water": water_ml},
        (water_ml + (acid_g + soda_g) * _ACID_SOLIDS_ML_PER_G) / _ACID_FILL,
        acid_g * CO2_PER_CITRIC_ACID,
    )


def _in_bottles(parts: dict[Substance, float], needed_ml: float, co2_g: float) -> Mix:
    """Return a charge in as few and as small bottles as hold it with their head space."""
    bottles = math.ceil(needed_ml / _BOTTLES_ML[-1])
    bottle_ml = next(size for size in _BOTTLES_ML if size * bottles >= needed_ml)
    return Mix(parts=parts, bottles=bottles, bottle_ml=bottle_ml, co2_g=co2_g)


def _rounded(value: float, digits: int = 3) -> float:
    return float(f"{value:.{digits}g}")


def co2_of_charge_g(source: GasSource) -> float | None:
    """
    Return the CO2 that a whole charge can give at most; None where its amount is not known [g].

    The amount is sugar as sucrose, citric acid as anhydrous with enough bicarbonate, or the gas in a cylinder.
    """
    per_g = {"fermentation": CO2_PER_SUCROSE, "acid-bicarbonate": CO2_PER_CITRIC_ACID, "cylinder": 1.0}
    return None if source.amount_g is None else source.amount_g * per_g[source.kind]


def source_outlook(fit: TankFit, tank: Tank, trend: Estimate) -> SourceOutlook | None:
    """
    Return what the charge of the gas source gave so far and how long it lasts.

    The `trend` of the gas is carried on where it surely falls. None where amount, day or volume are not stated, or
    where the source changed during the photos: what it gave before is not known then.
    """
    source, series = tank.source, fit.series
    total_g = None if source is None else co2_of_charge_g(source)
    if source is None or total_g is None or source.started is None or tank.volume_l is None:
        return None
    age_days = (fit.last_at - datetime.combine(source.started, time())).total_seconds() / 86400.0
    if age_days < 0.0 or series.left_out["other course"] or series.left_out["higher course"]:
        return None
    is_cylinder = source.kind == "cylinder"
    now_gas = fit.gas_rates(series.hours[-1:])[:, 0]
    now_g_per_day = now_gas * fit.schedule.gas.hours * tank.volume_l / 1000.0
    # The rate of the past is that of the course, and follows from it by the fitted trend before.
    hours = series.hours[-1] - 24.0 * np.linspace(0.0, age_days, 50)
    rates = fit.gas_rates(hours) / now_gas[:, None]
    past = np.where(hours < series.hours[0], np.minimum(rates, _PAST_RATE_MAX), rates).mean(axis=1)
    # Yeast goes on while its hose is out of the tank; a valve keeps the gas of the others.
    into_water = fit.schedule.gas.hours / 24.0 if source.kind == "fermentation" else 1.0
    rated_g, most_g = now_g_per_day * past * age_days, total_g * into_water
    # How much of the theory reaches the water is not known of a bottle: any share of the usual ones alike.
    share = 1.0 if is_cylinder else np.random.default_rng(0).uniform(*USUAL_YIELD, len(now_gas))
    # A cylinder does not fade by itself: what went may come back.
    falls = trend.interval is not None and trend.interval.high is not None and trend.interval.high < 0.0
    fades_on = falls and not is_cylinder
    left_g = np.maximum(most_g * share - rated_g, 0.0)
    contradicts = float(np.median(rated_g)) >= most_g or float(np.quantile(left_g, 0.95)) == 0.0
    used_g = interval(rated_g if contradicts else np.minimum(rated_g, most_g))
    fall_per_day = fit.parameters.fall_per_h * (24.0 if fades_on else 0.0)
    sentences = [_given_words(total_g, used_g, source, series.when(series.hours[0]).date())]
    if is_cylinder:
        sentences.append("Weigh the cylinder; its pressure stays the same until the liquid is gone.")
    if into_water < 1.0:
        sentences.append(
            f"Yeast never stops: gas made while the hose is out is lost; {into_water * 100.0:.0f} % counts."
        )
    if contradicts:
        sentences.append("By this count it would be empty already; check its amount, day and hours.")
    return SourceOutlook(
        total_g=total_g,
        used_g=used_g,
        # Where it would be empty, the gas was seen to flow.
        days_left=None if contradicts else _days_left(left_g / np.maximum(now_g_per_day, 1e-9), fall_per_day),
        fades_on=fades_on,
        sentence=" ".join(sentences),
    )


def _given_words(total_g: float, used_g: Interval, source: GasSource, first_seen: date) -> str:
    words = f"The charge holds at most {total_g:.0f} g of CO2"
    if source.kind != "cylinder":
        low, high = (share * 100.0 for share in USUAL_YIELD)
        words += f", of which {low:.0f} to {high:.0f} % usually reaches the water (hobby convention)"
    words += (
        f". About {used_g.value:.0f} g ({used_g.low:.0f} to {used_g.high:.0f}) went into the water by the last photo"
    )
    if source.started is not None and source.started < first_seen:
        words += f", extrapolated back from the first photo on {date_words(first_seen)}"
    return f"{words}."


def gas_trend(fit: TankFit) -> Estimate:
    """Return how the gas rate changes [%/d], or why that cannot be told."""
    fall_per_day = fit.parameters.fall_per_h * 24.0
    if float(np.std(fall_per_day)) >= NARROWED * fit.prior_std["fall_per_day"]:
        return Estimate(reason="Gas: no trend yet; it needs several days of photos at the same hours.")
    return Estimate(interval=interval(100.0 * np.expm1(-fall_per_day)))


def _days_left(steady: NDArray[np.float64], fall_per_day: NDArray[np.float64]) -> Interval:
    """Return how long what lasts so many days at a steady rate lasts at one that fades."""
    share = steady * fall_per_day  # of all that a rate that fades for ever would still bring
    with np.errstate(divide="ignore", invalid="ignore"):
        fading = np.where(share < 1.0, -np.log1p(-share) / fall_per_day, np.inf)
    days = interval(np.minimum(np.where(fall_per_day == 0.0, steady, fading), 10.0 * NEVER_DAYS))
    value, high = (end if end is not None and end < NEVER_DAYS else None for end in (days.value, days.high))
    return Interval(value=value, low=min(days.low or 0.0, NEVER_DAYS), high=high)
