from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, time, timedelta

import numpy as np
import pytest

from colorread.result import chance_above, level_of
from colorread.tank.advice import FISH_PROBABILITY, Candidate, advise, candidates, full_charge, handling_of
from colorread.tank.advice_words import SET_BY, change_words
from colorread.tank.events import Event
from colorread.tank.fit import TankFit, fit_tank
from colorread.tank.forecast import day_course, day_start, forecast, lit_hours, rate_for_peak
from colorread.tank.results import Advice, Change
from colorread.tank.settings import GasSource, Tank, parse_span
from colorread.words.gas_care import SourceKind
from colorread.words.phrases import date_words
from colorread.words.verdict import WATCH, Marks
from tests.tank_simulator import Truth, few_draws, one_photo_more, simulated_week

_few_draws = pytest.fixture(few_draws, scope="module", autouse=True)
ALWAYS = parse_span("00:00-24:00")
FITS: dict[object, TankFit] = {}


@pytest.fixture(scope="module")
def overdosed() -> Truth:
    return simulated_week(10, level_mg_l=(300.0, 301.0))


@pytest.fixture(scope="module")
def usual() -> Truth:
    return simulated_week(10)


@pytest.fixture(scope="module")
def fit(usual: Truth) -> TankFit:
    return fit_of(usual, usual.tank)


def source(kind: SourceKind | None) -> GasSource | None:
    return None if kind is None else GasSource(kind=kind, amount_g=200.0, started=date(2026, 3, 1))


def fit_of(truth: Truth, tank: Tank) -> TankFit:
    """Fit a tank to the readings of a week, once for all marks: they change nothing that is fitted."""
    key = (truth.gas_mg_l_h, tank.source, tank.lights, tank.gas)
    if key not in FITS:
        FITS[key] = fit_tank(tank, truth.readings)
    return FITS[key]


def advice_of(truth: Truth, kind: SourceKind | None, **changes: object) -> Advice:
    tank = replace(truth.tank, source=source(kind), **changes)
    return advise(fit_of(truth, tank), tank)


def tried_on(fit: TankFit, tank: Tank, *, overdosed: bool = False) -> list[Candidate]:
    start = day_start(fit, Marks(), datetime(2026, 3, 9))
    start = replace(start, schedule=replace(start.schedule, gas=tank.gas, lights=tank.lights))
    return candidates(start, handling_of(tank.source, tank.gas), overdosed=overdosed)


def hours_tried(fit: TankFit, gas: str, lights: str | None = "10:00-18:00", *, overdosed: bool = False) -> set[str]:
    tank = Tank(name="tank", gas=parse_span(gas), lights=None if lights is None else parse_span(lights))
    tried = tried_on(fit, replace(tank, source=source("cylinder")), overdosed=overdosed)
    return {str(candidate.change.gas) for candidate in tried if candidate.change.gas is not None}


@pytest.mark.parametrize(
    ("made_by", "gas", "begun", "rate"),
    [
        (GasSource(kind="cylinder"), "00:00-24:00", "Turn the gas", "Turn the gas"),
        (GasSource(kind="cylinder", valve="needle"), "08:00-18:00", "Turn the gas", "Turn the gas"),
        (GasSource(kind="cylinder", valve="needle"), "00:00-24:00", None, "Turn the gas"),
        (GasSource(kind="cylinder", valve="none"), "08:00-18:00", "Turn the gas", "Hang the diffuser"),
        (GasSource(kind="acid-bicarbonate", valve="needle"), "00:00-24:00", None, "Turn the gas"),
        (GasSource(kind="acid-bicarbonate", valve="none"), "00:00-24:00", "the tank at", "Hang the diffuser"),
        (GasSource(kind="fermentation"), "00:00-24:00", None, "Hang the diffuser"),
        (None, "08:00-18:00", "the gas", "Turn the gas valve"),
    ],
)
def test_only_what_the_hardware_allows_is_tried(
    fit: TankFit, made_by: GasSource | None, gas: str, begun: str | None, rate: str
) -> None:
    tank = Tank(name="tank", gas=parse_span(gas), lights=parse_span("10:00-18:00"), source=made_by)
    tried = tried_on(fit, tank)
    handling = handling_of(made_by, tank.gas)
    told = {one.change: change_words(one.change, handling, tank.gas, None) for one in tried}
    hours = [words for change, words in told.items() if change.gas is not None]
    assert bool(hours) == (begun is not None)
    assert all(begun in words for words in hours if begun is not None)
    rates = [words for change, words in told.items() if change.rate_factor != 1.0]
    assert rates
    assert all(words.startswith(rate) for words in rates)
    assert any(words.startswith("Run an air stone at night") for words in told.values())


