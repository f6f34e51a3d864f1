"""A week of one tank made up for the tests of whatever shows it."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from colorread.log.store import LogEntry
from colorread.result import Interval
from colorread.tank.events import Event
from colorread.tank.results import (
    Advice,
    Change,
    Course,
    DayForecast,
    Estimate,
    Findings,
    Now,
    PhotoPoint,
    Plan,
    PlannedPhoto,
    SourceOutlook,
    TankSummary,
)
from colorread.tank.settings import DailySpan, GasSource, Tank
from colorread.tank.summary import DAILY_PEAK
from colorread.words.gas_care import gas_cautions
from colorread.words.verdict import STANDING_CAUTIONS, judge
from tests.fabricated import made_reading, made_refusal

FIRST = date(2025, 6, 2)
N_DAYS = 7
LIGHTS = DailySpan(on=time(10), off=time(18))
GAS = DailySpan(on=time(8), off=time(18))
EARLIER_GAS = DailySpan(on=time(6, 30), off=time(16, 30))
CANNOT_TELL = "No photo was taken in the dark, so the loss cannot be told from the uptake."
EVENTS = (
    Event(at=datetime(2025, 6, 3, 19, 30), water_change=0.3, text="weekly <b>change</b>"),
    Event(at=datetime(2025, 6, 5, 9, 0), gas_changed=True, bubbles=51.0),
)
PLAN = Plan(
    photos=(
        PlannedPhoto(at=datetime(2025, 6, 9, 13), tells="lag", narrowing=0.06),
        PlannedPhoto(at=datetime(2025, 6, 9, 18), tells="loss", narrowing=0.04),
    ),
    refill_on=date(2025, 6, 20),
    renew_fluid_on=date(2025, 6, 17),
)
NEXT_STEP = "Show the whole card."
HOSTILE = "<script>alert(1)</script>&\"'\u202e.jpg"


def made_week(**changes: Any) -> TankSummary:
    """Return a week with gas that fades: too much at first, too little at last."""
    findings = made_findings()
    summary = TankSummary(
        tank=Tank(
            name="Left tank",
            volume_l=112.0,
            tank_kh_dkh=6.0,
            lights=LIGHTS,
            gas=GAS,
            source=GasSource(kind="fermentation", amount_g=200.0, started=FIRST),
            fluid_renewed=date(2025, 5, 20),
            light="cool-led",
            made_up=True,
        ),
        events=EVENTS,
        n_read=20,
        n_refused=2,
        first_at=findings.course.times[0],
        last_at=findings.course.times[-1] - timedelta(hours=5.7),
        now=Now(
            what=DAILY_PEAK,
            co2_mg_l=_around(20.4),
            verdict=judge(_around(20.4)),
        ),
        days_old=0,
        more=("Gas: the daily peak fell from 30 to 20 mg/L and will be below 15 mg/L in about 4 days.",),
        cautions=(*findings.advice.cautions, *STANDING_CAUTIONS),
        notes=("The KH of the fluid was stated, its error is taken as 2 %.",),
        fluid_advice="The fluid is 19 days old: renew it every four weeks.",
        findings=findings,
        reason="",
        plan=PLAN,
    )
    return replace(summary, **changes)


def made_findings() -> Findings:
    """Return what the course of that week tells."""
    hours, tank_mg_l, vial_mg_l = _follow(GAS, 24 * N_DAYS, fade_per_day=0.08)
    return Findings(
        tank_co2=tuple(
            PhotoPoint(photo=entry.reading.photo, taken_at=entry.reading.taken_at, co2_mg_l=_around(18.0))
            for entry in made_entries()
            if entry.reading.taken_at is not None and entry.reading.co2_mg_l is not None
        ),
        course=Course(
            times=tuple(datetime.combine(FIRST, time()) + timedelta(hours=float(hour)) for hour in hours),
            tank_mg_l=np.outer((0.78, 1.0, 1.28), tank_mg_l),
            vial_mg_l=vial_mg_l,
        ),
        estimates={
            "lights_on_mg_l": Estimate(interval=_around(8.3)),
            "peak_mg_l": Estimate(interval=_around(20.4)),
            "night_low_mg_l": Estimate(interval=_around(2.7)),
            "hours_above_fish_mark": Estimate(interval=Interval(value=0.0, low=0.0, high=1.4)),
            "gas_mg_l_per_hour": Estimate(interval=_around(3.1)),
            "gas_trend_percent_per_day": Estimate(interval=Interval(value=-7.6, low=-10.2, high=-5.1)),
            "loss_per_hour": Estimate(interval=None, reason=CANNOT_TELL),
            "lag_hours": Estimate(interval=Interval(value=1.6, low=0.9, high=2.8)),
            "fades_in_days": Estimate(interval=Interval(value=4.2, low=2.5, high=7.9)),
        },
        source=SourceOutlook(
            total_g=103.0,
            used_g=Interval(value=31.0, low=25.0, high=39.0),
            days_left=Interval(value=16.0, low=12.0, high=21.0),
            fades_on=True,
            sentence="The charge can give 103 g CO2 at most; 31 g went into the water so far.",
        ),
        advice=made_advice(),
        n_unused=1,
        common_std_ph=0.1,
        fitted={
            "loss_per_hour": Interval(value=0.15, low=0.08, high=0.29),
            "lag_hours": Interval(value=1.6, low=0.9, high=2.8),
            "uptake_per_hour_in_the_light": Interval(value=0.021, low=0.008, high=0.04),
            "level_without_gas_mg_l": Interval(value=1.5, low=0.8, high=2.9),
        },
    )


def made_advice() -> Advice:
    """Return advice to start the gas earlier and charge anew."""
    words, next_day = "Run the gas from 06:30 to 16:30 and charge the source anew.", FIRST + timedelta(days=7)
    earlier = Change(gas=EARLIER_GAS, refill_on=next_day)
    return Advice(
        day=next_day,
        today=_forecast("Nothing is changed.", Change(), GAS, 0.7, plants_share=0.31, fish_probability=0.93),
        recommended=_forecast(words, earlier, EARLIER_GAS, 0.9, plants_share=0.84, fish_probability=0.88),
        others=(
            _forecast(
                "Turn the gas up by 20 %.",
                Change(rate_factor=1.2),
                GAS,
                0.84,
                plants_share=0.52,
                fish_probability=0.997,
            ),
        ),
        sentences=(words, "Then wait a day and read again."),
        cautions=(
            "Change one thing at a time and wait a day after each.",
            "Watch the fish for gasping at the surface.",
            *gas_cautions("fermentation"),
        ),
    )


def made_entries() -> tuple[LogEntry, ...]:
    """Return 22 photos of the week with noise: one refused, one without time, one one-sided each way."""
    random = np.random.default_rng(20250602)
    hours, _, vial_mg_l = _follow(GAS, 24 * N_DAYS, fade_per_day=0.08)
    readings = [made_refusal(photo="shots/thumb.jpg", taken_at=_at(FIRST, 9.1), flags=("card-cut-off",))]
    for day in range(N_DAYS):
        for hour in (9.2, 13.5, 18.3):
            value = float(np.interp(24 * day + hour, hours, vial_mg_l) * np.exp(random.normal(0.0, 0.1)))
            interval, limit = Interval(value=value, low=value * 0.72, high=value * 1.4), None
            ph = 6.88 - float(np.log10(value / 18.0))
            ph_interval = Interval(value=ph, low=ph - 0.15, high=ph + 0.14)
            if (day, hour) == (1, 18.3):
                interval, limit = Interval(value=None, low=31.0, high=None), "below"
                ph_interval = Interval(value=None, low=None, high=6.34)
            if (day, hour) == (5, 9.2):
                interval, limit = Interval(value=None, low=None, high=6.5), "above"
                ph_interval = Interval(value=None, low=7.55, high=None)
            readings.append(
                made_reading(
                    photo=HOSTILE if (day, hour) == (2, 13.5) else f"shots/day{day}-{hour:.0f}h.jpg",
                    taken_at=None if (day, hour) == (6, 13.5) else _at(FIRST + timedelta(days=day), hour),
                    ph=ph_interval,
                    co2_mg_l=interval,
                    limit=limit,
                    flags=("glare",) if day == 3 else ("near-dye-limit",) if limit else (),
                )
            )
    return tuple(
        LogEntry(
            sha256=f"{number:064x}",
            tank="Left tank",
            reading=reading,
            scored_at=datetime.fromisoformat("2025-06-09T08:00:00+00:00"),
            software="0.1.0",
            settings_id="settings",
            profile_id=None,
            picture=made_picture() if number % 4 else None,
        )
        for number, reading in enumerate(readings)
    )


def made_month() -> tuple[LogEntry, ...]:
    """Return the photos of that week and the like of three weeks before it, each of which has a time."""
    entries = made_entries()
    timed = [(entry, entry.reading.taken_at) for entry in entries if entry.reading.taken_at is not None]
    earlier = [
        replace(
            entry,
            sha256=f"{weeks:02d}{entry.sha256[2:]}",
            reading=replace(
                entry.reading, photo=f"before-{weeks}-{number}.jpg", taken_at=taken_at - timedelta(weeks=weeks)
            ),
        )
        for weeks in (1, 2, 3)
        for number, (entry, taken_at) in enumerate(timed)
    ]
    return (*entries, *earlier)


def made_picture() -> bytes:
    """Return a small JPEG that looks a little like an evidence picture."""
    image = Image.new("RGB", (360, 480), (214, 214, 214))
    draw = ImageDraw.Draw(image)
    draw.rectangle((40, 40, 320, 260), fill="white", outline="black", width=6)
    draw.ellipse((140, 90, 220, 190), fill=(150, 205, 100), outline="black", width=3)
    draw.rectangle((40, 300, 320, 340), fill=(150, 205, 100))
    file = io.BytesIO()
    image.save(file, "JPEG", quality=80)
    return file.getvalue()


def _at(day: date, hour: float) -> datetime:
    offset = datetime.fromisoformat("2025-01-01T00:00:00+02:00").tzinfo
    return datetime.combine(day, time(), tzinfo=offset) + timedelta(hours=hour)


def _around(value: float) -> Interval:
    return Interval(value=value, low=0.78 * value, high=1.28 * value)


def _follow(
    gas: DailySpan, end_h: float, fade_per_day: float, strength: float = 1.0
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Step tank and vial through time in quarters of an hour."""
    step_h = 0.25
    hours = np.arange(0.0, end_h + step_h / 2, step_h)
    tank, vial = np.full_like(hours, 3.0), np.full_like(hours, 3.5)
    for i, hour in enumerate(hours[:-1]):
        on = (hour % 24 - gas.on_h) % 24 < gas.hours
        rate = 5.2 * strength * np.exp(-fade_per_day * hour / 24) if on else 0.0
        tank[i + 1] = tank[i] + step_h * (rate - 0.15 * (tank[i] - 1.5))
        vial[i + 1] = vial[i] + step_h * (tank[i] - vial[i]) / 1.6
    return hours, tank, vial


def _forecast(
    words: str, change: Change, gas: DailySpan, strength: float, *, plants_share: float, fish_probability: float
) -> DayForecast:
    hours, tank, _ = _follow(gas, 24.0, 0.0, strength)
    return DayForecast(
        change=change,
        words=words,
        co2_mg_l=np.outer((0.75, 1.0, 1.35), tank),
        lights_on_mg_l=_around(float(np.interp(10.0, hours, tank))),
        peak_mg_l=_around(float(tank.max())),
        night_low_mg_l=_around(float(tank.min())),
        hours_above_fish_mark=Interval(value=0.5, low=0.0, high=3.2),
        plants_share=plants_share,
        plants_share_low=0.6 * plants_share,
        plants_share_high=1.1 * plants_share,
        fish_probability=fish_probability,
    )
