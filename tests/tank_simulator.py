"""A week of a made-up tank, its vial and its photos, simulated without any code of the tank model."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from calibration.inversion import BUDGET_CAMERA, BUDGET_COLOR, BUDGET_PKA, PhPosterior, ph_prior, quantiles
from colorread.chemistry.carbonate import ph_from_co2
from colorread.reading.interpretation import PhotoInputs, blank_reading, complete_reading, usual_ph_range
from colorread.result import Reading
from colorread.tank.events import Event
from colorread.tank.settings import DailySpan, Tank, parse_span
from tests.fabricated import made_refusal

_PKA = 7.0
_STEEPEST = math.log(10.0) / 4.0  # change of the share of blue dye with the pH where it is half
_STEP = 0.01
_PH: NDArray[np.float64] = np.arange(4.5, 9.5, _STEP)
START = datetime(2026, 3, 2, tzinfo=timezone(timedelta(hours=1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """What happens to a tank at an hour, whether it is noted or not."""

    hour: float
    event: Event
    water_changed: float = 0.0
    water_co2_mg_l: float = 0.7
    gas_factor: float = 1.0
    fall_per_day: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What was drawn for one week, and tank and vial at the photos."""

    tank: Tank
    gas_mg_l_h: float
    fall_per_day: float
    loss_per_h: float
    lag_h: float
    uptake_mg_l_h: float
    base_mg_l: float
    hours: NDArray[np.float64]
    tank_mg_l: NDArray[np.float64]
    vial_mg_l: NDArray[np.float64]
    readings: tuple[Reading, ...]
    events: tuple[Event, ...]