def test_gas_of_day_and_night_is_tried_for_the_light_only(fit: TankFit) -> None:
    assert hours_tried(fit, "00:00-24:00") == {"09:00-18:00"}
    assert hours_tried(fit, "00:00-24:00", None) == hours_tried(fit, "00:00-24:00", "00:00-23:30") == set()


def test_the_gas_comes_on_an_hour_earlier_at_most_and_not_long_before_the_lamp(fit: TankFit) -> None:
    starts = {gas: {tried[:5] for tried in hours_tried(fit, gas)} for gas in ("08:00-18:00", "09:30-18:00")}
    assert min(starts["08:00-18:00"]) == "08:00"
    assert min(starts["09:30-18:00"]) == "08:30"
    assert min(tried[:5] for tried in hours_tried(fit, "08:00-18:00", None)) == "07:00"
    # Gas that comes on after the lamp may come earlier, also over midnight.
    assert "23:30-06:00" in hours_tried(fit, "00:30-06:00", "00:00-07:00")


def test_the_gas_goes_off_hours_earlier_only_where_there_is_far_too_much(fit: TankFit) -> None:
    ends = {over: {tried[6:] for tried in hours_tried(fit, "08:00-18:00", overdosed=over)} for over in (False, True)}
    assert min(ends[False]) == "16:00"
    assert min(ends[True]) == "14:00"


def test_rates_go_up_by_a_fifth_at_most_and_down_by_half(fit: TankFit) -> None:
    tank = Tank(name="tank", gas=parse_span("08:00-18:00"), source=source("cylinder"))
    factors = [candidate.change.rate_factor for candidate in tried_on(fit, tank)]
    assert min(factors) == 0.5
    assert max(factors) == 1.2


def test_a_rate_for_a_peak_brings_that_peak(fit: TankFit) -> None:
    start = day_start(fit, Marks(), datetime(2026, 3, 9))
    for peak_mg_l in (3.0, 60.0):
        rates = rate_for_peak(start, peak_mg_l)
        assert np.allclose(day_course(start, Change(), rates).max(axis=1), peak_mg_l, rtol=1e-6)


def test_the_share_of_the_light_has_its_interval(fit: TankFit) -> None:
    start = day_start(fit, Marks(), datetime(2026, 3, 9))
    lit = day_course(start, Change())[:, lit_hours(start.schedule)]
    day, shares = forecast(start, Change(), ""), ((lit >= 15.0) & (lit <= 30.0)).mean(axis=1)
    assert ((shares >= day.plants_share_low) & (shares <= day.plants_share_high)).mean() >= 0.9
    assert (shares < day.plants_share_high).mean() > 0.5
    assert day.plants_share_low < day.plants_share < day.plants_share_high
    rare_mg_l = float(np.quantile(day_course(start, Change()).max(axis=1), 0.97))
    rare = forecast(replace(start, marks=Marks(plants_low_mg_l=rare_mg_l, plants_high_mg_l=90.0)), Change(), "")
    assert 0.0 < rare.plants_share <= rare.plants_share_high


def limits(fish_mg_l: float) -> Marks:
    return Marks(fish_mg_l=fish_mg_l)


@pytest.mark.parametrize("kind", ["cylinder", "fermentation", "acid-bicarbonate", None])
def test_after_an_overdose_the_gas_starts_again_with_what_keeps_the_fish_limit(
    overdosed: Truth, kind: SourceKind | None
) -> None:
    advice = advice_of(overdosed, kind)
    assert advice.today.peak_mg_l.low > 30.0
    assert advice.recommended.fish_probability >= FISH_PROBABILITY
    factor = advice.recommended.change.rate_factor
    assert "Stop the gas" in advice.sentences[0]
    assert f"{100.0 * factor:.0f} %" in advice.sentences[1]
    tank = replace(overdosed.tank, source=source(kind))
    start = day_start(fit_of(overdosed, tank), tank.judged_by, datetime(2026, 3, 9))
    assert forecast(start, Change(rate_factor=factor + 0.1), "").fish_probability < FISH_PROBABILITY


