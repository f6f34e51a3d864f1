from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import date, timedelta

import numpy as np
import pytest

from calibration.inversion import BUDGET_CAMERA, BUDGET_COLOR
from colorread.chemistry.carbonate import ph_from_co2
from colorread.result import Interval, Reading
from colorread.tank.fit import TankFit, fit_tank, furthest_run, is_steady, steady_fit
from colorread.tank.series import NoCourseError, VialSeries, vial_series, wall_clock
from colorread.tank.settings import GasSource, Tank, parse_span
from tests.fabricated import made_refusal
from tests.tank_simulator import Truth, few_draws, simulated_week

_few_draws = pytest.fixture(few_draws, scope="module", autouse=True)


def quantiles(draws: np.ndarray) -> np.ndarray:
    return np.quantile(draws, (0.05, 0.5, 0.95), axis=0)


def week(*, profile: bool = True) -> Truth:
    return simulated_week(3, profile=profile)


def fitted(truth: Truth) -> TankFit:
    return fit_tank(truth.tank, truth.readings)


@pytest.fixture(scope="module")
def fit() -> TankFit:
    return fitted(week())


def mean_off(fits: Sequence[TankFit]) -> float:
    """How far the furthest runs of readings lie off their course; a steady source may have about 3 by chance."""
    return float(np.mean([abs(furthest_run(fit.series.hours, fit.off).off) for fit in fits]))


# Hours from which on the gas flows with so many times its rate.
@pytest.mark.parametrize(("turned", "off"), [((80.0, 0.0), 7.0), ((80.0, 3.0), 3.8)], ids=["empty", "refilled"])
def test_a_source_that_does_not_stay_the_same_is_seen(turned: tuple[float, float], off: float) -> None:
    fits = [fitted(simulated_week(seed, turned=turned)) for seed in range(4)]
    assert sum(not is_steady(fit) for fit in fits) >= 4
    assert mean_off(fits) > off


def test_hours_of_the_gas_that_were_stated_wrong_are_seen() -> None:
    fits = []
    for seed in range(4):
        week = simulated_week(seed)
        on, off = ((week.tank.gas.on_h + hours) % 24.0 for hours in (3.0, week.tank.gas.hours + 3.0))
        fits.append(fit_tank(replace(week.tank, gas=parse_span(f"{on:02.0f}:00-{off:02.0f}:00")), week.readings))
    assert sum(not is_steady(fit) for fit in fits) >= 2
    assert mean_off(fits) > 3.3


def test_photos_after_a_stated_charge_are_fitted_by_themselves() -> None:
    # The gas was as good as gone until the evening of the third day.
    week = simulated_week(3, turned=(66.0, 20.0), level_mg_l=(1.5, 1.6))
    assert not is_steady(fit_tank(week.tank, week.readings))
    charged = replace(week.tank, source=GasSource(kind="cylinder", started=date(2026, 3, 4)))
    after = week.hours >= 72.0
    tank = quantiles(steady_fit(charged, week.readings)[0].course(week.hours[after] - 72.0)[0])
    assert np.mean((tank[0] <= week.tank_mg_l[after]) & (week.tank_mg_l[after] <= tank[2])) >= 0.8


def test_of_a_source_that_changed_the_days_after_it_are_fitted() -> None:
    week = simulated_week(0, turned=(80.0, 0.0), days=8)
    fit, note = steady_fit(week.tank, week.readings)
    assert "Only photos from March 6 on count." in note
    assert quantiles(fit.course(week.hours[week.hours >= 96.0] - 96.0)[0])[2].max() < 5.0


def test_too_few_days_after_a_change_tell_nothing() -> None:
    week = simulated_week(0, turned=(126.0, 0.0))
    with pytest.raises(NoCourseError, match="lower than one steady gas source allows, so the tank cannot be followed"):
        steady_fit(week.tank, week.readings)


def test_a_run_by_the_hour_of_the_day_may_pass_midnight() -> None:
    hours = np.array([1.0, 12.0, 23.0, 25.0, 36.0, 47.0, 49.0, 60.0, 71.0])
    run = furthest_run(hours, np.where(hours % 24.0 == 12.0, -0.5, 2.0))
    assert run.by_hour_of_day
    assert {hours[run.first] % 24.0, hours[run.last] % 24.0} == {23.0, 1.0}
    assert run.off == pytest.approx(2.0 * np.sqrt(6.0))


