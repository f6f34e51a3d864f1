from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from io import BytesIO, StringIO, TextIOWrapper
from typing import get_args

import numpy as np
import pytest
from rich.console import Console

from calibration.inversion import BUDGET_CAMERA, BUDGET_COLOR, BUDGET_PKA
from colorread.cli.show_tank import print_tank_summary
from colorread.gas_care import SourceKind, gas_cautions, less_gas
from colorread.reading import BUDGET_KH, Interval
from colorread.tank.advice import FISH_PROBABILITY, advise
from colorread.tank.day_words import charge_words, fading_words, share_words
from colorread.tank.fit import fit_tank
from colorread.tank.forecast import HOURS, day_start, forecast
from colorread.tank.gas_source import CO2_PER_CITRIC_ACID, USUAL_YIELD
from colorread.tank.headline import headline
from colorread.tank.notes import fluid_advice
from colorread.tank.results import Change, Estimate, EstimateName, SourceOutlook, TankSummary, Told
from colorread.tank.series import is_of_the_future
from colorread.tank.settings import GasSource, Tank, parse_span
from colorread.tank.summary import summarize
from colorread.tank.summary_json import summary_to_dict
from colorread.tank.words import fitted_rows, number_rows
from colorread.verdict import ACT_CAUTIONS, STANDING_CAUTIONS, WATCH_CAUTIONS, Marks, judge
from tests.fabricated import made_reading, made_refusal
from tests.fabricated_week import made_told
from tests.tank_simulator import START, Truth, simulated_week

CALM = judge(Interval(value=12.0, low=8.0, high=17.0))  # the last reading where it calls for nothing


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulated_week(10)


@pytest.fixture(scope="module")
def summary(truth: Truth) -> TankSummary:
    tank = replace(
        truth.tank,
        source=GasSource(kind="fermentation", amount_g=200.0, started=date(2026, 3, 1)),
        fluid_renewed=date(2026, 1, 5),
    )
    return summarize(tank, truth.readings)


def source_of(tank: Tank, truth: Truth) -> SourceOutlook:
    told = summarize(tank, truth.readings).told
    assert told is not None
    assert told.source is not None
    return told.source


def with_estimates(told: Told, **intervals: Interval) -> Told:
    changed = {name: Estimate(interval=interval) for name, interval in intervals.items()}
    return replace(told, estimates={**told.estimates, **changed})


def text_of(summary: TankSummary) -> str:
    stream = StringIO()
    print_tank_summary(Console(file=stream, width=120, highlight=False), summary)
    return stream.getvalue()


def test_the_tank_is_told_at_every_photo_that_was_read(truth: Truth, summary: TankSummary) -> None:
    read = [reading for reading in truth.readings if reading.status == "read"]
    assert [point.photo for point in summary.tank_co2] == [reading.photo for reading in read]
    at_photo = {f"{hour:.2f}.jpg": value for hour, value in zip(truth.hours, truth.tank_mg_l, strict=True)}
    errors = [
        abs(point.co2_mg_l.value / at_photo[point.photo] - 1.0) for point in summary.tank_co2 if point.co2_mg_l.value
    ]
    assert np.median(errors) < 0.2
    assert summary.n_read + summary.n_refused == len(truth.readings)


def test_the_course_runs_a_day_beyond_the_last_photo(summary: TankSummary) -> None:
    assert summary.told is not None
    course = summary.told.course
    assert summary.last_at is not None
    assert timedelta(hours=23) <= course.times[-1] - summary.last_at <= timedelta(hours=25)
    assert np.all(course.tank_low_mg_l <= course.tank_mg_l)
    assert np.all(course.tank_mg_l <= course.tank_high_mg_l)


def test_a_lag_is_told_only_where_the_photos_tell_it() -> None:
    told = []
    for seed in range(20):
        week = simulated_week(seed, often=seed >= 4)
        lag = summarize(week.tank, week.readings).estimate("lag_hours")
        if lag.interval is None:
            # Or the week is one of the few that are taken for others.
            assert "do not tell" in lag.reason or "one steady gas source" in lag.reason
            continue
        assert lag.interval.value is not None
        told.append(abs(np.log(lag.interval.value / week.lag_h)) <= np.log(1.5))
    assert 3 <= len(told) < 20
    assert np.mean(told) >= 0.85


def test_a_clock_years_ahead_does_not_hide_the_week(truth: Truth, summary: TankSummary) -> None:
    ahead = made_reading(taken_at=START + timedelta(days=3700))
    after = summarize(truth.tank, [*truth.readings, ahead], now=(START + timedelta(days=8)).replace(tzinfo=None))
    assert after.tank_co2 == summarize(truth.tank, truth.readings).tank_co2
    assert after.told is not None
    assert summary.told is not None
    assert after.told.n_unused == summary.told.n_unused + 1
    assert "a time that has not come yet" in after.notes[0]


