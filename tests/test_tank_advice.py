from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, time

import numpy as np
import pytest

from colorread.gas_care import SourceKind
from colorread.reading import Interval
from colorread.tank.advice import FISH_PROBABILITY, advise
from colorread.tank.changes import Candidate, candidates, full_charge
from colorread.tank.day_words import hours_words, share_words
from colorread.tank.fit import TankFit, fit_tank
from colorread.tank.forecast import DayStart, day_course, day_start, forecast, lit_hours
from colorread.tank.gas_source import handling_of
from colorread.tank.results import Advice, Change
from colorread.tank.settings import GasSource, Tank, parse_span
from colorread.verdict import Marks, judge
from tests.tank_simulator import Truth, simulated_week

ALWAYS = parse_span("00:00-24:00")


@pytest.fixture(scope="module")
def overdosed() -> Truth:
    return simulated_week(10, level_mg_l=(300.0, 301.0))


@pytest.fixture(scope="module")
def usual() -> Truth:
    return simulated_week(10)


@pytest.fixture(scope="module")
def fit(usual: Truth) -> TankFit:
    return fit_tank(usual.tank, usual.readings)


def source(kind: SourceKind | None) -> GasSource | None:
    return None if kind is None else GasSource(kind=kind, amount_g=200.0, started=date(2026, 3, 1))


def advice_of(truth: Truth, kind: SourceKind | None, **changes: object) -> Advice:
    tank = replace(truth.tank, source=source(kind), **changes)  # type: ignore[arg-type]
    return advise(fit_tank(tank, truth.readings), tank)


def tried_on(fit: TankFit, tank: Tank, *, overdosed: bool = False) -> tuple[Candidate, ...]:
    start = day_start(fit, Marks(), datetime(2026, 3, 9))
    assert tank.gas is not None
    start = replace(start, schedule=replace(start.schedule, gas=tank.gas, lights=tank.lights))
    return candidates(start, handling_of(tank.source, tank.gas), fresh=(), overdosed=overdosed)


def hours_tried(fit: TankFit, gas: str, lights: str | None = "10:00-18:00", *, overdosed: bool = False) -> set[str]:
    tank = Tank(name="tank", gas=parse_span(gas), lights=None if lights is None else parse_span(lights))
    tried = tried_on(fit, replace(tank, source=source("cylinder")), overdosed=overdosed)
    return {str(candidate.change.gas) for candidate in tried if candidate.change.gas is not None}


@pytest.mark.parametrize("kind", ["cylinder", "fermentation", "acid-bicarbonate", None])
def test_after_an_overdose_the_gas_begins_with_what_keeps_the_fish_mark(
    overdosed: Truth, kind: SourceKind | None
) -> None:
    advice = advice_of(overdosed, kind)
    assert advice.today.peak_mg_l.low is not None
    assert advice.today.peak_mg_l.low > 25.0
    assert advice.recommended is not None
    assert advice.recommended.fish_probability >= FISH_PROBABILITY
    factor = advice.recommended.change.rate_factor
    assert (
        f"Only then begin again with no more than about {100.0 * factor:.0f} % of the present gas"
        in (advice.sentences[0])
    )
    tank = replace(overdosed.tank, source=source(kind))
    start = day_start(fit_tank(tank, overdosed.readings), tank.judged_by, datetime(2026, 3, 9))
    assert forecast(start, Change(rate_factor=factor + 0.1), "").fish_probability < FISH_PROBABILITY
    told = " ".join(advice.sentences)
    assert "After that" not in told
    assert "take new photos tomorrow" in told


def test_where_hardly_any_gas_is_too_much_nothing_is_begun_again() -> None:
    far_too_much = simulated_week(5, level_mg_l=(300.0, 301.0))
    advice = advice_of(far_too_much, "fermentation", gas=ALWAYS, lights=ALWAYS, marks=Marks(fish_mg_l=5.0))
    assert advice.recommended is None
    assert "None of the changes that were simulated is enough." in advice.sentences[0]
    assert "begin again" not in " ".join(advice.sentences)


def test_an_overdose_within_reach_of_a_step_does_not_stop_the_gas() -> None:
    advice = advice_of(simulated_week(10, level_mg_l=(80.0, 81.0)), "cylinder")
    assert advice.sentences[0].startswith("The gas must go down now. Turn the gas ")
    assert advice.sentences[-1] == "Look at the fish often and take new photos tomorrow."