def test_what_one_reading_believes_beforehand_does_not_count_once_a_photo() -> None:
    # Usual tanks have 5 to 60 mg/L: at a KH of 1 every reading of less is drawn up.
    drawn_up = []
    for seed in (3, 4):
        starved = simulated_week(seed, kh_dkh=1.0, level_mg_l=(1.0, 1.5), profile=False)
        with_it = [replace(reading, photo_ph=None) for reading in starved.readings]
        by_likelihood, by_posterior = (
            np.median(fit_tank(starved.tank, readings).course(starved.hours)[1])
            for readings in (starved.readings, with_it)
        )
        drawn_up.append(by_posterior / by_likelihood)
    assert min(drawn_up) > 1.07


def test_right_readings_are_not_moved_by_the_shared_error() -> None:
    # Right readings but for three of clipped photos, 0.2 too acid and with intervals as wide as that.
    truth = week()
    exact = []
    for i, (reading, vial) in enumerate(zip(truth.readings, truth.vial_mg_l, strict=True)):
        if reading.status == "refused" or reading.photo_ph is None or None in asdict(reading.photo_ph).values():
            continue
        too_acid, half, color = (0.2, 0.4, 0.2) if i in (3, 9, 15) else (0.0, 0.12, 0.02)
        ph = float(ph_from_co2(vial, 4.0)) - too_acid
        of_photo = Interval(value=ph, low=ph - half, high=ph + half)
        exact.append(replace(reading, photo_ph=of_photo, budget={**reading.budget, BUDGET_COLOR: color}))
    assert np.median(np.abs(np.log(median_tank(truth, exact) / truth.tank_mg_l))) < 0.08


def test_clipped_and_glaring_readings_weigh_less(fit: TankFit) -> None:
    truth, exact = week(), np.median(fit.course(week().hours)[0], axis=0)
    read = [i for i, reading in enumerate(truth.readings) if reading.status == "read"]

    def off_by(*flags: str) -> float:
        readings = list(truth.readings)
        for i in read[1::6]:
            readings[i] = replace(more_acid(readings[i], 0.2), flags=flags)
        return float(np.median(np.abs(np.log(median_tank(truth, readings) / exact))))

    assert off_by("clipped") < 0.8 * off_by()


def test_neither_order_nor_refused_or_timeless_photos_matter(fit: TankFit) -> None:
    truth = week()
    more = [made_refusal(photo="no.jpg"), *truth.readings[::-1]]
    more.append(replace(first_read(truth), taken_at=None, photo="timeless.jpg"))
    again = fit_tank(truth.tank, more).parameters
    np.testing.assert_array_equal(fit.parameters.lag_h, again.lag_h)
    np.testing.assert_array_equal(fit.parameters.loss_per_h, again.loss_per_h)


def first_read(truth: Truth) -> Reading:
    return next(reading for reading in truth.readings if reading.status == "read")


def more_acid(reading: Reading, by: float) -> Reading:
    ends = asdict(reading.photo_ph or reading.ph)
    return replace(reading, photo_ph=Interval(**{name: end and end - by for name, end in ends.items()}))


def median_tank(truth: Truth, readings: Sequence[Reading]) -> np.ndarray:
    return np.median(fit_tank(truth.tank, readings).course(truth.hours)[0], axis=0)


def test_a_shared_error_is_not_averaged_away_by_more_photos() -> None:
    # Four photos at each time: their own noise shrinks, the error of dye and phone that all share does not.
    truth = week(profile=False)
    many = [
        replace(reading, photo=f"{i}-{reading.photo}", taken_at=reading.taken_at + timedelta(seconds=i))
        for reading in truth.readings
        for i in range(4)
        if reading.taken_at is not None
    ]
    low, _, high = quantiles(fit_tank(truth.tank, many).course(truth.hours)[0])
    shared_ln = 0.10 * np.log(10.0)
    assert np.median(np.log(high / low)) > 1.2 * 1.645 * shared_ln