def test_a_photo_is_of_the_future_only_where_no_part_of_the_world_has_its_time() -> None:
    now = datetime(2026, 3, 8, 12, 0)
    for hours, is_ahead in ((-1000.0, False), (0.0, False), (23.9, False), (24.1, True)):
        assert is_of_the_future(made_reading(taken_at=now + timedelta(hours=hours)), now) == is_ahead
    assert not is_of_the_future(made_reading(taken_at=None), now)


def test_what_is_still_to_come_is_not_told_as_past(truth: Truth) -> None:
    def headline_after(ends: Callable[[int], bool]) -> str:
        hours = [reading.taken_at.hour for reading in truth.readings if reading.taken_at is not None]
        last = max(i for i, hour in enumerate(hours) if ends(hour) and truth.readings[i].status == "read")
        return summarize(truth.tank, truth.readings[: last + 1]).headline[0]

    assert truth.tank.lights is not None
    assert truth.tank.gas is not None
    lights_on, gas_off = truth.tank.lights.on.hour, truth.tank.gas.off.hour
    assert "the tank is expected to peak at" in headline_after(lambda hour: hour < lights_on)
    assert "the tank peaked at" in headline_after(lambda hour: hour >= gas_off)


def test_a_lamp_that_never_goes_off_has_no_night(truth: Truth) -> None:
    always = replace(truth.tank, lights=parse_span("00:00-24:00"))
    assert summarize(always, truth.readings).estimate("night_low_mg_l").reason == "The lamp is on day and night."


def test_photos_at_one_hour_only_tell_neither_lag_nor_loss(truth: Truth) -> None:
    at_noon = [
        made_reading(
            photo=f"{day}.jpg",
            taken_at=datetime(2026, 3, 2 + day, 12, 0, tzinfo=UTC),
            budget={BUDGET_PKA: 0.05, BUDGET_CAMERA: 0.03, BUDGET_COLOR: 0.05, BUDGET_KH: 0.02},
        )
        for day in range(9)
    ]
    summary = summarize(truth.tank, at_noon)
    assert summary.estimate("lag_hours").interval is None
    assert summary.estimate("loss_per_hour").interval is None
    assert any("same hours" in note for note in summary.notes)


def test_too_few_readings_give_reasons_and_no_numbers(truth: Truth) -> None:
    few = summarize(truth.tank, [made_reading(), made_refusal()])
    assert few.tank_co2 == ()
    assert few.told is None
    for name in get_args(EstimateName):
        assert few.estimate(name).interval is None
        assert "usable reading" in few.estimate(name).reason
    assert few.n_read == few.n_refused == 1
    assert any(sentence.startswith("Fish:") for sentence in few.headline)


def test_no_reading_at_all_is_said(truth: Truth) -> None:
    assert "usable reading" in summarize(truth.tank, []).headline[-1]


def test_where_the_gas_ran_out_nothing_is_told_of_a_gas_that_flows() -> None:
    week = simulated_week(0, turned=(126.0, 0.0))
    summary = summarize(week.tank, week.readings)
    assert summary.told is None
    assert summary.estimate("gas_mg_l_per_hour").interval is None
    assert summary.headline[0].startswith("Fish: ")
    assert "Told by the highest reading of the two days up to the last photo" in text_of(summary)
    assert "Has the gas run out" in text_of(summary)


def test_photos_from_before_the_gas_ran_out_do_not_count() -> None:
    week = simulated_week(0, turned=(80.0, 0.0), days=8)
    summary = summarize(week.tank, week.readings)
    assert summary.estimate("peak_mg_l").interval is not None
    assert summary.estimate("peak_mg_l").interval.high is not None
    assert summary.estimate("peak_mg_l").interval.high < 5.0
    assert summary.told is not None
    assert f"{summary.told.n_unused} photos from before the readings took a lower course" in " ".join(summary.notes)
    assert "only the photos from" in summary.headline[-2]


def test_a_lean_tank_whose_gas_was_turned_up_is_not_told_that_it_may_have_run_out() -> None:
    week = simulated_week(2, level_mg_l=(8.0, 10.0), turned=(80.0, 2.5), days=8)
    summary = summarize(week.tank, week.readings)
    assert summary.told is not None
    assert "photos from before the readings took another course" in " ".join(summary.notes)
    assert "Check the gas source" not in text_of(summary)


def test_a_peak_below_the_range_is_below_it_whatever_the_trend() -> None:
    week = simulated_week(0, turned=(80.0, 0.0), days=8)
    summary = summarize(week.tank, week.readings)
    assert summary.estimate("gas_trend_percent_per_day").interval is None
    assert summary.estimate("fades_in_days").interval == Interval(value=0.0, low=0.0, high=0.0)


@pytest.mark.parametrize("kind", ["cylinder", "fermentation"])
def test_where_the_gas_ran_out_its_source_is_to_be_checked_and_not_turned_up(kind: SourceKind) -> None:
    week = simulated_week(0, turned=(80.0, 0.0), days=8)
    tank = replace(week.tank, source=GasSource(kind=kind, amount_g=500.0, started=START.date()))
    summary = summarize(tank, week.readings)
    told = summary.told
    assert told is not None
    assert told.source is None
    assert told.advice.recommended is None
    assert told.advice.others == ()
    assert told.advice.sentences[0].startswith("Check the gas source first: is it empty or closed, or a hose blocked?")
    assert ("Close the valve of a cylinder" in told.advice.sentences[0]) == (kind == "cylinder")
    assert "times the present gas" not in text_of(summary)


