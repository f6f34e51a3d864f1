"""Plan a charge of gas for a tank: what to mix, what it may give, how long it lasts, and the first days with it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from colorread.result import WATCH_FROM, Interval, Reading, chance_above, limit_at_chance
from colorread.tank import forecast
from colorread.tank.charge import USUAL_YIELD, Mix, acid_mix, fermentation_mix
from colorread.tank.events import Event, updated_tank
from colorread.tank.fit import TankFit, steady_fit
from colorread.tank.forecast import DayStart, interval
from colorread.tank.model import Draws, Schedule
from colorread.tank.posterior import prior_parameters
from colorread.tank.results import Change, Night, SourceOutlook, TimerValve
from colorread.tank.series import NoCourseError, age_days, has_future_date, wall_clock
from colorread.tank.settings import ALL_DAY, DailySpan, GasSource, Tank
from colorread.words import SourceKind, has_open_hose

# Daily peak to aim at: the middle of the plants' range, but at most this share of the fish limit: assumption.
_SHARE_OF_LIMIT = 0.8
# Some bubbles of a cylinder's gas reach the surface: assumption.
_CYLINDER_YIELD = (0.6, 1.0)
# Days that a charge is planned for: usual, least and most. Yeast lasts one to three weeks: common practice, no source;
# the others are assumptions.
_DAYS: dict[SourceKind, tuple[float, float, float]] = {
    "fermentation": (14.0, 7.0, 21.0),
    "acid-bicarbonate": (14.0, 1.0, 365.0),
    "cylinder": (90.0, 1.0, 365.0),
}
_MIX: dict[SourceKind, Callable[[float], Mix]] = {"fermentation": fermentation_mix, "acid-bicarbonate": acid_mix}
# A charge of yeast starts after half a day to two days: common practice, no source. As yeast lasts one to three weeks,
# a charge may last from a third less than planned to half as long again.
_YEAST_PACE = 1.5
_YEAST_STARTS_AFTER_DAYS = (0.5, 2.0)
_USUAL_FILLS_G = (500.0, 2000.0)  # of cylinders: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class GasNeed:
    """
    The CO2 that a day needs, as D equally likely draws.

    Parameters
    ----------
    start : DayStart
        The day that was simulated.
    target_g, limit_g : ndarray of float64, shape (D,)
        Daily CO2 into the water at which the peak is at the target, and at the fish limit [g/d].
    now_g : ndarray of float64, shape (D,)
        Daily CO2 into the water at the gas rate of `start` [g/d].
    """

    start: DayStart
    target_g: Draws
    limit_g: Draws
    now_g: Draws


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """How long an amount of gas in a cylinder lasts [g, d]."""

    gas_g: float
    days: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class StartPlan:
    """
    The first days of a tank without photos.

    Parameters
    ----------
    first_photo_after_h : float
        Wait after the vial goes into the water [h].
    starts_with : float
        Share of the planned gas to begin with [-].
    step : float
        Largest step up [-].
    step_days, full_after_days : int
        Days between steps, and until the planned gas flows in full [d].
    gas_on : datetime.time or None
        When the gas comes on; None if it never stops.
    lights_on : datetime.time or None
        When the lights come on; None if not known.
    photos : tuple of datetime.time
        The most informative times for photos.
    """

    # Two hours, and steps of at most a fifth every two days: common practice, no source. Starting at half: assumption.
    first_photo_after_h: float = 2.0
    starts_with: float = 0.5
    step: float = 0.2
    step_days: int = 2
    full_after_days: int = math.ceil(math.log(1.0 / starts_with) / math.log1p(step)) * step_days
    gas_on: time | None
    lights_on: time | None
    photos: tuple[time, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GasPlan:
    """
    What to mix or fill, and what to expect from it. CO2 is what reaches the water.

    Parameters
    ----------
    tank : Tank
        Its settings, with source, volume and hours as planned.
    gas : DailySpan
        When the gas is on.
    is_of_days : bool
        Whether loss and uptake come from the tank's own days rather than from usual tanks.
    no_days : str
        Why they do not; empty if they do.
    days_old : int or None
        Age of the last reading of those days; None without them [d].
    target_mg_l : float
        Daily peak to aim at [mg/L].
    need_g_per_day : Interval
        CO2 that this takes [g/d].
    dose_g_per_day : float
        Planned CO2: the median of the need, or less if that were too likely to pass the fish limit [g/d].
    is_held_back : bool
        Whether the dose is less than the median of the need.
    against_now : float or None
        The dose relative to what the tank gets now; None if its days do not show that [-].
    starts : datetime.date
        Day of the charge.
    days : float
        How long it is meant to last [d].
    mix : Mix or None
        What to mix; None for a cylinder.
    gas_g : float
        Gas made or let out in that time, which is more than reaches the water [g].
    fills : tuple of Fill
        How long cylinders last.
    gives_g_per_day, first_days_g_per_day : Interval
        What it may give a day, on average and in the first days [g/d].
    first_peak_mg_l : Interval
        Daily peak in the first days [mg/L].
    chance_above_limit : float
        Chance that this peak passes the fish limit [-].
    starts_after_days : tuple of (float, float) or None
        When the gas starts; None for at once [d].
    lasts_days : Interval
        How long it lasts; for a cylinder of known filling, how long that filling lasts [d].
    night : Night or None
        The first nights, if the gas never stops.
    timer : TimerValve or None
        Whether a timer valve is worth it, by the tank's own days.
    outlook : SourceOutlook or None
        How long the present charge lasts.
    start_plan : StartPlan or None
        For a tank without photos.
    """

    tank: Tank
    gas: DailySpan
    is_of_days: bool
    no_days: str
    days_old: int | None
    target_mg_l: float
    need_g_per_day: Interval
    dose_g_per_day: float
    is_held_back: bool
    against_now: float | None
    starts: date
    days: float
    mix: Mix | None
    gas_g: float
    fills: tuple[Fill, ...]
    gives_g_per_day: Interval
    first_days_g_per_day: Interval
    first_peak_mg_l: Interval
    chance_above_limit: float
    starts_after_days: tuple[float, float] | None
    lasts_days: Interval
    night: Night | None
    timer: TimerValve | None
    outlook: SourceOutlook | None
    start_plan: StartPlan | None

    def day_after(self, days: float | None) -> date:
        """Return the day that many whole days after the charge; no charge lasts forever, so `days` is not None."""
        assert days is not None
        return self.starts + timedelta(days=int(days))

    @property
    def refill_on(self) -> date:
        """When to refill: the day by which half of such charges are used up."""
        return self.day_after(self.lasts_days.value)


class _ChargeDraws:
    """How a charge may turn out relative to its plan, as draws."""

    def __init__(self, kind: SourceKind, days: float, need: GasNeed) -> None:
        rng, n = np.random.default_rng(0), len(need.now_g)
        ends = _CYLINDER_YIELD if kind == "cylinder" else USUAL_YIELD
        # All usual shares are equally likely.
        self.usual_yield = sum(ends) / 2.0
        self.of_usual: Draws = rng.uniform(*ends, n) / self.usual_yield
        self.mean: Draws = self.of_usual
        self.first: Draws = self.of_usual
        self.lasts_days: Draws = days * self.of_usual
        if kind == "fermentation":
            pace = np.exp(rng.uniform(-math.log(_YEAST_PACE), math.log(_YEAST_PACE), n))
            self.mean = self.of_usual / pace
            # Nothing controls the rate of yeast, so it starts high and fades over the whole charge.
            faded = np.maximum(need.start.parameters.fall_per_h, 0.0) * 24.0 * days * pace
            self.first = self.mean * np.where(faded > 1e-6, faded / -np.expm1(-np.maximum(faded, 1e-6)), 1.0)
            self.lasts_days = days * pace + rng.uniform(*_YEAST_STARTS_AFTER_DAYS, n)


def gas_need(tank: Tank, fit: TankFit | None, target_mg_l: float) -> GasNeed:
    """
    Return how much CO2 a tank needs a day: what it loses to the air and the plants through a settled day.

    Without a fit the priors stand in. Gas hours that are not known follow the lights if there is a timer valve;
    otherwise they are all day.
    """
    assert tank.volume_l is not None
    for_lights = forecast.hours_for_lights(tank.lights) if tank.valve == "timer" else None
    schedule = Schedule(gas=tank.gas_hours or for_lights or ALL_DAY, lights=tank.lights)
    if fit is None:
        parameters = prior_parameters(tank.source_kind).take(np.arange(forecast.N_DRAWS))
    else:
        parameters = forecast.day_start(fit, tank.judged_by).parameters
    start = DayStart(parameters=parameters, schedule=schedule, marks=tank.judged_by)
    now_g = start.parameters.gas_mg_l_h * schedule.gas.hours * tank.volume_l / 1000.0
    target_g, limit_g = (
        now_g * np.maximum(forecast.rate_for_peak(start, peak_mg_l), 0.0)
        for peak_mg_l in (target_mg_l, start.marks.fish_mg_l)
    )
    return GasNeed(start=start, target_g=target_g, limit_g=limit_g, now_g=now_g)


def plan_gas(
    tank: Tank,
    readings: Sequence[Reading] = (),
    events: Iterable[Event] = (),
    *,
    logged: Tank | None = None,
    days: float | None = None,
    target_mg_l: float | None = None,
    now: datetime | None = None,
) -> GasPlan:
    """
    Plan a charge of gas.

    Parameters
    ----------
    tank : Tank
        Its planned settings; volume and source must be known.
    readings : sequence of Reading
        Of this tank.
    events : iterable of Event
        What was noted about it, in any order.
    logged : Tank, optional
        The tank's settings when the photos were taken, if different.
    days : float, optional
        How long the charge should last; by default as long as usual [d].
    target_mg_l : float, optional
        Daily peak to aim at; by default the middle of the plants' range, below the fish limit [mg/L].
    now : datetime, optional
        Start of the charge, on the tank's clock; by default the machine's present time.

    Returns
    -------
    GasPlan
        For a charge that starts on that day.

    Raises
    ------
    ValueError
        If such a charge cannot be planned; one sentence.
    """
    now = wall_clock(now or datetime.now())
    source, limit_mg_l = _plannable_source(tank), tank.judged_by.fish_mg_l
    kind, days = source.kind, _days_of(source.kind, days)
    target_mg_l = _target_of(tank) if target_mg_l is None else target_mg_l
    if not target_mg_l < limit_mg_l:
        raise ValueError(f"The target ({target_mg_l:g} mg/L) must be below the fish limit ({limit_mg_l:g} mg/L).")
    usable = [reading for reading in readings if reading.status == "read" and not has_future_date(reading, now)]
    happened = sorted((event for event in events if event.at <= now), key=lambda event: event.at)
    logged = logged or tank
    fit, no_days = _fit_of_days(logged, usable, happened)
    need = gas_need(tank, fit, target_mg_l)
    charge = _ChargeDraws(kind, days, need)
    wanted_g, kept_g = float(np.median(need.target_g)), _kept_g(need.limit_g / charge.first)
    dose_g = min(wanted_g, kept_g)
    if dose_g <= 0.0:
        raise ValueError(f"The CO2 already reaches {target_mg_l:g} mg/L without gas; this tank needs none.")
    gas_g = dose_g * days / charge.usual_yield
    fills = _fills(source, charge, dose_g) if kind == "cylinder" else ()
    first_factor = dose_g * charge.first / need.now_g
    peak_mg_l = interval(forecast.day_course(need.start, Change(), first_factor).max(axis=1))
    night = forecast.night_of(need.start, first_factor)
    return GasPlan(
        tank=tank,
        gas=need.start.schedule.gas,
        is_of_days=fit is not None,
        no_days=no_days,
        days_old=None if fit is None else age_days(fit.series.last_at, now),
        target_mg_l=target_mg_l,
        need_g_per_day=interval(need.target_g),
        dose_g_per_day=dose_g,
        is_held_back=kept_g < wanted_g,
        against_now=None if fit is None else dose_g / float(np.median(need.now_g)),
        starts=now.date(),
        days=days,
        mix=None if kind == "cylinder" else _MIX[kind](gas_g),
        gas_g=gas_g,
        fills=fills,
        gives_g_per_day=interval(dose_g * charge.mean),
        first_days_g_per_day=interval(dose_g * charge.first),
        first_peak_mg_l=peak_mg_l,
        chance_above_limit=chance_above(peak_mg_l, limit_mg_l),
        starts_after_days=_YEAST_STARTS_AFTER_DAYS if kind == "fermentation" else None,
        lasts_days=fills[0].days if len(fills) == 1 else interval(charge.lasts_days),
        night=night,
        timer=None if fit is None else forecast.timer_valve(need.start, tank, night, first_factor),
        outlook=None if fit is None else forecast.source_outlook(fit, updated_tank(logged, happened)),
        start_plan=None if usable else _start_plan(tank, need.start.schedule.gas),
    )


def _kept_g(limit_g: Draws) -> float:
    """Return the dose that passes the limit with `WATCH_FROM` at most, counted and as levels are judged."""
    return min(float(np.quantile(limit_g, WATCH_FROM)), limit_at_chance(interval(limit_g), 1.0 - WATCH_FROM))


def _plannable_source(tank: Tank) -> GasSource:
    """Return the gas source; raise if it or the volume is not known, or if an acid bottle has no valve."""
    if tank.volume_l is None:
        raise ValueError("The tank volume is missing; enter it, such as 60 (or 15gal).")
    if tank.source is None:
        raise ValueError(
            "The gas source is missing; choose sugar and yeast (fermentation), citric acid and baking soda "
            "(acid-bicarbonate), or cylinder."
        )
    if tank.source.kind == "acid-bicarbonate" and has_open_hose(tank.source.kind, tank.source.valve):
        raise ValueError(
            "An acid bottle without a valve releases its gas in a rush; choose the valve it has (needle or timer), or "
            "plan for sugar and yeast (fermentation)."
        )
    return tank.source


def _fit_of_days(tank: Tank, usable: Sequence[Reading], events: Sequence[Event]) -> tuple[TankFit | None, str]:
    """Return the fit of the tank's own days, or why there is none."""
    try:
        return steady_fit(tank, usable, events)[0], ""
    except NoCourseError as error:
        return None, str(error) if usable else "No photos yet."