def test_where_hardly_any_gas_is_too_much_nothing_is_started_again(overdosed: Truth) -> None:
    advice = advice_of(overdosed, "fermentation", marks=limits(5.0))  # with the hours that the readings follow
    assert advice.recommended is None
    assert "Stop the gas" in advice.sentences[0]


def test_too_much_within_reach_of_a_step_does_not_stop_the_gas() -> None:
    advice = advice_of(simulated_week(10, level_mg_l=(80.0, 81.0)), "cylinder")
    assert level_of(advice.today.peak_mg_l, 30.0) == "act"
    assert advice.recommended.words in advice.sentences[0]
    assert "Stop the gas" not in advice.sentences[0]
    assert chance_above(advice.recommended.peak_mg_l, 30.0) < 0.5


def test_what_is_done_follows_from_the_level(usual: Truth) -> None:
    levels = []
    for fish_mg_l in (10.0, 14.0, 18.0, 22.0, 30.0):
        advice = advice_of(usual, "cylinder", marks=limits(fish_mg_l))
        levels.append(level_of(advice.today.peak_mg_l, fish_mg_l))
        if levels[-1] == "act":
            assert advice.sentences[0].startswith("Look at the fish now.")
            assert advice.recommended.peak_mg_l.value < advice.today.peak_mg_l.value
        elif levels[-1] == "watch":
            assert advice.recommended is None
            assert advice.sentences[0] == WATCH
        else:
            assert advice.recommended is not None
            assert advice.today.plants_share < 0.4
            assert level_of(advice.recommended.peak_mg_l, fish_mg_l) == "no concern"
    assert set(levels) == {"act", "watch", "no concern"}


@pytest.mark.parametrize(("seed", "level_mg_l"), [(1, 28.0), (4, 24.0)])
def test_a_right_tank_is_left_alone(seed: int, level_mg_l: float) -> None:
    week = simulated_week(seed, level_mg_l=(level_mg_l, level_mg_l + 1.0), fall_per_day=(0.0, 0.001))
    advice = advice_of(week, "cylinder")
    assert 18.0 <= advice.today.peak_mg_l.value <= 24.0
    assert advice.today.plants_share >= 0.4
    assert advice.recommended is None


def way_of(advice: Advice) -> str:
    """Whether to go up with the CO2, or down, or to leave it."""
    if advice.recommended is None:
        return "leave"
    return "up" if advice.recommended.peak_mg_l.value > advice.today.peak_mg_l.value else "down"


def test_one_more_photo_that_says_the_same_does_not_turn_the_advice_round() -> None:
    ways = []
    for seed in (3, 10):
        week = one_photo_more(simulated_week(seed, level_mg_l=(22.0, 24.0), fall_per_day=(0.0, 0.001)))
        tank = replace(week.tank, source=source("cylinder"))
        before, after = (fit_tank(tank, readings) for readings in (week.readings[:-1], week.readings))
        for fish_mg_l in range(12, 25, 3):  # from far too much to too little
            judged = replace(tank, marks=limits(float(fish_mg_l)))
            first = advise(before, judged)
            held = level_of(first.today.peak_mg_l, float(fish_mg_l))
            ways.append((way_of(first), way_of(advise(after, judged, held))))
    assert {first for first, _ in ways} == {"up", "down", "leave"}
    assert {("up", "down"), ("down", "up")}.isdisjoint(ways)
    assert sum(first != second for first, second in ways) <= 1  # a coin would turn half of the 10


@pytest.mark.parametrize("kind", ["fermentation", "cylinder"])
def test_that_a_bottle_fades_is_said_where_it_matters_and_not_of_a_cylinder(
    usual: Truth, kind: SourceKind, monkeypatch: pytest.MonkeyPatch
) -> None:
    advice = advice_of(usual, kind, marks=limits(15.0))
    assert level_of(advice.today.peak_mg_l, 15.0) != "no concern"
    assert ("The gas is fading" in advice.sentences[-1]) == (kind == "fermentation")
    # Nor where it takes longer than one waits; here three days.
    monkeypatch.setattr("colorread.tank.advice._DAYS_AHEAD", 2)
    assert "fading" not in " ".join(advice_of(usual, kind, marks=limits(15.0)).sentences)