def test_a_single_wrong_reading_hardly_moves_the_course(fit: TankFit) -> None:
    truth, readings = week(), list(week().readings)
    place = next(i for i, reading in enumerate(readings) if i > 8 and reading.status == "read")
    readings[place] = more_acid(readings[place], 1.0)
    before = np.median(fit.course(truth.hours)[0], axis=0)
    assert np.max(np.abs(np.log(median_tank(truth, readings) / before))) < 0.25


def test_one_sided_readings_push_only_from_their_side() -> None:
    truth = week()
    place = int(np.argmax(truth.tank_mg_l))
    high = truth.vial_mg_l > 0.7 * truth.vial_mg_l.max()

    def median_with(share: float) -> float:
        readings = [
            more_than(share * vial, reading) if is_high and reading.status == "read" else reading
            for reading, vial, is_high in zip(truth.readings, truth.vial_mg_l, high, strict=True)
        ]
        return float(np.median(fit_tank(truth.tank, readings).course(truth.hours[place : place + 1])[0]))

    modest, low, far = (median_with(share) for share in (0.1, 0.3, 1.2))
    assert modest == pytest.approx(low, rel=0.03)  # as well as a thousand draws tell a median
    assert far > 1.2 * modest


def test_one_sided_readings_that_say_nothing_change_nothing(fit: TankFit) -> None:
    truth = week()
    idle = [more_than(0.01, reading) for reading in truth.readings if reading.status == "read"]
    more = fit_tank(truth.tank, [*truth.readings, *idle])
    alone, with_idle = (quantiles(of.course(truth.hours)[0]) for of in (fit, more))
    widths = np.log(with_idle[2] / with_idle[0]) / np.log(alone[2] / alone[0])
    assert np.median(widths) == pytest.approx(1.0, abs=0.1)


def more_than(low_mg_l: float, reading: Reading) -> Reading:
    """Return a reading of yellow fluid: all more CO2 than this is as likely."""
    ph = float(ph_from_co2(low_mg_l, 4.0))
    return replace(
        reading,
        limit="below",
        ph=Interval(value=None, low=None, high=ph),
        photo_ph=Interval(value=ph, low=None, high=ph + 0.1),
        co2_mg_l=Interval(value=None, low=low_mg_l, high=None),
    )


def test_a_new_charge_begins_a_new_series() -> None:
    truth = week()
    days = sorted({reading.taken_at.date() for reading in truth.readings if reading.taken_at is not None})

    def series(started: date) -> VialSeries:
        return vial_series(replace(truth.tank, source=GasSource(kind="fermentation", started=started)), truth.readings)

    # Of the day of the charge no one knows which photos came before it.
    assert series(days[3]).midnight.date() == days[4]
    assert all(wall_clock(reading.taken_at).date() >= days[4] for reading in series(days[3]).readings)
    # The first charge of all has nothing before it, and one in the future is not taken for the present one.
    assert series(days[0]).midnight.date() == days[0]
    assert len(series(date(2030, 1, 1)).readings) == len(vial_series(truth.tank, truth.readings).readings)


def test_says_what_is_missing_instead_of_inventing() -> None:
    truth, first = week(), first_read(week())
    read = [reading for reading in truth.readings if reading.status == "read"]
    burst = [replace(first, photo=f"{i}.jpg", taken_at=first.taken_at + timedelta(minutes=10 * i)) for i in range(10)]
    for tank, readings, words in (
        (Tank(name="unknown"), read, "gas hours"),
        (truth.tank, read[:4], "4 usable readings"),
        (truth.tank, burst, "span"),
        (truth.tank, [], "No usable readings"),
    ):
        with pytest.raises(NoCourseError, match=words):
            fit_tank(tank, readings)


def test_readings_with_a_profile_may_share_an_error_of_the_color_that_it_does_not_tell() -> None:
    sure = [replace(reading, budget=reading.budget | {BUDGET_CAMERA: 0.005}) for reading in week().readings]
    assert vial_series(week().tank, sure).color_std.min() == pytest.approx(0.03 * np.log(10.0))