def _days_of(kind: SourceKind, days: float | None) -> float:
    """Return how long a charge should last, as given or as usual [d]; raise if no such charge lasts that long."""
    usual, least, most = _DAYS[kind]
    days = usual if days is None else days
    if not least <= days <= most:
        of_yeast = "One charge of yeast lasts 1 to 3 weeks (hobby convention). " if kind == "fermentation" else ""
        raise ValueError(f"{of_yeast}Plan for {least:g} to {most:g} days, not {days:g}.")
    return days


def _target_of(tank: Tank) -> float:
    marks = tank.judged_by
    return min((marks.plants_low_mg_l + marks.plants_high_mg_l) / 2.0, _SHARE_OF_LIMIT * marks.fish_mg_l)


def _fills(source: GasSource, charge: _ChargeDraws, dose_g: float) -> tuple[Fill, ...]:
    filled_g = _USUAL_FILLS_G if source.amount_g is None else (source.amount_g,)
    into_water = charge.of_usual * charge.usual_yield
    return tuple(Fill(gas_g=gas_g, days=interval(gas_g * into_water / dose_g)) for gas_g in filled_g)


def _start_plan(tank: Tank, gas: DailySpan) -> StartPlan:
    return StartPlan(
        gas_on=gas.on if gas.hours < 24.0 else None,
        lights_on=None if tank.lights is None else tank.lights.on,
        photos=tuple(dict.fromkeys(forecast.usual_photo_times(tank.lights, gas))),
    )