def test_an_old_fluid_is_told_to_be_renewed(summary: TankSummary) -> None:
    assert "renew it" in summary.fluid_advice


def test_one_week_is_no_weeks() -> None:
    tank = Tank(name="desk", fluid_renewed=date(2026, 3, 1))
    assert "was 1 week old at" in fluid_advice(tank, date(2026, 3, 8))
    assert "was 2 weeks old at" in fluid_advice(tank, date(2026, 3, 15))


def test_photos_that_the_course_leaves_out_are_told_with_the_reason(truth: Truth) -> None:
    charged = replace(truth.tank, source=GasSource(kind="fermentation", started=date(2026, 3, 4)))
    old = [made_reading(taken_at=START - timedelta(days=day)) for day in (20, 21)]
    told = summarize(charged, [*truth.readings, *old, made_reading(taken_at=None)])
    assert told.told is not None
    before = told.told.n_unused - 3
    assert before > 1
    assert (
        told.notes.count(
            f"Not used for the course: {before} photos from before the present charge of the gas source was at work, 2 "
            "photos from more than 14 days before the last, 1 photo without a time."
        )
        == 1
    )
    assert not any("Not used" in note for note in summarize(truth.tank, truth.readings).notes)


def test_a_reading_that_does_not_say_where_its_error_is_from_does_not_count(truth: Truth) -> None:
    first, second, *others = (reading for reading in truth.readings if reading.status == "read")
    bare = [
        replace(first, budget={name.title(): std for name, std in first.budget.items()}),
        replace(second, budget={**second.budget, BUDGET_PKA: float("nan")}),  # as the log tells a number that is lost
    ]
    told = summarize(truth.tank, [*bare, *others])
    assert told.tank_co2 == summarize(truth.tank, others).tank_co2
    assert "Not used for the course: 2 photos that do not say where their error is from." in told.notes
    none = summarize(truth.tank, [replace(reading, budget={}) for reading in others])
    assert none.told is None
    assert f"; {len(others)} more do not say where their error is from; the tank's course needs 6" in none.reason


def test_a_span_just_short_of_what_is_needed_is_not_told_as_enough() -> None:
    hours = (0.0, 5.0, 10.0, 15.0, 20.0, 35.8)
    readings = [made_reading(taken_at=START + timedelta(hours=hour)) for hour in hours]
    tank = Tank(name="desk", gas=parse_span("08:00-18:00"))
    assert "The readings span 35 hours; the tank's course needs 36" in " ".join(summarize(tank, readings).headline)


def test_the_share_of_the_light_is_told_with_its_interval(summary: TankSummary) -> None:
    assert summary.told is not None
    words = share_words(summary.told.advice.today)
    assert f"for {words} of the light" in summary.headline[1]
    assert f"{words} of the light" in summary.told.advice.sentences[1]
    day = summary_to_dict(summary)["advice"]["today"]
    assert day["plants_share_low"] <= day["plants_share"] <= day["plants_share_high"]
    assert day["plants_share_low"] < day["plants_share_high"]


@pytest.mark.parametrize(("started", "reckoned"), [(date(2026, 2, 20), True), (date(2026, 3, 2), False)])
def test_what_went_before_the_first_photo_is_told_to_be_reckoned(
    truth: Truth, started: date, *, reckoned: bool
) -> None:
    tank = replace(truth.tank, source=GasSource(kind="cylinder", amount_g=500.0, started=started))
    told = " went into the water so far, reckoned back from 2 March, the day of the first photo that counts. "
    assert (told in source_of(tank, truth).sentence) == reckoned


@pytest.mark.parametrize(
    ("fades", "peak_high", "words"),
    [(0.0, 14.0, "is below"), (0.0, 15.4, "may be below"), (14.0, 14.0, "may be below")],
)
def test_that_the_peak_has_fallen_below_is_told_only_where_it_is_sure(
    summary: TankSummary, fades: float, peak_high: float, words: str
) -> None:
    assert summary.told is not None
    told = with_estimates(
        summary.told,
        peak_mg_l=Interval(value=13.0, low=11.0, high=peak_high),
        gas_trend_percent_per_day=Interval(value=-5.0, low=-7.0, high=-3.0),
        fades_in_days=Interval(value=min(fades, 0.04), low=0.0, high=fades),
    )
    assert f"The daily peak {words} 15 mg/L already." in headline(summary.tank, told, CALM)[2]


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ((0.0, 0.0, 0.0), "below it already"),
        ((0.0, 0.0, 14.0), "perhaps below it already (up to 14 days)"),
        ((0.0, 0.0, None), "perhaps below it already (or much later)"),
        ((4.2, 2.5, 7.9), "4.2 (2.5 to 7.9) days"),
    ],
)
def test_no_days_are_told_in_words(days: tuple[float, float, float | None], words: str) -> None:
    value, low, high = days
    assert fading_words(Interval(value=value, low=low, high=high)).short() == words