def test_yeast_is_neither_switched_nor_throttled(overdosed: Truth, usual: Truth) -> None:
    for advice in (
        advice_of(overdosed, "fermentation"),
        advice_of(usual, "fermentation", marks=Marks(fish_mg_l=14.0)),
        advice_of(usual, "fermentation", gas=ALWAYS, marks=Marks(fish_mg_l=14.0)),
    ):
        days = (*advice.others, *([advice.recommended] if advice.recommended else []))
        told = " ".join((*advice.sentences, *(day.words for day in days)))
        assert not re.search(r"turn the gas|stop it|valve", told, re.IGNORECASE)
        assert "open air" in told
        assert "take the hose out of the tank, never close or pinch it" in advice.sentences[0]
    assert "lead it into the open air" in advice_of(overdosed, "fermentation").sentences[0]


@pytest.mark.parametrize(
    ("kind", "gas", "rates", "words"),
    [
        ("cylinder", "08:00-18:00", True, "Turn the gas off at 17:00 instead of 18:00."),
        ("cylinder", "00:00-24:00", True, "Turn the gas on at 09:00 and off at 18:00 instead of day and night."),
        ("acid-bicarbonate", "08:00-18:00", True, "Turn the gas off at 17:00 instead of 18:00."),
        (
            "acid-bicarbonate",
            "00:00-24:00",
            False,
            "Lead the gas into the tank from 09:00 and into the open air from 18:00 instead of day and night.",
        ),
        (
            "fermentation",
            "08:00-18:00",
            False,
            "Lead the gas into the open air from 17:00 instead of 18:00.",
        ),
        (None, "08:00-18:00", True, "Let the gas into the tank until 17:00 instead of 18:00."),
    ],
)
def test_only_what_a_source_allows_is_tried(
    fit: TankFit, kind: SourceKind | None, gas: str, words: str, *, rates: bool
) -> None:
    tank = Tank(name="tank", gas=parse_span(gas), lights=parse_span("10:00-18:00"), source=source(kind))
    tried = tried_on(fit, tank)
    assert words in {candidate.words for candidate in tried}
    assert any(candidate.change.rate_factor != 1.0 for candidate in tried) == rates
    assert any(candidate.words.startswith("Run an air stone at night") for candidate in tried)


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


@pytest.mark.parametrize("fish_mg_l", [14.0, 15.0])
def test_an_excess_of_many_days_is_not_waited_for_but_it_is_told_that_fading_mends_it(
    usual: Truth, fish_mg_l: float
) -> None:
    advice = advice_of(usual, "fermentation", marks=Marks(fish_mg_l=fish_mg_l))
    assert advice.today.fish_probability < FISH_PROBABILITY
    assert advice.recommended is not None
    assert advice.recommended.fish_probability > advice.today.fish_probability
    assert re.search(
        r"The gas fades by itself: .* in about \d days?\. Until then watch the fish\. After that", advice.sentences[-1]
    )


@pytest.mark.parametrize("fish_mg_l", [18.0, 19.0])
@pytest.mark.parametrize("kind", ["fermentation", "acid-bicarbonate", None])
def test_gas_that_fades_below_the_mark_in_two_days_is_waited_for(
    usual: Truth, kind: SourceKind | None, fish_mg_l: float
) -> None:
    advice = advice_of(usual, kind, marks=Marks(fish_mg_l=fish_mg_l))
    assert advice.today.fish_probability < FISH_PROBABILITY
    assert advice.recommended is None
    assert any(day.fish_probability > advice.today.fish_probability for day in advice.others)
    told = re.fullmatch(
        r"Nothing yet: the gas fades by itself, and in about (\d) days? the tank stays below \d\d mg/L all day "
        r"with a probability of 9\d %\. Watch the fish until then\.",
        advice.sentences[0],
    )
    assert told is not None
    assert int(told[1]) <= 2
    assert "Turn the gas" not in " ".join(advice.sentences)


def test_a_cylinder_is_never_waited_for_as_it_does_not_fade_by_itself(usual: Truth) -> None:
    advice = advice_of(usual, "cylinder", marks=Marks(fish_mg_l=18.0))
    assert advice.recommended is not None
    assert "fades by itself" not in " ".join(advice.sentences)


