"""A planned charge of gas: what it needs, what it gives, its night, and its first days."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from colorread.cli import app
from colorread.log.store import Log
from colorread.result import WATCH_FROM
from colorread.tank.events import Event
from colorread.tank.fit import steady_fit
from colorread.tank.forecast import NIGHT_CHANCE, DayStart, night_of, timer_valve
from colorread.tank.gas_plan import gas_need, plan_gas
from colorread.tank.gas_plan_words import plan_cautions, plan_rows
from colorread.tank.model import Schedule, TankParameters
from colorread.tank.posterior import prior_parameters
from colorread.tank.settings import ALL_DAY, GasSource, Tank, parse_span
from colorread.tank.summary import summarize
from colorread.words.gas_care import SourceKind, Valve, gas_cautions
from colorread.words.verdict import Marks
from tests.page_server import client_of, make_log
from tests.tank_simulator import Truth, few_draws, simulated_week

_few_draws = pytest.fixture(few_draws)
TODAY = datetime(2026, 3, 9, 12)
LIGHTS = parse_span("10:00-18:00")


def tank_of(kind: SourceKind, valve: Valve | None = None, **changes: object) -> Tank:
    tank = Tank(name="window", volume_l=60.0, lights=LIGHTS, source=GasSource(kind=kind, valve=valve))
    return replace(tank, **changes)


def test_what_a_usual_tank_needs_is_what_it_loses() -> None:
    # Gas day and night, no lamp: a steady tank loses as much as it gets, loss x (level - base), worked by hand.
    need = gas_need(tank_of("cylinder", lights=None, gas=ALL_DAY), None, 20.0)
    draws = prior_parameters("cylinder").take(np.arange(len(need.target_g)))
    by_hand_g = draws.loss_per_h * (20.0 - draws.base_mg_l) * 24.0 * 60.0 / 1000.0
    settled = draws.loss_per_h > 0.06  # the slowest have not settled after three days
    assert np.allclose(need.target_g[settled], by_hand_g[settled], rtol=0.02)


def true_peak_mg_l(week: Truth) -> float:
    """Follow the tank of a simulated week minute by minute, without any code of the tank model."""
    level, peak = 10.0, 0.0
    for minute in range(6 * 24 * 60):
        hour = minute / 60.0 % 24.0
        on, lit = (
            span.on.hour + span.on.minute / 60.0 <= hour < span.off.hour for span in (week.tank.gas, week.tank.lights)
        )
        eaten = week.uptake_mg_l_h * level / (level + 4.0) if lit else 0.0
        gained = week.gas_mg_l_h if on else 0.0
        level += (gained - week.loss_per_h * (level - week.base_mg_l) - eaten) / 60.0
        peak = max(peak, level) if minute > 5 * 24 * 60 else 0.0
    return peak


@pytest.mark.usefixtures("_few_draws")
def test_the_need_of_a_tank_with_days_covers_what_it_was_given() -> None:
    covered = widths = 0.0
    for seed in range(8):
        week = simulated_week(seed, fall_per_day=(0.0, 0.001), level_mg_l=(15.0, 28.0))
        tank = replace(week.tank, source=GasSource(kind="cylinder", valve="timer"))
        fit, _ = steady_fit(tank, week.readings)
        given_g = week.gas_mg_l_h * tank.gas.hours * 60.0 / 1000.0
        need = gas_need(tank, fit, true_peak_mg_l(week))
        low, high = np.quantile(need.target_g, (0.05, 0.95))
        covered += low <= given_g <= high
        widths += np.log(high / low) / 8
    assert covered >= 6
    usual = gas_need(tank_of("cylinder", "timer"), None, 20.0).target_g
    assert widths < 0.5 * np.log(np.quantile(usual, 0.95) / np.quantile(usual, 0.05))


@pytest.mark.parametrize(
    ("kind", "valve"), [("fermentation", None), ("acid-bicarbonate", "needle"), ("cylinder", "timer")]
)
def test_a_plan_keeps_the_fish_limit_as_likely_as_no_concern(kind: SourceKind, valve: Valve | None) -> None:
    for fish_mg_l in (15.0, 30.0, 40.0):
        plan = plan_gas(tank_of(kind, valve, marks=Marks(fish_mg_l=fish_mg_l)), now=TODAY)
        assert plan.chance_above_limit <= WATCH_FROM + 0.005
        assert plan.target_mg_l < fish_mg_l
        assert plan.is_held_back == (plan.dose_g_per_day < 0.999 * plan.need_g_per_day.value)


def test_a_charge_gives_what_its_mass_allows() -> None:
    plan = plan_gas(tank_of("fermentation"), days=14.0, now=TODAY)
    assert plan.mix.co2_g == pytest.approx(plan.gas_g, rel=0.005)
    # 60 to 90 % of the theory over two to four thirds of the time and more.
    assert plan.gives_g_per_day.low > 0.6 * plan.gas_g / (14.0 * 1.5)
    assert plan.gives_g_per_day.high < 0.9 * plan.gas_g / (14.0 / 1.5)
    assert plan.first_days_g_per_day.value > plan.gives_g_per_day.value
    assert plan.starts == date(2026, 3, 9)
    assert timedelta(days=11) < plan.refill_on - plan.starts < timedelta(days=19)


def test_a_stated_filling_tells_when_to_change_the_cylinder() -> None:
    tank = tank_of("cylinder", "timer")
    plans = [
        plan_gas(replace(tank, source=GasSource(kind="cylinder", valve="timer", amount_g=g)), now=TODAY)
        for g in (500.0, 1000.0)
    ]
    days = [(plan.refill_on - plan.starts).days for plan in plans]
    assert days[1] == pytest.approx(2 * days[0], abs=2)
    (fill,) = plans[0].fills
    assert fill.days.value == pytest.approx(500.0 * 0.8 / plans[0].dose_g_per_day, rel=0.05)


@pytest.mark.parametrize(
    ("tank", "options", "message"),
    [
        (Tank(name="tank", source=GasSource(kind="cylinder")), {}, "volume is missing"),
        (Tank(name="tank", volume_l=60.0), {}, "gas source is missing"),
        (tank_of("acid-bicarbonate"), {}, "without a valve"),
        (tank_of("acid-bicarbonate", "none"), {}, "without a valve"),
        (tank_of("fermentation"), {"days": 40.0}, "7 to 21 days, not 40"),
        (tank_of("cylinder"), {"target_mg_l": 30.0}, "below the fish limit"),
        (tank_of("cylinder"), {"target_mg_l": 0.1}, "needs none"),
    ],
)
def test_what_cannot_be_planned_is_said(tank: Tank, options: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        plan_gas(tank, now=TODAY, **options)


def start_of(level_mg_l: float, tank: Tank, spread: float = 0.05) -> DayStart:
    """A day of a tank that settles at a level without a lamp, and is less in the light."""
    around = np.exp(spread * np.random.default_rng(1).standard_normal(200))
    parameters = TankParameters(
        gas_mg_l_h=0.3 * level_mg_l * around,
        fall_per_h=np.zeros(200),
        loss_per_h=np.full(200, 0.3),
        uptake_per_h=np.full(200, 0.1),
        base_mg_l=np.full(200, 0.6),
        lag_h=np.full(200, 1.5),
    )
    return DayStart(
        parameters=parameters, schedule=Schedule(gas=tank.gas_hours, lights=tank.lights), marks=tank.judged_by
    )


def test_the_night_of_gas_that_never_stops() -> None:
    tank = tank_of("fermentation")
    calm, full = (night_of(start_of(level, tank)) for level in (18.0, 31.0))
    assert calm.chance_above_limit <= NIGHT_CHANCE
    assert not calm.aerate
    assert full.chance_above_limit > NIGHT_CHANCE
    assert full.aerate
    # By night the plants take nothing up: from 0.3 * 31 / 0.4 mg/L at lights off it rises to the level, as by hand.
    assert full.low_mg_l.value == pytest.approx(0.3 * 31.6 / 0.4, rel=0.05)
    assert full.high_mg_l.value == pytest.approx(31.6, rel=0.03)
    switched = tank_of("cylinder", "timer", gas=parse_span("09:00-18:00"))
    assert night_of(start_of(31.0, switched)) is None
    assert night_of(start_of(31.0, replace(tank, lights=None))) is None


def test_a_timer_valve_is_worth_it_where_the_night_passes_the_limit() -> None:
    def worth(level_mg_l: float, valve: Valve | None = "needle", kind: SourceKind = "cylinder") -> bool | None:
        tank = tank_of(kind, valve, gas=ALL_DAY)
        start = start_of(level_mg_l, tank)
        timer = timer_valve(start, tank, night_of(start))
        return None if timer is None else timer.is_worth_it

    assert worth(31.0) is True
    assert worth(31.0, "none") is True
    assert worth(18.0) is False
    assert worth(90.0) is False  # the rate must go down first
    assert worth(31.0, "timer") is None
    assert worth(31.0, None) is None
    assert worth(31.0, None, "fermentation") is None


@pytest.mark.parametrize("valve", ["none", "needle"])
def test_night_and_timer_of_a_plan_are_those_of_its_dose(valve: Valve) -> None:
    week = simulated_week(5, level_mg_l=(8.0, 9.0))  # hardly any gas, where the plan has more of it
    tank = replace(week.tank, gas=ALL_DAY, source=GasSource(kind="cylinder", valve=valve))
    plan = plan_gas(tank, week.readings, logged=week.tank, now=TODAY)
    assert plan.against_now > 1.5
    assert plan.timer.chance_without == plan.night.chance_above_limit
    assert plan.night.chance_above_limit <= plan.chance_above_limit
    up = re.search(r"times the current gas: (.*)\.", dict(plan_rows(plan))["Fish"])[1]
    assert ("diffuser" in up) == (valve == "none")


def test_what_is_left_of_a_charge_counts_from_the_refill_that_was_noted() -> None:
    week = simulated_week(3, fall_per_day=(0.0, 0.001))
    source = GasSource(kind="fermentation", amount_g=400.0, started=date(2026, 2, 1))
    tank = replace(week.tank, source=source)
    refill = Event(at=datetime(2026, 3, 4, 12), refilled=True)
    plan = plan_gas(tank, week.readings, [refill], now=TODAY)
    assert plan.outlook == summarize(tank, week.readings, [refill], now=TODAY).findings.source
    assert plan.outlook.used_g.high < 0.5 * plan_gas(tank, week.readings, now=TODAY).outlook.used_g.value


def test_a_timer_valve_is_set_to_hours_that_are_known() -> None:
    def said(valve: Valve, **changes: object) -> str:
        return " ".join(text for _, text in plan_rows(plan_gas(tank_of("cylinder", valve, **changes), now=TODAY)))

    assert "Set the timer valve to 09:00-18:00" in said("timer")
    for valve in ("timer", "needle"):
        assert "00:00-24:00" not in said(valve, lights=None)
        assert "Assumes gas day and night" in said(valve, lights=None)
        assert "Assumes" not in said(valve, lights=None, gas=LIGHTS)


def test_a_new_tank_gets_a_start_plan() -> None:
    start = plan_gas(tank_of("cylinder", "timer"), now=TODAY).start_plan
    assert start.lights_on == time(10)
    assert 1 <= start.lights_on.hour - start.gas_on.hour <= 2
    assert start.starts_with * (1.0 + start.step) ** (start.full_after_days / start.step_days) >= 1.0
    assert start.step <= 0.2
    assert list(start.photos) == [time(9), time(12), time(18), time(21)]
    assert plan_gas(tank_of("fermentation"), now=TODAY).start_plan.gas_on is None
    assert plan_gas(tank_of("cylinder", "needle"), now=TODAY).start_plan.gas_on is None  # no one turns it twice a day


def test_a_plan_of_days_has_no_start_and_says_where_its_photos_are_old() -> None:
    week = simulated_week(3)
    tank = replace(week.tank, source=GasSource(kind="cylinder"))
    last_at = max(reading.taken_at for reading in week.readings).replace(tzinfo=None)
    for days, is_said in ((14, False), (15, True)):
        plan = plan_gas(tank, week.readings, now=last_at + timedelta(days=days))
        assert (plan.is_of_days, plan.start_plan, plan.days_old) == (True, None, days)
        assert (f"taken {days} days ago" in dict(plan_rows(plan))["Needs"]) is is_said


def run(*arguments: object, code: int = 0) -> str:
    result = CliRunner().invoke(app, ["gas", *map(str, arguments)], terminal_width=200)
    assert result.exit_code == code, result.output
    return result.output


def test_the_command_answers_first_what_to_mix(tmp_path: Path) -> None:
    text = run("--volume", "15gal", "--lights", "10:00-18:00", "--source", "fermentation")
    assert text.splitlines()[1].startswith("Mix")
    assert "oz" in text
    flat = " ".join(text.replace("│", " ").split())
    for caution in gas_cautions("fermentation"):
        assert " ".join(caution.split()) in flat
    data = json.loads(run("--volume", 60, "--source", "acid-bicarbonate", "--valve", "needle", "--json"))
    assert data["schema"] == "colorread.gas/1"
    parts = data["mix"]["parts"]
    assert parts["baking soda"] / parts["citric acid"] == pytest.approx(1.312, rel=0.005)
    assert date.fromisoformat(data["refill_on"]) > date.today()


@pytest.mark.parametrize(
    "options",
    [
        ("--source", "fermentation"),
        ("--volume", "60"),
        ("--volume", "60", "--source", "fermentation", "--gas", "08:00-18:00"),
        ("--volume", "60", "--source", "acid-bicarbonate", "--source-amount", "100"),
        ("--volume", "60 stone", "--source", "cylinder"),
        ("--volume", "60", "--source", "cylinder", "--days", "0"),
    ],
)
def test_wrong_use_of_the_command_is_one_sentence(options: tuple[str, ...]) -> None:
    assert len(run(*options, code=2).strip().splitlines()) == 1


def test_a_tank_of_the_log_is_planned_by_its_days_and_not_changed(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.add_tank(tank_of("cylinder", "timer"))
    before = json.loads(run("--tank", "window", "--log", path, "--json"))
    after = json.loads(run("--tank", "window", "--log", path, "--volume", "120", "--json"))
    assert after["need_g_per_day"]["value"] == pytest.approx(2 * before["need_g_per_day"]["value"], rel=0.01)
    with Log(path) as log:
        assert log.tank("window") == tank_of("cylinder", "timer")


def test_the_page_plans_like_the_command(tmp_path: Path) -> None:
    log_path = make_log(tmp_path)
    with client_of(log_path) as (client, _):
        query = {"volume": "60", "lights_on": "10:00", "lights_off": "18:00", "source": "fermentation"}
        answer = client.get("/gas", params=query)
        plan = plan_gas(tank_of("fermentation"), now=datetime.now())
        assert f"Sugar: {plan.mix.parts['sugar']:g}" in answer.text
        for caution in plan_cautions(plan):
            assert caution[:30] in answer.text
        for wrong, words in (({"valve": "timer"}, "cannot be stopped"), ({"volume": "much"}, ""), ({"days": "90"}, "")):
            refused = client.get("/gas", params=query | wrong)
            assert (refused.status_code, words in refused.text) == (422, True)
        assert "gas source is missing" in client.get("/tanks/window/gas").text
        assert client.get("/tanks/nowhere/gas").status_code == 404
