from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import StringIO
from types import SimpleNamespace
from typing import Any, get_args

import numpy as np
import pytest

from calibration.inversion import BUDGET_CAMERA, BUDGET_COLOR, BUDGET_PKA
from colorread.cli.screen.tanks import print_now
from colorread.cli.screen.terminal import Terminal
from colorread.result import BUDGET_KH, Interval, Reading, level_of
from colorread.tank import summary as tank_summary
from colorread.tank.charge import CO2_PER_CITRIC_ACID, USUAL_YIELD
from colorread.tank.fit import fit_tank
from colorread.tank.forecast import HOURS, day_start, forecast
from colorread.tank.results import Change, Estimate, EstimateName, SourceOutlook, TankSummary, summary_to_dict
from colorread.tank.series import has_future_date
from colorread.tank.settings import GasSource, Tank, parse_span
from colorread.tank.summary import DAILY_PEAK, summarize
from colorread.tank.tank_words import gas_trend_words, number_rows
from colorread.words.gas_care import SourceKind, gas_cautions
from colorread.words.verdict import HIGHEST_IN_VIAL, IN_VIAL, STANDING_CAUTIONS, Marks, watch_cautions
from tests.fabricated import made_reading, made_refusal
from tests.tank_simulator import START, Truth, few_draws, one_photo_more, simulated_week

_few_draws = pytest.fixture(few_draws, scope="module", autouse=True)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulated_week(10)


@pytest.fixture(scope="module")
def summary(truth: Truth) -> TankSummary:
    source = GasSource(kind="fermentation", amount_g=200.0, started=date(2026, 3, 1))
    return summarize(replace(truth.tank, source=source, fluid_renewed=date(2026, 1, 5)), truth.readings)


@pytest.fixture(scope="module")
def of_readings_alone(truth: Truth) -> TankSummary:
    return summarize(truth.tank, truth.readings)


def readings_at_noon() -> list[Reading]:
    budget = {BUDGET_PKA: 0.05, BUDGET_CAMERA: 0.03, BUDGET_COLOR: 0.05, BUDGET_KH: 0.02}
    noons = [datetime(2026, 3, 2 + day, 12, 0, tzinfo=UTC) for day in range(9)]
    return [made_reading(photo=f"{noon.day}.jpg", taken_at=noon, budget=budget) for noon in noons]


def text_of(summary: TankSummary, *, details: bool = True) -> str:
    stream = StringIO()
    print_now(Terminal(file=stream, width=120), summary, details=details)
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
    course = summary.findings.course
    assert timedelta(hours=23) <= course.times[-1] - summary.last_at <= timedelta(hours=25)
    assert np.all(np.diff(course.tank_mg_l, axis=0) >= 0.0)