@pytest.mark.parametrize(("fish_mg_l", "waits"), [(14.0, False), (15.0, True)])
def test_a_peak_that_calls_for_action_is_never_waited_for(
    usual: Truth, monkeypatch: pytest.MonkeyPatch, fish_mg_l: float, *, waits: bool
) -> None:
    monkeypatch.setattr("colorread.tank.advice._WAIT_DAYS", 9)
    advice = advice_of(usual, "fermentation", marks=Marks(fish_mg_l=fish_mg_l))
    assert (judge(advice.today.peak_mg_l, Marks(fish_mg_l=fish_mg_l)).fish == "act") != waits
    assert (advice.recommended is None) == waits


@pytest.mark.parametrize("fish_mg_l", [26.0, 30.0, 35.0, 40.0])
def test_a_new_charge_that_would_be_too_much_is_made_smaller(usual: Truth, fish_mg_l: float) -> None:
    tank = replace(usual.tank, source=source("fermentation"), marks=Marks(fish_mg_l=fish_mg_l))
    fit = fit_tank(tank, usual.readings)
    advice = advise(fit, tank)
    assert advice.recommended is not None
    assert advice.recommended.change.refill_on == advice.day
    assert advice.recommended.fish_probability >= FISH_PROBABILITY
    assert advice.recommended.plants_share > advice.today.plants_share
    told = re.search(
        r"for no more than about (\d\d) % of the gas that the present charge began with", advice.sentences[0]
    )
    assert told is not None
    assert "by fewer bottles or a smaller charge; all of it may be too much for the fish." in advice.sentences[0]
    start = day_start(fit, tank.judged_by, datetime(2026, 3, 8))
    full = full_charge(start, tank.source, datetime(2026, 3, 8))
    assert full is not None
    for share, fine in ((int(told[1]) / 100.0, True), (int(told[1]) / 100.0 + 0.1, False), (1.0, False)):
        assert (forecast(start, Change(), "", full * share).fish_probability >= FISH_PROBABILITY) == fine


def test_a_smaller_charge_is_the_advice_only_where_nothing_else_does() -> None:
    week = simulated_week(0, level_mg_l=(20.0, 50.0), fall_per_day=(0.03, 0.12))
    advice = advice_of(week, "acid-bicarbonate")
    assert advice.sentences[0] == "Turn the gas up by about 20 %."
    charge = next(day for day in advice.others if day.change.refill_on is not None)
    assert re.search(r"began with; all of it may be too much", charge.words)
    assert charge.plants_share > advice.today.plants_share


def test_where_a_peak_calls_for_action_but_nothing_can_be_simulated_the_gas_is_told_of(usual: Truth) -> None:
    advice = advice_of(usual, "fermentation", marks=Marks(fish_mg_l=12.0), lights=None, gas=ALWAYS)
    assert advice.recommended is None
    assert advice.sentences[0].startswith("Look at the fish now; lead the gas into the open air for some hours: ")


def test_of_two_changes_the_order_is_told(fit: TankFit) -> None:
    tank = Tank(name="tank", gas=parse_span("08:00-18:00"), lights=parse_span("10:00-18:00"), source=source("cylinder"))
    words = {candidate.words for candidate in tried_on(fit, tank)}
    later = " Two days later, if new photos still ask for it: "
    assert f"First turn the gas off at 17:00 instead of 18:00.{later}turn the gas down by about 10 %." in words
    # What brings less gas comes before what brings more.
    assert f"First turn the gas down by about 10 %.{later}turn the gas off at 19:00 instead of 18:00." in words
    assert f"First turn the gas off at 17:00 instead of 18:00.{later}turn the gas up by about 10 %." in words
    at_once = {candidate.words for candidate in tried_on(fit, tank, overdosed=True)}
    assert "Do both: turn the gas off at 17:00 instead of 18:00, and turn the gas down by about 10 %." in at_once