@pytest.mark.parametrize("refilled_before_h", [12.0, -1.0])  # the last photo; it may be noted after that
def test_that_a_new_charge_fades_is_said_only_once_photos_show_it(usual: Truth, refilled_before_h: float) -> None:
    tank = replace(usual.tank, source=source("fermentation"), marks=limits(15.0))
    last_at = fit_of(usual, tank).series.last_at
    refill = Event(at=(last_at - timedelta(hours=refilled_before_h)).replace(second=0, microsecond=0), refilled=True)
    advice = advise(fit_tank(tank, usual.readings, [refill]), tank)
    assert level_of(advice.today.peak_mg_l, 15.0) != "no concern"
    assert "fading" not in " ".join(advice.sentences)


@pytest.mark.parametrize("fish_mg_l", [30.0, 35.0, 40.0])
def test_a_new_charge_that_would_be_too_much_is_made_smaller(fish_mg_l: float) -> None:
    week = simulated_week(0, level_mg_l=(20.0, 50.0), fall_per_day=(0.03, 0.12))
    tank = replace(week.tank, source=source("fermentation"), marks=limits(fish_mg_l))
    fit = fit_of(week, tank)
    advice = advise(fit, tank)
    days = [day for day in (advice.recommended, *advice.others) if day is not None]
    charge = next(day for day in days if day.change.refill_on is not None)
    assert date_words(advice.day) not in charge.words  # it is read on other days too
    assert charge.fish_probability >= FISH_PROBABILITY
    assert charge.plants_share > advice.today.plants_share
    told = re.search(r"at most about (\d+) % of the last charge", charge.words)
    start = day_start(fit, tank.judged_by, datetime.combine(advice.day, time()))
    full = full_charge(start, tank.source, datetime.combine(advice.day, time()))
    share = int(told[1]) / 100.0 if told else 1.0
    assert forecast(start, Change(), "", full * share).fish_probability >= FISH_PROBABILITY
    if told:
        assert forecast(start, Change(), "", full * (share + 0.1)).fish_probability < FISH_PROBABILITY


@pytest.mark.parametrize(("fish_mg_l", "helps"), [(8.0, False), (20.0, False), (40.0, True)])
def test_a_fresh_charge_is_tried_only_where_the_fish_limit_leaves_room(
    usual: Truth, fish_mg_l: float, *, helps: bool
) -> None:
    advice = advice_of(usual, "fermentation", marks=limits(fish_mg_l))
    recharged = [day for day in (advice.recommended, *advice.others) if day and day.change.refill_on is not None]
    assert bool(recharged) == helps
    assert all(day.peak_mg_l.value > advice.today.peak_mg_l.value for day in recharged)
    assert any("watch the fish" in caution for caution in advice.cautions)


@pytest.mark.parametrize("kind", [None, "cylinder", "fermentation"])
def test_far_below_the_range_the_way_up_is_said(kind: SourceKind | None) -> None:
    low = simulated_week(5, level_mg_l=(14.0, 16.0), profile=True)
    tank = replace(low.tank, source=None if kind is None else GasSource(kind=kind))
    advice = advise(fit_of(low, tank), tank)
    assert advice.recommended is None
    set_by = handling_of(tank.source, parse_span("08:00-18:00")).set_by
    assert SET_BY[set_by]["much_more"] in advice.sentences[0]
    # What lowers the CO2 is no alternative there.
    for other in advice.others:
        assert other.peak_mg_l.value >= advice.today.peak_mg_l.value


def test_where_nothing_can_be_simulated_too_much_still_stops_the_gas(usual: Truth) -> None:
    advice = advice_of(usual, "fermentation", marks=limits(8.0), lights=None, gas=ALWAYS)
    assert level_of(advice.today.peak_mg_l, 8.0) == "act"
    assert "hose out of the tank" in advice.sentences[0]