@pytest.mark.parametrize(("low", "words"), [(0.0, "never (or used up already)"), (20.0, "never (20 days or more)")])
def test_a_charge_that_is_never_used_up_is_told_in_words(low: float, words: str) -> None:
    assert charge_words(Interval(value=None, low=low, high=None)).short() == words
    assert charge_words(Interval(value=0.0, low=0.0, high=5.0)).short() == "perhaps used up already (up to 5.0 days)"


@pytest.mark.parametrize("gas", ["00:00-24:00", "08:00-18:00"])
def test_with_gas_day_and_night_hours_without_are_asked_for(gas: str) -> None:
    readings = [
        made_reading(
            photo=f"{day}.jpg",
            taken_at=datetime(2026, 3, 2 + day, 12, 0, tzinfo=UTC),
            budget={BUDGET_PKA: 0.05, BUDGET_CAMERA: 0.03, BUDGET_COLOR: 0.05, BUDGET_KH: 0.02},
        )
        for day in range(9)
    ]
    summary = summarize(Tank(name="desk", gas=parse_span(gas), lights=parse_span("10:00-18:00")), readings)
    for name in ("loss_per_hour", "lag_hours"):
        reason = summary.estimate(name).reason
        assert ("leave the tank without gas for some hours" in reason) == (gas == "00:00-24:00")
        assert ("gas goes o" in reason) != (gas == "00:00-24:00")


def test_a_charge_is_spoken_of_only_where_one_is_stated(truth: Truth) -> None:
    words = "up to the last photo and the present charge"
    for started in (None, date(2026, 3, 1)):
        tank = replace(truth.tank, source=GasSource(kind="fermentation", started=started))
        assert (words in summarize(tank, truth.readings[:3]).reason) == (started is not None)


def test_the_hours_of_yeast_need_not_be_stated(truth: Truth) -> None:
    def of(kind: SourceKind) -> TankSummary:
        return summarize(replace(truth.tank, gas=None, source=GasSource(kind=kind)), truth.readings)

    stated = replace(truth.tank, gas=parse_span("00:00-24:00"), source=GasSource(kind="fermentation"))
    assumed_words = "assumed hours of gas (day and night) and the stated ones of the lamp"
    assert [words.replace(assumed_words, "stated hours of gas and lamp") for words in of("fermentation").headline] == [
        *summarize(stated, truth.readings).headline
    ]
    assert assumed_words in of("fermentation").reason
    assert "stated" not in summarize(replace(of("fermentation").tank, lights=None), truth.readings).reason
    for kind in ("cylinder", "acid-bicarbonate"):
        assert "settings of the tank (colorread tank edit NAME --gas HH:MM-HH:MM)." in of(kind).reason


def test_without_a_calibration_the_way_to_one_is_told(truth: Truth) -> None:
    notes = " ".join(summarize(truth.tank, truth.readings).notes)
    assert "a calibration narrows them (colorread calibrate ends --how, or Calibrate on the page)." in notes


def test_what_yeast_makes_by_night_is_told_as_lost(truth: Truth) -> None:
    def sentence(kind: SourceKind) -> str:
        tank = replace(truth.tank, source=GasSource(kind=kind, amount_g=200.0, started=date(2026, 3, 2)))
        source = source_of(tank, truth)
        return source.sentence

    assert truth.tank.gas is not None
    assert f"so only {truth.tank.gas.hours / 24.0 * 100.0:.0f} % of that counts" in sentence("fermentation")
    assert "never rests" not in sentence("acid-bicarbonate")


def test_a_charge_smaller_than_what_was_seen_to_flow_lasts_no_number_of_days(truth: Truth) -> None:
    tank = replace(truth.tank, source=GasSource(kind="fermentation", amount_g=10.0, started=date(2026, 3, 2)))
    source = source_of(tank, truth)
    assert source.days_left is None
    assert "would be used up already" in source.sentence


def test_the_charge_is_held_against_its_chemistry(summary: TankSummary) -> None:
    assert summary.told is not None
    assert summary.told.source is not None
    assert summary.told.source.total_g == pytest.approx(102.9, abs=0.1)  # 200 g of sucrose at 0.5143 g CO2 per g
    assert summary.told.source.used_g.high is not None
    assert summary.told.source.used_g.high > 0.0


def true_used_g(truth: Truth) -> float:
    hours = np.arange(0.0, truth.hours[-1], 0.1)
    assert truth.tank.gas is not None
    on = (hours - truth.tank.gas.on_h) % 24.0 < truth.tank.gas.hours
    return float((truth.gas_mg_l_h * (1.0 - truth.fall_per_day) ** (hours / 24.0) * on).sum() * 0.1 * 60.0 / 1000.0)