@pytest.fixture
def _no_level_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fit once, not for the level after each of the last photos too, where the advice is of no matter."""
    monkeypatch.setattr(tank_summary, "_level_before", lambda *_: None)


@pytest.mark.usefixtures("_no_level_before")
def test_a_lag_is_told_only_where_the_photos_tell_it() -> None:
    # Even of photos every hour few tell it: of the weeks 8 to 18 three.
    for seed, often, is_told in ((0, False, False), (9, True, False), (10, True, True)):
        week = simulated_week(seed, often=often)
        lag = summarize(week.tank, week.readings).estimate("lag_hours")
        assert (lag.interval is not None, bool(lag.reason)) == (is_told, not is_told)
        if lag.interval is not None:
            assert abs(math.log(lag.interval.value / week.lag_h)) <= math.log(1.5)


def test_a_clock_years_ahead_does_not_hide_the_week(truth: Truth, of_readings_alone: TankSummary) -> None:
    ahead = made_reading(taken_at=START + timedelta(days=3700))
    after = summarize(truth.tank, [*truth.readings, ahead], now=(START + timedelta(days=8)).replace(tzinfo=None))
    assert after.tank_co2 == of_readings_alone.tank_co2
    assert after.findings.n_unused == of_readings_alone.findings.n_unused + 1
    assert "future" in after.more[0]


def test_a_photo_is_of_the_future_only_where_no_part_of_the_world_has_its_time() -> None:
    now = datetime(2026, 3, 8, 12, 0)
    for hours, is_ahead in ((-1000.0, False), (0.0, False), (23.9, False), (24.1, True)):
        assert has_future_date(made_reading(taken_at=now + timedelta(hours=hours)), now) == is_ahead
    assert not has_future_date(made_reading(taken_at=None), now)


def test_a_lamp_that_never_goes_off_has_no_night(truth: Truth) -> None:
    always = replace(truth.tank, lights=parse_span("00:00-24:00"))
    assert summarize(always, truth.readings).estimate("night_low_mg_l").interval is None


@pytest.mark.usefixtures("_no_level_before")
def test_gas_that_does_not_fade_never_falls_below_the_range() -> None:
    week = simulated_week(10, fall_per_day=(-0.05, -0.049))
    assert summarize(week.tank, week.readings).estimate("fades_in_days").interval is None


def test_photos_at_one_hour_only_tell_neither_lag_nor_loss(truth: Truth) -> None:
    summary = summarize(truth.tank, readings_at_noon())
    assert summary.estimate("lag_hours").interval is None
    assert summary.estimate("loss_per_hour").interval is None
    assert any("same hours" in note for note in summary.notes)


def test_too_few_readings_give_reasons_and_no_numbers(truth: Truth) -> None:
    few = summarize(truth.tank, [made_reading(), made_refusal()])
    assert (few.tank_co2, few.findings, few.n_read, few.n_refused) == ((), None, 1, 1)
    for name in get_args(EstimateName):
        assert few.estimate(name).interval is None
        assert "usable reading" in few.estimate(name).reason
    assert few.now.co2_mg_l == made_reading().co2_mg_l
    none = summarize(truth.tank, [])
    assert none.now is None
    assert "usable reading" in none.more[-1]


def test_where_the_gas_ran_out_nothing_is_told_of_a_gas_that_flows() -> None:
    week = simulated_week(0, turned=(126.0, 0.0))
    summary = summarize(week.tank, week.readings)
    assert summary.findings is None
    assert summary.estimate("gas_mg_l_per_hour").interval is None
    assert summary.now.what.startswith(HIGHEST_IN_VIAL)
    assert summary.more == (summary.reason,)


@pytest.mark.parametrize("kind", ["cylinder", "fermentation"])
def test_where_the_gas_ran_out_earlier_photos_do_not_count_and_its_source_is_to_be_checked(kind: SourceKind) -> None:
    week = simulated_week(0, turned=(80.0, 0.0), days=8)
    tank = replace(week.tank, source=GasSource(kind=kind, amount_g=500.0, started=START.date()))
    summary = summarize(tank, week.readings)
    assert summary.estimate("peak_mg_l").interval.high < 5.0
    assert str(summary.findings.n_unused) in " ".join(summary.notes)
    # The peak is below the range now, whatever the trend.
    assert summary.estimate("gas_trend_percent_per_day").interval is None
    assert summary.estimate("fades_in_days").interval == Interval(value=0.0, low=0.0, high=0.0)
    findings = summary.findings
    assert (findings.source, findings.advice.recommended, findings.advice.others) == (None, None, ())
    assert findings.advice.sentences[0].startswith("Check the gas source first")
    assert ("Before changing a cylinder" in findings.advice.sentences[0]) == (kind == "cylinder")
    assert "more gas" not in findings.advice.sentences[0]


def test_a_lean_tank_whose_gas_was_turned_up_is_not_told_that_it_may_have_run_out() -> None:
    week = simulated_week(2, level_mg_l=(8.0, 10.0), turned=(80.0, 2.5), days=8)
    summary = summarize(week.tank, week.readings)
    assert "photos taken before the tank changed" in " ".join(summary.notes)
    assert "Check the gas source" not in text_of(summary)


def test_photos_that_the_course_leaves_out_are_told_with_the_reason(
    truth: Truth, of_readings_alone: TankSummary
) -> None:
    charged = replace(truth.tank, source=GasSource(kind="fermentation", started=date(2026, 3, 4)))
    old = [made_reading(taken_at=START - timedelta(days=day)) for day in (20, 21)]
    summary = summarize(charged, [*truth.readings, *old, made_reading(taken_at=None)])
    before = summary.findings.n_unused - 3
    assert before > 1
    (note,) = (note for note in summary.notes if note.startswith("Not used"))
    assert [int(number) for number in re.findall(r"\d+(?= photo)", note)] == [before, 2, 1]
    assert not any("Not used" in note for note in of_readings_alone.notes)


def test_a_reading_that_does_not_say_where_its_error_is_from_does_not_count(truth: Truth) -> None:
    first, second, *others = (reading for reading in truth.readings if reading.status == "read")
    bare = [
        replace(first, budget={name.title(): std for name, std in first.budget.items()}),
        replace(second, budget={**second.budget, BUDGET_PKA: float("nan")}),  # as the log tells a number that is lost
    ]
    summary = summarize(truth.tank, [*bare, *others])
    assert summary.tank_co2 == summarize(truth.tank, others).tank_co2
    assert summary.findings.n_unused == 2
    none = summarize(truth.tank, [replace(reading, budget={}) for reading in others])
    assert none.findings is None
    assert str(len(others)) in none.reason


def test_the_hours_of_yeast_need_not_be_stated(truth: Truth) -> None:
    def of(kind: SourceKind) -> TankSummary:
        return summarize(replace(truth.tank, gas=None, source=GasSource(kind=kind)), truth.readings)

    entered = replace(truth.tank, gas=parse_span("00:00-24:00"), source=GasSource(kind="fermentation"))
    assert of("fermentation").now == summarize(entered, truth.readings).now
    for kind in ("cylinder", "acid-bicarbonate"):
        assert "enter its gas hours" in of(kind).reason


def charged(week: Truth, kind: SourceKind, amount_g: float) -> Tank:
    return replace(week.tank, source=GasSource(kind=kind, amount_g=amount_g, started=date(2026, 3, 2)))


def source_of(tank: Tank, week: Truth) -> SourceOutlook:
    return summarize(tank, week.readings).findings.source


def true_used_g(truth: Truth) -> float:
    hours = np.arange(0.0, truth.hours[-1], 0.1)
    on = (hours - truth.tank.gas.on_h) % 24.0 < truth.tank.gas.hours
    return float((truth.gas_mg_l_h * (1.0 - truth.fall_per_day) ** (hours / 24.0) * on).sum() * 0.1 * 60.0 / 1000.0)


def test_a_bottle_lasts_as_long_as_its_usual_yield_allows() -> None:
    truth = simulated_week(10, fall_per_day=(-0.01, -0.009))  # fading, it might never be used up
    source = source_of(charged(truth, "fermentation", 200.0), truth)
    assert source.total_g == pytest.approx(102.9, abs=0.1)  # 200 g of sucrose at 0.5143 g CO2 per g
    assert source.used_g.low <= true_used_g(truth) <= source.used_g.high
    # 60 to 90 % of the theory reaches the water (common practice, no source), and of that only what is made while the
    # gas is led there: the truth for both ends of that range.
    hours_on, age_days = truth.tank.gas.hours, truth.hours[-1] / 24.0
    rate_g_per_day = truth.gas_mg_l_h * (1.0 - truth.fall_per_day) ** age_days * 60.0 / 1000.0
    worst, best = (
        (share * 102.9 * hours_on / 24.0 - true_used_g(truth)) / (rate_g_per_day * hours_on) for share in (0.6, 0.9)
    )
    low, value, high = source.days_left.low, source.days_left.value, source.days_left.high
    assert not source.fades_on
    assert low <= worst + 0.1 * (best - worst)
    assert worst < value < best
    assert high >= best - 0.1 * (best - worst)


@pytest.mark.parametrize(("amount_g", "ends"), [(90.0, True), (800.0, False)])
def test_a_charge_is_held_against_the_fading(amount_g: float, *, ends: bool) -> None:
    week = simulated_week(10, fall_per_day=(0.05, 0.051))
    tank = charged(week, "acid-bicarbonate", amount_g)
    into_water_g = amount_g * CO2_PER_CITRIC_ACID * np.mean(USUAL_YIELD)
    fall = -np.log(1.0 - week.fall_per_day)
    now_g = week.gas_mg_l_h * (1.0 - week.fall_per_day) ** (week.hours[-1] / 24.0) * week.tank.gas.hours * 0.06
    gone = (into_water_g - true_used_g(week)) * fall / now_g  # of all that would ever come
    summary = summarize(tank, week.readings)
    source = summary.findings.source
    assert source.fades_on
    assert (gone < 1.0) == (source.days_left.value is not None) == ends
    if ends:
        assert source.days_left.low < -np.log(1.0 - gone) / fall < (source.days_left.high or np.inf)
    row = number_rows(summary)[-1]
    assert (row.number.value == "never") == (not ends)
    assert "3650" not in row.number.short()
    if ends:  # a cylinder that loses gas may leak: its fading is not carried on
        assert not source_of(charged(week, "cylinder", amount_g), week).fades_on


@pytest.mark.parametrize(("amount_g", "fits"), [(20.0, False), (30.0, True)])
def test_no_more_than_the_charge_holds_went_into_the_water_or_it_is_said(amount_g: float, *, fits: bool) -> None:
    week = simulated_week(10, fall_per_day=(0.0, 0.001))
    source = source_of(charged(week, "cylinder", amount_g), week)
    # Where what is stated cannot be, the fitted number stands, which shows it.
    assert (source.used_g.high == amount_g) == fits
    assert ("already be empty" in source.sentence) != fits
    assert (source.days_left is not None) == fits


def test_the_days_of_fading_count_from_the_last_reading() -> None:
    week = simulated_week(10, level_mg_l=(60.0, 61.0))
    assert week.hours[-1] % 24.0 > 20.0
    days = summarize(week.tank, week.readings).estimate("fades_in_days").interval
    fit = fit_tank(week.tank, week.readings)
    then = fit.series.last_at + timedelta(days=days.value)
    peak = forecast(day_start(fit, Marks(), then), Change(), "").peak_mg_l.value
    assert peak == pytest.approx(15.0, rel=0.02)  # the plants' lower mark


def test_json_holds_what_programs_ask_for(summary: TankSummary) -> None:
    data = json.loads(json.dumps(summary_to_dict(summary), allow_nan=False))
    assert data["schema"] == "colorread.summary/1"
    assert set(data["tank_co2"][0]) == {"photo", "taken_at", "value", "low", "high"}
    for name in ("gas_trend_percent_per_day", "lag_hours", "loss_per_hour"):
        assert data[name] is None or set(data[name]) == {"value", "low", "high"}
        assert (data[name] is None) == (name in data["cannot_tell"])


def test_without_any_reading_there_is_all_of_it_to_watch() -> None:
    tank = Tank(name="desk", source=GasSource(kind="cylinder"))
    watch = (*watch_cautions(Marks(source="cylinder")), *STANDING_CAUTIONS, *gas_cautions("cylinder"))
    for readings in ([], [made_refusal()], [made_reading(taken_at=None)]):
        assert summarize(tank, readings).cautions == watch


def test_a_forecast_day_agrees_with_the_simulator_of_the_tests(truth: Truth) -> None:
    # The fitted tank, a day after the last photo with nothing changed, against the simulator's own next day.
    fit = fit_tank(truth.tank, truth.readings)
    longer = simulated_week(10, days=8)
    day = forecast(day_start(fit, Marks(), datetime(2026, 3, 9)), Change(), "")

    late = longer.hours >= 7 * 24.0
    assert late.sum() >= 2
    low, _, high = (np.interp(longer.hours[late] % 24.0, HOURS, point) for point in day.co2_mg_l)
    assert np.all(longer.tank_mg_l[late] > 0.85 * low)
    assert np.all(longer.tank_mg_l[late] < 1.15 * high)


def test_the_verdict_is_that_of_the_highest_reading_of_late_where_there_is_no_course(truth: Truth) -> None:
    evening = datetime(2025, 5, 12, 18, 34)
    high = made_reading(taken_at=evening, co2_mg_l=Interval(value=56.0, low=40.0, high=76.0))
    low = made_reading(taken_at=evening + timedelta(hours=13), co2_mg_l=Interval(value=5.0, low=3.0, high=8.0))
    soon = summarize(truth.tank, [high, low], now=evening + timedelta(days=1))
    assert soon.now.verdict.fish == "act"
    assert soon.now.co2_mg_l == high.co2_mg_l
    assert soon.now.what == f"{HIGHEST_IN_VIAL} (May 12, 18:34)"
    assert set(soon.now.verdict.cautions) < set(soon.cautions)
    assert soon.cautions[-3:] == gas_cautions(None)
    later = made_reading(taken_at=evening + timedelta(days=4), co2_mg_l=low.co2_mg_l)
    calm = summarize(truth.tank, [high, later], now=evening + timedelta(days=5)).now
    assert calm.verdict.fish == "no concern"


def test_a_machine_without_the_date_says_why_no_reading_counts() -> None:
    summary = summarize(Tank(name="window"), readings_at_noon(), now=datetime(1970, 1, 1, 5))
    for details in (False, True):
        text = text_of(summary, details=details)
        assert text.count("9 photos dated in the future") == 1
        assert "has been read yet" not in text


def test_the_last_reading_is_judged_by_the_limits_of_now(truth: Truth) -> None:
    kept = made_reading(co2_mg_l=Interval(value=18.0, low=14.0, high=22.0))
    for limit, level in ((30.0, "no concern"), (10.0, "act")):
        now = summarize(replace(truth.tank, marks=Marks(fish_mg_l=limit)), [kept]).now
        assert now.verdict.fish == level


def test_an_old_tank_asks_for_a_new_photo_first(truth: Truth) -> None:
    last = truth.readings[-1].taken_at
    for days, is_old in ((1, False), (556, True)):
        at = summarize(truth.tank, truth.readings, now=last.replace(tzinfo=None) + timedelta(days=days))
        assert (f"{days} days ago" in at.answer.to_do) == ("at the time" in at.more[0]) == is_old
        assert at.now.verdict.sentences[2] in f"{at.answer.to_do} {at.answer.then}"


@pytest.mark.parametrize(("mg_l", "what"), [(90.0, IN_VIAL), (12.0, DAILY_PEAK)])
def test_a_course_does_not_silence_a_fresh_reading_that_contradicts_it(truth: Truth, mg_l: float, what: str) -> None:
    last = [reading for reading in truth.readings if reading.taken_at is not None][-1]
    co2_mg_l = Interval(value=mg_l, low=0.75 * mg_l, high=1.35 * mg_l)
    fresh = replace(last, taken_at=last.taken_at + timedelta(hours=1), co2_mg_l=co2_mg_l)
    now = summarize(replace(truth.tank, marks=Marks(fish_mg_l=24.0)), [*truth.readings, fresh]).now
    assert (now.what, now.verdict.fish == "act") == (what, what == IN_VIAL)


def test_one_more_photo_that_says_the_same_keeps_the_level_and_what_to_do() -> None:
    week = one_photo_more(simulated_week(3, level_mg_l=(22.0, 24.0), fall_per_day=(0.0, 0.001)))
    tank = replace(week.tank, source=GasSource(kind="cylinder"), marks=Marks(fish_mg_l=14.0))
    before, after = (summarize(tank, readings) for readings in (week.readings[:-1], week.readings))
    # By itself the peak of now would be judged otherwise: it lies just beyond where a level begins.
    assert level_of(after.findings.advice.today.peak_mg_l, 14.0) == "watch"
    for summary in (before, after):
        assert summary.now.verdict.fish == "act"
        assert summary.findings.advice.recommended.peak_mg_l.value < summary.findings.advice.today.peak_mg_l.value


def trend(value: float, low: float, high: float) -> dict[str, Interval]:
    return {"gas_trend_percent_per_day": Interval(value=value, low=low, high=high)}


def fading(peak_high: float, days_high: float) -> dict[str, Interval]:
    days = Interval(value=min(days_high, 0.04), low=0.0, high=days_high)
    peak = Interval(value=13.0, low=11.0, high=peak_high)
    return trend(-5.0, -7.0, -3.0) | {"peak_mg_l": peak, "fades_in_days": days}


@pytest.mark.parametrize(
    ("kind", "estimates", "words", "is_said"),
    [
        ("cylinder", trend(-5.0, -7.0, -2.0), "leaks", True),
        ("cylinder", trend(-5.0, -9.0, 0.5), "leaks", False),
        ("cylinder", trend(-2.0, -3.0, -1.0), "leaks", False),
        ("fermentation", trend(-5.0, -7.0, -2.0), "leaks", False),
        ("fermentation", fading(15.4, 0.0), "may already be below 15 mg/L", True),
        ("fermentation", fading(14.0, 14.0), "may already be below 15 mg/L", True),
        ("fermentation", fading(14.0, 0.0), "may already be below 15 mg/L", False),  # it is
    ],
)
def test_of_fading_gas_no_more_is_said_than_is_sure(
    summary: TankSummary, kind: SourceKind, estimates: dict[str, Interval], words: str, *, is_said: bool
) -> None:
    changed = {name: Estimate(interval=interval) for name, interval in estimates.items()}
    findings = replace(summary.findings, estimates={**summary.findings.estimates, **changed})
    assert (words in gas_trend_words(replace(summary.tank, source=GasSource(kind=kind)), findings)) == is_said


def test_brackets_in_words_are_no_markup(truth: Truth) -> None:
    odd = replace(summarize(truth.tank, []), more=("a [bold]b[/bold] [/] c",))
    assert "a [bold]b[/bold] [/] c" in text_of(odd)


def test_the_level_does_not_flip_from_photo_to_photo(monkeypatch: pytest.MonkeyPatch) -> None:
    # Chances to be above 30 mg/L after each photo: about 0.33, 0.15, 0.23, 0.10 and 0.22.
    peaks = [Interval(value=value, low=value / 1.6, high=value * 1.6) for value in (26.5, 22.4, 24.2, 20.8, 24.1)]
    monkeypatch.setattr(tank_summary, "steady_fit", lambda _, readings, events: (len(readings), ""))
    monkeypatch.setattr(tank_summary, "_peak", lambda _, fit: peaks[fit - 1])
    photos: Any = [SimpleNamespace(taken_at=None) for _ in peaks]
    held: list[Any] = [
        tank_summary._level_before(Tank(name="t"), count, photos[:count], ()) for count in range(1, len(peaks) + 1)
    ]
    alone, through = (
        [level_of(peak, 30.0, level) for peak, level in zip(peaks, levels, strict=True)]
        for levels in ([None] * len(peaks), held)
    )
    assert alone == ["watch", "no concern", "watch", "no concern", "watch"]
    assert through == ["watch", "watch", "watch", "no concern", "no concern"]