def few_draws() -> Iterator[None]:
    """Fit with fewer draws, as a fixture: 400 tell as well where the truth lies, in less than half the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("colorread.tank.posterior.N_DRAWS", 400)
        yield


@cache
def simulated_week(
    seed: int,
    *,
    profile: bool = True,
    days: int = 7,
    often: bool = False,
    level_mg_l: tuple[float, float] = (15.0, 50.0),
    kh_dkh: float = 4.0,
    fall_per_day: tuple[float, float] = (-0.02, 0.12),
    turned: tuple[float, float] | None = None,
    happenings: Sequence[str] = (),
    one_more: tuple[float, int] | None = None,
) -> Truth:
    """
    Draw a tank, follow it by a stiff solver, and photograph it two to four times a day, or every hour by day.

    `turned` is an hour from which on the gas flows with so many times its rate: 0 where it has run out. `happenings`
    are kinds of `_happenings`. `one_more` is the hour of a photo after all others, and the seed of its own errors.
    """
    rng = np.random.default_rng(seed)
    lights_on = rng.integers(7, 13)
    lights = parse_span(f"{lights_on:02d}:00-{lights_on + rng.integers(6, 11):02d}:00")
    lead = int(rng.integers(0, 4))
    gas = parse_span(f"{lights_on - lead:02d}:30-{lights.off.hour - int(rng.integers(0, 2)):02d}:00")
    loss = float(np.exp(rng.uniform(np.log(0.05), np.log(0.3))))
    lag = float(np.exp(rng.uniform(np.log(0.8), np.log(3.5))))
    level = rng.uniform(*level_mg_l)
    uptake = rng.uniform(0.0, 0.6)
    base = rng.uniform(0.5, 1.5)
    fall = rng.uniform(*fall_per_day)
    rate = level * loss
    hours = _photo_hours(rng, days, lights, often=often)
    if one_more is not None:
        hours = np.append(hours, one_more[0])
    happened = _happenings(np.random.default_rng([seed, 1]), happenings, days, fall, fall_per_day)

    def slopes(hour: float, state: NDArray[np.float64], flow: float, fall: float, since_h: float) -> list[float]:
        tank, vial = state
        gas_rate = flow * (1.0 - fall) ** ((hour - since_h) / 24.0) if _is_on(gas, hour) else 0.0
        if turned is not None and hour >= turned[0]:
            gas_rate *= turned[1]
        # Plants take up what a half-saturation of 4 mg/L lets them.
        eaten = uptake * tank / (tank + 4.0) if _is_on(lights, hour) else 0.0
        return [gas_rate - loss * (tank - base) - eaten, (tank - vial) / lag]

    # Three days before the first photo let the tank find its own start.
    state, start_h, flow, fall_now, since_h = np.array([10.0, 10.0]), -72.0, rate, fall, 0.0
    pieces: list[NDArray[np.float64]] = []
    for happening in (*(each for each in happened if each.hour < hours[-1]), None):
        stop_h = hours[-1] if happening is None else happening.hour
        of_piece = hours[(hours >= start_h) & ((hours < stop_h) | (happening is None))]
        solution = solve_ivp(
            slopes,
            (start_h, stop_h),
            state,
            method="LSODA",
            t_eval=of_piece if happening is None else np.append(of_piece, stop_h),
            max_step=0.25,
            rtol=1e-6,
            atol=1e-6,
            args=(flow, fall_now, since_h),
        )
        pieces.append(solution.y[:, : len(of_piece)])
        if happening is not None:
            state, start_h = solution.y[:, -1], stop_h
            state[0] += happening.water_changed * (happening.water_co2_mg_l - state[0])
            if happening.event.fluid_renewed:
                state[1] = 0.7  # as it stood in the air of a room
            flow *= (1.0 - fall_now) ** ((stop_h - since_h) / 24.0) * happening.gas_factor
            fall_now, since_h = fall_now if happening.fall_per_day is None else happening.fall_per_day, stop_h
    tank_mg_l, vial_mg_l = np.concatenate(pieces, axis=1)
    tank = Tank(name=f"week {seed}", volume_l=60.0, lights=lights, gas=gas)
    return Truth(
        tank=tank,
        gas_mg_l_h=rate,
        fall_per_day=fall,
        loss_per_h=loss,
        lag_h=lag,
        uptake_mg_l_h=uptake,
        base_mg_l=base,
        hours=hours,
        tank_mg_l=tank_mg_l,
        vial_mg_l=vial_mg_l,
        readings=_photographed(
            rng,
            hours,
            vial_mg_l,
            kh_dkh,
            happened,
            profile=profile,
            last_seed=None if one_more is None else one_more[1],
        ),
        events=tuple(each.event for each in happened),
    )


def one_photo_more(week: Truth) -> Truth:
    """Add a photo twenty minutes after the last that was read, which says the same; the true course ends before it."""
    last = [reading for reading in week.readings if reading.taken_at is not None and reading.status == "read"][-1]
    assert last.taken_at is not None
    again = replace(last, photo="again.jpg", taken_at=last.taken_at + timedelta(minutes=20))
    return replace(week, readings=(*week.readings, again))


def _happenings(
    rng: np.random.Generator, kinds: Sequence[str], days: int, fall: float, fall_per_day: tuple[float, float]
) -> list[Happening]:
    """
    Draw what happens in the course of the days, each kind once but for the daily count of bubbles.

    A water change is noted a tenth wrong; its water holds what tap water does. A refill flows and fades by its own
    draw. Bubbles go along with the gas, each count by its own error.
    """
    drawn: list[Happening] = []
    for kind in kinds:
        hour = 24.0 * float(rng.integers(1, days - 1)) + float(rng.uniform(8.0, 21.0))
        if kind == "water":
            share = float(rng.choice([0.25, 0.3, 0.5]))
            true_share = min(share * float(rng.normal(1.0, 0.1)), 0.95)
            water = float(rng.uniform(0.5, 4.0))
            drawn.append(_happening(hour, {"water_change": share}, water_changed=true_share, water_co2_mg_l=water))
        elif kind == "refill":
            factor = float(np.exp(rng.normal(0.3, 0.5)))
            new_fall = float(rng.uniform(*fall_per_day))
            drawn.append(_happening(hour, {"refilled": True}, gas_factor=factor, fall_per_day=new_fall))
        elif kind == "gas":
            drawn.append(_happening(hour, {"gas_changed": True}, gas_factor=float(np.exp(rng.normal(0.0, 0.4)))))
        elif kind == "fluid":
            drawn.append(_happening(hour, {"fluid_renewed": True}))
    drawn.sort(key=lambda each: each.hour)
    if "bubbles" in kinds:
        ln_bubbles, std = np.log(rng.uniform(30.0, 120.0)), rng.uniform(0.05, 0.15)
        for day in range(days):
            hour = 24.0 * day + float(rng.uniform(9.0, 20.0))
            ln_rate, now_fall, since_h = 0.0, fall, 0.0
            for each in drawn:
                if each.hour <= hour and not each.event.bubbles:
                    ln_rate += np.log1p(-now_fall) * (each.hour - since_h) / 24.0 + np.log(each.gas_factor)
                    now_fall, since_h = now_fall if each.fall_per_day is None else each.fall_per_day, each.hour
            ln_rate += np.log1p(-now_fall) * (hour - since_h) / 24.0
            count = round(float(np.exp(ln_bubbles + ln_rate + rng.normal(0.0, std))), 1)
            drawn.append(_happening(hour, {"bubbles": max(count, 1.0)}))
        drawn.sort(key=lambda each: each.hour)
    return drawn


def _happening(hour: float, noted: dict[str, Any], **true: Any) -> Happening:
    at = (START.replace(tzinfo=None) + timedelta(hours=hour)).replace(second=0, microsecond=0)
    return Happening(hour=hour, event=Event(at=at, **noted), **true)


def _photo_hours(rng: np.random.Generator, days: int, lights: DailySpan, *, often: bool) -> NDArray[np.float64]:
    usual = [lights.on.hour - 1.5, lights.on.hour + 3.0, lights.on.hour + 6.0, lights.on.hour + 10.0]
    if often:
        usual = [lights.on.hour + step for step in np.arange(-2.0, 12.0)]
    times = [24.0 * day + hour + rng.normal(0.0, 0.5) for day in range(days) for hour in usual if rng.uniform() < 0.75]
    return np.array(sorted(min(max(time, 0.0), 24.0 * days - 0.1) for time in times))


def _photographed(
    rng: np.random.Generator,
    hours: NDArray[np.float64],
    vial_mg_l: NDArray[np.float64],
    kh_dkh: float,
    happened: Sequence[Happening],
    *,
    profile: bool,
    last_seed: int | None = None,
) -> tuple[Reading, ...]:
    """
    Return readings with a shared error, one that bends over the scale, own noise, and now and then a refusal.

    Noise is one of the color: towards both ends of the dye it hides more and more of the pH. From the likelihood on
    they take the path of a photo, with all that it believes of tanks beforehand.
    """
    inputs = PhotoInputs(kh_dkh=kh_dkh)
    shared_std, color_std = (0.05, 0.03) if profile else (0.10, 0.06)
    shared = rng.normal(0.0, math.hypot(shared_std, 0.02))
    slope, bow = rng.normal(0.0, color_std, 2)
    renewed = [each.hour for each in happened if each.event.fluid_renewed]
    kh_errors = np.append(0.0, np.random.default_rng([int(1e6 * abs(slope))]).normal(0.0, 0.03, len(renewed)))
    readings = []
    for number, (hour, vial) in enumerate(zip(hours, vial_mg_l, strict=True)):
        if last_seed is not None and number == len(hours) - 1:
            rng = np.random.default_rng([last_seed, 2])
        true_ph = float(ph_from_co2(vial, kh_dkh))
        own_std = rng.uniform(0.02, 0.12)
        # As large at every color as the readings say it is; half a pH apart it hangs together by a half.
        place = np.clip((true_ph - 7.0) / 0.5, -1.0, 1.0)
        bend = slope * np.sin(place) + bow * np.cos(place)
        error = shared + kh_errors[np.searchsorted(renewed, hour)] + bend
        color_noise = own_std * _STEEPEST
        seen = _blue_share(true_ph + error) + rng.normal(0.0, color_noise)
        photo, taken_at = f"{hour:.2f}.jpg", START + timedelta(hours=float(hour))
        own = np.exp(-0.5 * ((_blue_share(_PH) - seen) / color_noise) ** 2)
        posterior = _posterior(own, shared_std, color_std, usual_ph_range(inputs))
        if rng.uniform() < 0.05 or (posterior.open_below and posterior.open_above):
            readings.append(made_refusal(taken_at=taken_at, photo=photo))
            continue
        reading = replace(blank_reading(photo, inputs), taken_at=taken_at, time_source="exif with offset")
        readings.append(complete_reading(reading, posterior, inputs))
    return tuple(readings)


def _posterior(
    own: NDArray[np.float64], shared_std: float, color_std: float, ph_range: tuple[float, float]
) -> PhPosterior:
    """Return what is believed of the pH, from the likelihood of the color had it no shared errors."""
    reach = np.arange(-1.0, 1.0 + _STEP / 2.0, _STEP)
    kernel = np.exp(-0.5 * (reach / math.hypot(shared_std, color_std)) ** 2)
    likelihood = np.convolve(np.pad(own, len(reach) // 2, mode="edge"), kernel, "valid")
    likelihood /= likelihood.max()
    prior = ph_prior(_PH, ph_range)
    probability, of_color = (part * prior / (part * prior).sum() for part in (likelihood, own))
    low, median, high = quantiles(_PH, probability, (0.05, 0.5, 0.95))
    return PhPosterior(
        ph=_PH,
        probability=probability,
        likelihood=likelihood,
        median=median,
        low=low,
        high=high,
        open_below=bool(likelihood[0] > 0.1),
        open_above=bool(likelihood[-1] > 0.1),
        load=0.7,
        misfit=0.5,
        neutral_density=0.05,
        budget={
            BUDGET_PKA: shared_std,
            BUDGET_CAMERA: color_std,
            BUDGET_COLOR: float(np.sqrt(of_color @ (_PH - of_color @ _PH) ** 2)),
        },
    )


def _blue_share(ph: NDArray[np.float64] | float) -> NDArray[np.float64]:
    return np.asarray(1.0 / (1.0 + 10.0 ** (_PKA - np.asarray(ph))))


def _is_on(span: DailySpan, hour: float) -> bool:
    of_day = hour % 24.0
    on, off = span.on.hour + span.on.minute / 60.0, span.off.hour + span.off.minute / 60.0
    return on <= of_day < off if on < off else of_day >= on or of_day < off