def test_the_used_gas_is_that_of_the_simulator(truth: Truth) -> None:
    charged = replace(truth.tank, source=GasSource(kind="fermentation", amount_g=200.0, started=date(2026, 3, 2)))
    source = source_of(charged, truth)
    assert source.used_g.low is not None
    assert source.used_g.high is not None
    assert source.used_g.low <= true_used_g(truth) <= source.used_g.high


def test_a_bottle_lasts_as_long_as_its_usual_yield_allows() -> None:
    truth = simulated_week(10, fall_per_day=(-0.01, -0.009))  # fading, it might never be used up
    # 60 to 90 % of the theory reaches the water (common practice, no source), and of that only what is made while the
    # gas is led there: the truth for both ends of that range.
    charged = replace(truth.tank, source=GasSource(kind="fermentation", amount_g=200.0, started=date(2026, 3, 2)))
    assert charged.gas is not None
    total_g, age_days = 102.9 * charged.gas.hours / 24.0, truth.hours[-1] / 24.0
    rate_g_per_day = truth.gas_mg_l_h * (1.0 - truth.fall_per_day) ** age_days * 60.0 / 1000.0
    source = source_of(charged, truth)
    assert source.days_left is not None
    worst, best = (
        (share * total_g - true_used_g(truth)) / (rate_g_per_day * charged.gas.hours) for share in (0.6, 0.9)
    )
    low, value, high = source.days_left.low, source.days_left.value, source.days_left.high
    assert low is not None
    assert value is not None
    assert high is not None
    assert not source.fades_on
    assert low <= worst + 0.1 * (best - worst)
    assert worst < value < best
    assert high >= best - 0.1 * (best - worst)


@pytest.mark.parametrize(("amount_g", "ends"), [(90.0, True), (800.0, False)])
def test_a_charge_is_held_against_the_fading(amount_g: float, *, ends: bool) -> None:
    week = simulated_week(10, fall_per_day=(0.05, 0.051))
    tank = replace(week.tank, source=GasSource(kind="acid-bicarbonate", amount_g=amount_g, started=date(2026, 3, 2)))
    assert week.tank.gas is not None
    into_water_g = amount_g * CO2_PER_CITRIC_ACID * np.mean(USUAL_YIELD)
    fall = -np.log(1.0 - week.fall_per_day)
    now_g = week.gas_mg_l_h * (1.0 - week.fall_per_day) ** (week.hours[-1] / 24.0) * week.tank.gas.hours * 0.06
    gone = (into_water_g - true_used_g(week)) * fall / now_g  # of all that would ever come
    source = source_of(tank, week)
    assert source.fades_on
    assert source.days_left is not None
    assert (gone < 1.0) == ends
    assert (source.days_left.value is not None) == ends
    if ends:
        assert source.days_left.low is not None
        assert source.days_left.low < -np.log(1.0 - gone) / fall < (source.days_left.high or np.inf)
    row = number_rows(summarize(tank, week.readings))[-1]
    assert row.label.startswith("Until the charge is used up, fading on like that")
    assert row.number is not None
    assert (row.number.value == "never") == (not ends)
    assert "3650" not in row.number.short()
    # A cylinder that loses gas may leak: nothing is carried on.
    cylinder = replace(tank, source=GasSource(kind="cylinder", amount_g=amount_g, started=date(2026, 3, 2)))
    assert not source_of(cylinder, week).fades_on


@pytest.mark.parametrize(("amount_g", "fits"), [(20.0, False), (30.0, True)])
def test_no_more_than_the_charge_holds_went_into_the_water_or_it_is_said(amount_g: float, *, fits: bool) -> None:
    week = simulated_week(10, fall_per_day=(0.0, 0.001))
    source = source_of(
        replace(week.tank, source=GasSource(kind="cylinder", amount_g=amount_g, started=date(2026, 3, 2))), week
    )
    # Where what is stated cannot be, the fitted number stands, which shows it.
    assert source.used_g.high is not None
    assert (source.used_g.high == amount_g) == fits
    assert ("its amount, day or hours are not as stated" in source.sentence) != fits


def test_the_days_of_fading_count_from_the_last_reading() -> None:
    week = simulated_week(10, level_mg_l=(60.0, 61.0))
    assert week.hours[-1] % 24.0 > 20.0
    days = summarize(week.tank, week.readings).estimate("fades_in_days").interval
    assert days is not None
    assert days.value is not None
    fit = fit_tank(week.tank, week.readings)
    then = fit.last_at + timedelta(days=days.value)
    peak = forecast(day_start(fit, Marks(), then), Change(), "").peak_mg_l.value
    assert peak == pytest.approx(15.0, rel=0.02)  # the plants' lower mark


def test_json_holds_what_programs_ask_for(summary: TankSummary) -> None:
    data = json.loads(json.dumps(summary_to_dict(summary), allow_nan=False))
    assert data["schema"] == "colorread.summary/1"
    assert set(data["tank_co2"][0]) == {"photo", "taken_at", "value", "low", "high"}
    for name in ("gas_trend_percent_per_day", "lag_hours", "loss_per_hour"):
        assert data[name] is None or set(data[name]) == {"value", "low", "high"}
        assert (data[name] is None) == (name in data["cannot_tell"])