def test_what_both_changes_do_is_told_of_both() -> None:
    advice = advice_of(simulated_week(10, level_mg_l=(45.0, 46.0)), "cylinder")
    assert advice.sentences[0].startswith("First turn the gas off ")
    assert advice.sentences[2].startswith("With both changes it stays below")


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (None, "turn it up by a fifth at most at a time, or with bottles take another one"),
        ("cylinder", "turn it up by a fifth at most at a time, and"),
        ("fermentation", "take another bottle or a larger charge"),
    ],
)
def test_far_below_the_range_the_way_up_is_told(kind: SourceKind | None, words: str) -> None:
    low = simulated_week(5, level_mg_l=(14.0, 16.0), profile=True)
    tank = replace(low.tank, source=None if kind is None else GasSource(kind=kind))
    fit = fit_tank(tank, low.readings)
    advice = advise(fit, tank)
    assert advice.recommended is None
    assert words in advice.sentences[0]
    assert "Come closer to the range slowly: " in advice.sentences[0]
    # What lowers the CO2 is no alternative there.
    for other in advice.others:
        assert other.peak_mg_l.value is not None
        assert advice.today.peak_mg_l.value is not None
        assert other.peak_mg_l.value >= advice.today.peak_mg_l.value
    if kind == "cylinder":
        assert "Turn the gas up by about 20 %." in [other.words for other in advice.others]


@pytest.mark.parametrize("fish_mg_l", [16.0, 18.0, 20.0])
def test_the_gas_that_is_told_to_keep_the_fish_mark_does(fish_mg_l: float) -> None:
    low = simulated_week(6, level_mg_l=(14.0, 16.0), profile=True)
    tank = replace(low.tank, marks=Marks(fish_mg_l=fish_mg_l))
    fit = fit_tank(tank, low.readings)
    advice = advise(fit, tank)
    told = re.search(r"; ([\d.]+) times the present gas", advice.sentences[0])
    assert told is not None
    start = day_start(fit, tank.judged_by, datetime.combine(advice.day, time()))
    kept, too_much = (forecast(start, Change(), "", float(told[1]) + more).fish_probability for more in (0.0, 0.1))
    assert too_much < FISH_PROBABILITY <= kept


def test_where_nothing_can_be_simulated_the_hours_of_the_lamp_are_asked_for(usual: Truth) -> None:
    marks = Marks(fish_mg_l=14.0)
    advice = advice_of(usual, "fermentation", marks=marks, lights=None, gas=parse_span("00:00-24:00"))
    assert advice.recommended is None
    assert advice.sentences[0] == "No change could be simulated; state the hours of the lamp."
    assert advice.sentences[1].endswith("of the hours with gas.")
    assert "Look at the fish often and take new photos tomorrow." in advice.sentences


def share_of_light(start: DayStart) -> np.ndarray:  # type: ignore[type-arg]
    lit = day_course(start, Change())[:, lit_hours(start.schedule)]
    return ((lit >= 15.0) & (lit <= 30.0)).mean(axis=1)


def test_the_share_of_the_light_has_its_interval(fit: TankFit) -> None:
    start = day_start(fit, Marks(), datetime(2026, 3, 9))
    day, shares = forecast(start, Change(), ""), share_of_light(start)
    assert ((shares >= day.plants_share_low) & (shares <= day.plants_share_high)).mean() >= 0.9
    assert (shares < day.plants_share_high).mean() > 0.5
    assert day.plants_share_low < day.plants_share < day.plants_share_high
    words = share_words(replace(day, plants_share=0.55, plants_share_low=0.311, plants_share_high=0.779))
    assert words == "55 % (31 to 78 %)"


def test_a_rare_share_of_the_light_lies_within_its_interval(fit: TankFit) -> None:
    usual = day_start(fit, Marks(), datetime(2026, 3, 9))
    rare_mg_l = float(np.quantile(day_course(usual, Change()).max(axis=1), 0.97))
    day = forecast(replace(usual, marks=Marks(plants_low_mg_l=rare_mg_l, plants_high_mg_l=90.0)), Change(), "")
    assert 0.0 < day.plants_share <= day.plants_share_high


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        ((0.0, 0.0, 0.0), "less than 0.5 h"),
        ((0.0, 0.0, 0.25), "less than 0.5 h"),
        ((0.0, 0.0, 4.5), "0.0 (0.0 to 4.5) h"),
        ((11.25, 9.0, 24.0), "11.2 (9.0 to 24.0) h"),
    ],
)
def test_hours_never_tell_certainty(hours: tuple[float, float, float], words: str) -> None:
    value, low, high = hours
    assert hours_words(Interval(value=value, low=low, high=high)).short() == words