def test_all_that_is_fitted_has_its_label_and_unit(summary: TankSummary) -> None:
    assert summary.told is not None
    assert len(fitted_rows(summary.told)) == len(summary.told.fitted)
    assert made_told().fitted.keys() == summary.told.fitted.keys()


def test_the_terminal_says_it_in_words(summary: TankSummary) -> None:
    text = text_of(summary)
    for words in ("Fish:", "Plants:", "Gas:", "What to change", "Caution:", "Lag of the vial"):
        assert words in text
    assert " safe" not in text.lower()


def test_a_terminal_without_unicode_gets_plain_letters(summary: TankSummary) -> None:
    stream = TextIOWrapper(BytesIO(), encoding="ascii")
    print_tank_summary(Console(file=stream, width=100), summary)
    stream.seek(0)
    assert "What to change" in stream.read()


def test_a_high_reading_brings_its_cautions_even_without_a_course(truth: Truth) -> None:
    high = made_reading(co2_mg_l=Interval(value=40.0, low=30.0, high=55.0), verdict=None)
    few = summarize(truth.tank, [high])
    assert few.told is None
    assert few.headline[0].startswith("Fish: 40 (30 to 55) mg/L in the vial: the CO2 may be as high as 55 mg/L.")
    assert any("gasping" in caution for caution in few.cautions)
    assert few.cautions[-3:] == gas_cautions(None)
    assert "Caution: Look at the fish" in text_of(few)
    assert summary_to_dict(few)["cautions"] == list(few.cautions)


def test_the_last_reading_is_judged_by_the_marks_of_now(truth: Truth) -> None:
    kept = made_reading(co2_mg_l=Interval(value=18.0, low=14.0, high=22.0))
    assert kept.verdict is not None
    assert kept.verdict.fish == "no concern read"
    lowered = summarize(replace(truth.tank, marks=Marks(fish_mg_l=10.0)), [kept])
    assert "the CO2 may be as high as 22 mg/L" in lowered.headline[0]
    assert any("gasping" in caution for caution in lowered.cautions)


def test_without_any_reading_there_is_all_of_it_to_watch() -> None:
    tank = Tank(name="desk", source=GasSource(kind="cylinder"))
    watch = (*WATCH_CAUTIONS, *ACT_CAUTIONS, *STANDING_CAUTIONS, *gas_cautions("cylinder"))
    for readings in ([], [made_refusal()], [made_reading(taken_at=None)]):
        assert summarize(tank, readings).cautions == watch


def test_what_the_advice_says_is_not_said_again_beside_it(summary: TankSummary) -> None:
    assert summary.told is not None
    said = summary.told.advice.cautions
    assert summary.cautions_with("One.", said[0], "Two.", "One.") == (*STANDING_CAUTIONS, "One.", "Two.")
    without = replace(summary, told=None)
    assert without.cautions_with(said[0], "One.") == (*said, *STANDING_CAUTIONS, "One.")


def test_the_terminal_tells_the_standing_cautions_beside_a_course(summary: TankSummary) -> None:
    assert summary.told is not None
    text = " ".join(text_of(summary).split())
    for caution in (*STANDING_CAUTIONS, WATCH_CAUTIONS[-1]):  # the last is what to do in an emergency
        assert text.count(f"Caution: {caution}") == 1


def test_a_low_morning_does_not_undo_a_high_evening(truth: Truth) -> None:
    evening = datetime(2025, 5, 12, 18, 34)
    high = made_reading(taken_at=evening, co2_mg_l=Interval(value=36.0, low=21.0, high=66.0))
    low = made_reading(taken_at=evening + timedelta(hours=13), co2_mg_l=Interval(value=5.0, low=3.0, high=8.0))
    told = summarize(truth.tank, [high, low], now=evening + timedelta(days=1)).headline
    assert "as high as 66 mg/L" in told[0]
    assert less_gas(truth.tank.source_kind, a_little=True) in told[0]
    assert "2025-05-12 18:34" in told[2]
    later = made_reading(taken_at=evening + timedelta(days=4), co2_mg_l=low.co2_mg_l)
    assert "calls for action" in summarize(truth.tank, [high, later], now=evening + timedelta(days=5)).headline[0]


def test_old_photos_are_not_told_as_of_now(truth: Truth) -> None:
    last = truth.readings[-1].taken_at
    assert last is not None
    for days, is_old in ((1, False), (7, False), (556, True)):
        told = summarize(truth.tank, truth.readings, now=last.replace(tzinfo=None) + timedelta(days=days)).headline
        assert ("days old: all of this is of that time" in told[-1]) == is_old
    assert f"{556} days old" in told[-1]


def test_brackets_in_words_are_no_markup(truth: Truth) -> None:
    odd = replace(summarize(truth.tank, []), headline=("a [bold]b[/bold] [/] c",))
    assert "a [bold]b[/bold] [/] c" in text_of(odd)


def test_made_up_data_is_marked(truth: Truth) -> None:
    assert "Made-up data" in text_of(summarize(replace(truth.tank, made_up=True), truth.readings))


def advice_for(truth: Truth, **marks: float):  # type: ignore[no-untyped-def]
    tank = replace(truth.tank, marks=Marks(**marks))
    return advise(fit_tank(tank, truth.readings), tank)


def test_a_tank_within_its_marks_is_left_alone(truth: Truth) -> None:
    advice = advice_for(truth, plants_low_mg_l=1.0, plants_high_mg_l=190.0, fish_mg_l=40.0)
    assert advice.recommended is None
    assert advice.sentences[0] == "Leave it as it is."


def test_the_recommended_day_keeps_the_fish_mark(truth: Truth) -> None:
    peak = float(np.max(truth.tank_mg_l[-4:]))
    steady = replace(truth, tank=replace(truth.tank, source=GasSource(kind="cylinder")))
    advice = advice_for(steady, plants_low_mg_l=2.0, plants_high_mg_l=60.0, fish_mg_l=peak * 1.1)
    assert advice.today.fish_probability < FISH_PROBABILITY
    assert advice.recommended is not None
    assert advice.recommended.fish_probability >= FISH_PROBABILITY
    assert advice.recommended.peak_mg_l.value < advice.today.peak_mg_l.value
    assert any("watch" in caution for caution in advice.cautions)


@pytest.mark.parametrize("kind", ["cylinder", "fermentation"])
def test_a_heavy_overdose_is_told_plainly(kind: SourceKind) -> None:
    week = simulated_week(10, level_mg_l=(300.0, 301.0))
    assert week.tank_mg_l[-4:].max() > 2.0 * 25.0
    summary = summarize(replace(week.tank, source=GasSource(kind=kind)), week.readings)
    fish, _, _, change, *_ = summary.headline
    assert "is above the mark of 25 mg/L" in fish
    assert fish.endswith(" Look at the fish now.")
    assert change.startswith("What to change: The gas must go down now: ")
    assert summary.told is not None
    assert "fades by itself" not in " ".join(summary.told.advice.sentences)
    assert "wait a day" not in " ".join(summary.cautions)
    assert "Give more gas again in small steps only" in " ".join(summary.cautions)


def test_a_peak_that_may_be_far_too_high_is_judged_like_one_reading_as_high(summary: TankSummary) -> None:
    assert summary.told is not None
    told, above = summary.told, Interval(value=2.0, low=0.0, high=6.0)
    marks = summary.tank.judged_by

    def fish_of(peak: Interval) -> str:
        return headline(summary.tank, with_estimates(told, peak_mg_l=peak, hours_above_fish_mark=above), CALM)[0]

    for peak in (Interval(value=24.0, low=15.0, high=36.0), Interval(value=60.0, low=50.0, high=70.0)):
        assert judge(peak, marks).fish == "act"
        assert fish_of(peak).endswith(" a day. Look at the fish now.")
    assert fish_of(Interval(value=28.0, low=26.0, high=30.0)).endswith(" a day. Look at the fish now.")
    assert fish_of(Interval(value=22.0, low=18.0, high=27.0)).endswith(
        "so it may pass the mark of 25 mg/L for up to 6 hours a day. Watch the fish."
    )
    for high, hours in ((4.4, 5), (3.02, 3)):
        above = Interval(value=2.0, low=0.0, high=high)
        assert f"for up to {hours} hours a day" in fish_of(Interval(value=22.0, low=18.0, high=27.0))


def test_the_headline_tells_numbers_as_the_tables_do(summary: TankSummary) -> None:
    assert summary.told is not None
    trend, fades = Interval(value=-10.4, low=-13.0, high=-8.0), Interval(value=12.0, low=8.0, high=None)
    told = with_estimates(summary.told, gas_trend_percent_per_day=trend, fades_in_days=fades)
    gas = headline(summary.tank, told, CALM)[2]
    assert gas.endswith("in about 12 (8 or more) days.")
    rows = [
        row.number
        for row in number_rows(replace(summary, told=told))
        if row.label.startswith(("Gas trend", "Until the d"))
    ]
    assert [number.short() in gas for number in rows if number] == [True, True]


def fish_after(truth: Truth, co2_mg_l: Interval) -> str:
    last = [reading for reading in truth.readings if reading.taken_at is not None][-1]
    assert last.taken_at is not None
    fresh = replace(last, taken_at=last.taken_at + timedelta(hours=1), co2_mg_l=co2_mg_l)
    return summarize(replace(truth.tank, marks=Marks(fish_mg_l=24.0)), [*truth.readings, fresh]).headline[0]


@pytest.mark.parametrize(
    "co2_mg_l", [Interval(value=None, low=22.0, high=None), Interval(value=30.0, low=24.0, high=38.0)]
)
def test_a_course_does_not_silence_a_fresh_reading_that_calls_for_action(truth: Truth, co2_mg_l: Interval) -> None:
    assert fish_after(truth, co2_mg_l).endswith("The last photo alone gives cause for more: look at the fish now.")
    calm = fish_after(truth, Interval(value=12.0, low=8.0, high=17.0))
    assert "look at the fish now" not in calm.lower()


def test_how_much_gas_to_give_is_told_by_the_change_alone() -> None:
    week = simulated_week(6, level_mg_l=(25.0, 60.0), fall_per_day=(0.05, 0.1))
    fish, _, _, change, *_ = summarize(replace(week.tank, source=GasSource(kind="cylinder")), week.readings).headline
    assert fish.endswith("Look at the fish now.")
    assert change.startswith("What to change: Turn the gas down by about ")


@pytest.mark.parametrize(
    ("kind", "percent", "leaks"),
    [
        ("cylinder", (-5.0, -7.0, -2.0), True),
        ("cylinder", (-5.0, -9.0, 0.5), False),
        ("cylinder", (-2.0, -3.0, -1.0), False),
        ("fermentation", (-5.0, -7.0, -2.0), False),
    ],
)
def test_a_cylinder_that_fades_is_told_to_be_checked_for_leaks(
    summary: TankSummary, kind: SourceKind, percent: tuple[float, float, float], *, leaks: bool
) -> None:
    assert summary.told is not None
    value, low, high = percent
    told = with_estimates(summary.told, gas_trend_percent_per_day=Interval(value=value, low=low, high=high))
    gas = headline(replace(summary.tank, source=GasSource(kind=kind)), told, CALM)[2]
    assert ("ventilate, and check regulator, valve and hose for leaks" in gas) == leaks


@pytest.mark.parametrize(("fish_mg_l", "helps"), [(8.0, False), (20.0, False), (40.0, True)])
def test_a_fresh_charge_is_tried_only_where_the_fish_mark_leaves_room(
    truth: Truth, fish_mg_l: float, *, helps: bool
) -> None:
    charged = replace(truth.tank, source=GasSource(kind="fermentation", amount_g=200.0, started=date(2026, 3, 1)))
    tank = replace(charged, marks=Marks(fish_mg_l=fish_mg_l))
    advice = advise(fit_tank(tank, truth.readings), tank)
    assert (advice.today.fish_probability >= FISH_PROBABILITY) == helps
    recharged = [day for day in (advice.recommended, *advice.others) if day and day.change.refill_on is not None]
    assert bool(recharged) == helps
    for day in recharged:
        assert day.peak_mg_l.value > advice.today.peak_mg_l.value
        assert day.words.startswith("Charge the gas source anew in the morning of 8 March, but for no more than")
    assert any("watch the fish all that day" in caution for caution in advice.cautions)


def test_a_change_that_fading_makes_needless_is_told_to_be_looked_at_again(truth: Truth) -> None:
    tank = replace(truth.tank, marks=Marks(fish_mg_l=15.0))
    fit = fit_tank(tank, truth.readings)
    advice = advise(fit, tank)
    assert advice.recommended is not None
    fading = advice.sentences[-1]
    assert fading.startswith("The gas fades by itself: with nothing changed the tank would stay below 15 mg/L all day ")
    assert fading.endswith("After that the change may be more than needed, so take new photos.")
    found = re.search(r"with a probability of (\d+) % in about (\d+) days", fading)
    assert found is not None

    def probability_after(days: int) -> float:
        midnight = datetime.combine(advice.day, time()) + timedelta(days=days)
        return forecast(day_start(fit, tank.judged_by, midnight), Change(), "").fish_probability

    assert probability_after(int(found[2])) == pytest.approx(int(found[1]) / 100.0, abs=0.0051)
    assert probability_after(int(found[2]) - 1) < FISH_PROBABILITY <= probability_after(int(found[2]))


def test_sensitive_animals_lower_the_fish_mark() -> None:
    assert Tank(name="shrimp", sensitive=True).judged_by.fish_mg_l == 20.0
    assert Tank(name="shrimp", sensitive=True, marks=Marks(fish_mg_l=12.0)).judged_by.fish_mg_l == 12.0
    assert Tank(name="other").judged_by.fish_mg_l == 25.0


def test_a_forecast_day_agrees_with_the_simulator_of_the_tests(truth: Truth) -> None:
    # The fitted tank, a day after the last photo with nothing changed, against the simulator's own next day.
    fit = fit_tank(truth.tank, truth.readings)
    longer = simulated_week(10, days=8)
    day = forecast(day_start(fit, Marks(), datetime(2026, 3, 9)), Change(), "")
    assert len(day.hours) == len(HOURS) == 97
    late = longer.hours >= 7 * 24.0
    assert late.sum() >= 2
    low, high = (np.interp(longer.hours[late] % 24.0, day.hours, band) for band in (day.low_mg_l, day.high_mg_l))
    assert np.all(longer.tank_mg_l[late] > 0.85 * low)
    assert np.all(longer.tank_mg_l[late] < 1.15 * high)
