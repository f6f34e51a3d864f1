from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import icalendar
import numpy as np
import pytest
from hypothesis import given, strategies as st
from typer.testing import CliRunner

from colorread.cli import app as command_line
from colorread.log.lines import export_lines, import_lines
from colorread.log.store import Damage, Log, LogError
from colorread.records import json_line, read_record
from colorread.report.calendar import calendar_bytes, write_calendar
from colorread.tank.advice import advise
from colorread.tank.events import Event, bubbles_now, parse_moment, parse_share, updated_tank
from colorread.tank.fit import fit_tank, is_steady
from colorread.tank.forecast import plan_of, planned_photos, usual_photos
from colorread.tank.model import Turn, simulate
from colorread.tank.results import Plan
from colorread.tank.series import counts_of, steps_of, vial_series
from colorread.tank.settings import GasSource, Tank, parse_span
from colorread.tank.summary import summarize
from colorread.tank.tank_words import plan_lines
from tests.benchmark_notes import coverage, narrowed
from tests.fabricated_week import made_week
from tests.page_server import client_of, form_token, make_log
from tests.tank_simulator import START, few_draws, simulated_week
from tests.test_tank_model import WEEK, parameters

_few_draws = pytest.fixture(few_draws, scope="module", autouse=True)

NOON = datetime(2025, 6, 4, 12)
WATER = Event(at=NOON, water_change=0.3, text="weekly")
REFILL = Event(at=NOON + timedelta(hours=5), refilled=True, refill_g=120.0)
COUNT = Event(at=NOON + timedelta(hours=6), bubbles=60.0)

events = st.builds(
    Event,
    at=st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)).map(lambda at: at.replace(second=0, microsecond=0)),
    text=st.text(st.characters(categories=["L", "N", "P", "Zs"]), min_size=1, max_size=20).filter(str.isprintable),
    water_change=st.none() | st.floats(0.01, 1.0),
    refilled=st.just(True),
    refill_g=st.none() | st.floats(1.0, 500.0),
    gas_changed=st.booleans(),
    fluid_renewed=st.booleans(),
    diffuser=st.booleans(),
    bubbles=st.none() | st.floats(1.0, 500.0),
)


def run(*arguments: str) -> str:
    result = CliRunner().invoke(command_line, arguments)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = make_log(tmp_path)
    with Log(path) as log:
        for event in (REFILL, WATER, COUNT):
            log.add_event("window", event)
    return path


@given(events)
def test_event_survives_json(event: Event) -> None:
    assert read_record(Event, "the note", json.loads(json_line(event))) == event


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"text": "two\nlines"},
        {"water_change": 0.0},
        {"water_change": float("nan")},
        {"bubbles": 0.0},
        {"refilled": True, "refill_g": -3.0},
        {"text": "x", "refill_g": 3.0},
        {"text": "x", "at": NOON.replace(second=3)},
        {"text": "x", "at": NOON.astimezone()},
    ],
)
def test_event_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        Event(**({"at": NOON} | wrong))


def test_times_and_shares_as_they_are_typed() -> None:
    moments = [parse_moment(text, NOON) for text in ("", "9:05", "2025-06-03 18:30")]
    assert moments == [NOON, NOON.replace(hour=9, minute=5), datetime(2025, 6, 3, 18, 30)]
    for wrong in ("2025-06-03", "13:00", "25:00", "2025-06-03T18:30+02:00"):  # 13:00 is of the future
        with pytest.raises(ValueError):
            parse_moment(wrong, NOON)
    assert [parse_share(text) for text in ("30%", "30", " 12,5 % ")] == [0.3, 0.3, 0.125]
    for wrong in ("a third", "", "-3"):
        with pytest.raises(ValueError):
            parse_share(wrong)


def test_log_keeps_notes_moves_them_along_and_lets_them_go(path: Path, tmp_path: Path) -> None:
    with Log(path) as log, Log(tmp_path / "copy.sqlite") as copy:
        assert list(log.events("window").values()) == [WATER, REFILL, COUNT]
        assert not log.add_event("window", WATER)
        lines = [line.encode() for line in export_lines(log)]
        done, again = import_lines(copy, lines), import_lines(copy, lines)
        assert (done.notes, done.kept_notes, again.notes, again.kept_notes) == (3, 0, 0, 3)
        assert [line.encode() for line in export_lines(copy)] == lines
        log.rename_tank("window", "desk")
        assert list(log.events("desk").values()) == [WATER, REFILL, COUNT]
        assert log.forget_events("desk", [WATER.id, "none such"]) == 1
        with pytest.raises(LogError, match="2 notes"):
            log.remove_tank("desk")
        log.remove_tank("desk", with_readings=True)
        with pytest.raises(LogError):
            log.add_event("desk", WATER)
        # An export of before there were notes counts none.
        copy.forget_events("window", copy.events("window"))
        of_before = [line.replace(', "notes": 0', "").encode() for line in export_lines(copy)]
        assert b"notes" not in of_before[-1]
        assert import_lines(log, of_before).tanks == 1


def test_damaged_note_is_told_and_can_be_forgotten(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE event SET event = '{}' WHERE id = ?", (REFILL.id,))
        connection.commit()
    told: list[Damage] = []
    with Log(path) as log:
        assert list(log.events("window", told.append).values()) == [WATER, COUNT]
    assert [(damage.tank, damage.sha256) for damage in told] == [("window", REFILL.id)]
    shown = CliRunner().invoke(command_line, ["log", "show", "--log", str(path)])
    assert shown.exit_code == 1
    run("log", "forget", "--tank", "window", "--note", REFILL.id[:12], "--yes", "--log", str(path))
    run("log", "show", "--log", str(path))


def test_notes_on_the_command_line(path: Path) -> None:
    log = ("--tank", "window", "--log", str(path))
    run("log", "note", "new bottle", "--refilled", "150", "--at", "2025-06-05 08:00", "--bubbles", "50", *log)
    with Log(path) as opened:
        added = list(opened.events("window").values())[-1]
    expected = Event(at=datetime(2025, 6, 5, 8), text="new bottle", refilled=True, refill_g=150.0, bubbles=50.0)
    assert added == expected
    shown = json.loads(run("log", "show", "--json", *log).splitlines()[-1])
    assert read_record(Event, "the note", {name: value for name, value in shown.items() if name != "tank"}) == added
    assert added.id[:8] in run("log", "show", *log)
    assert "1 note" in run("log", "forget", "--note", added.id[:8], "--yes", *log)
    assert "3 notes" in run("log", "forget", "--before", "2025-06-05", "--yes", *log)
    with Log(path) as opened:
        assert not opened.events("window")
    assert "113.4 g" in run("log", "note", "--refilled", "4oz", *log)
    for wrong in (["--water-change", "130%"], [], ["--at", "never", "x"], ["--refilled", "0"], ["--refilled", "4cups"]):
        result = CliRunner().invoke(command_line, ["log", "note", *wrong, *log])
        assert (result.exit_code, "Traceback" in result.output) == (2, False)


def test_page_notes_in_two_taps_and_deletes(path: Path) -> None:
    with client_of(path) as (client, _):
        shown = client.get("/tanks/window").text
        assert 'name="done" value="water"' in shown
        token = {"csrf": form_token(shown)}

        def noted(**typed: str) -> int:
            return client.post("/tanks/window/notes", data=token | typed).status_code

        assert (noted(done="water"), noted(bubbles="44")) == (303, 303)
        assert (noted(), noted(bubbles="many"), noted(done="water", share="300")) == (422, 422, 422)
        assert noted(text="x", at="2999-01-01T10:00") == 422
        assert client.post("/tanks/window/notes", data={"done": "water"}).status_code == 403
        with Log(path) as log:
            kept = log.events("window")
        new = [event for event in kept.values() if event.at > COUNT.at]
        assert {(event.water_change, event.bubbles) for event in new} == {(0.3, None), (None, 44.0)}
        page = client.get("/tanks/window/notes").text
        assert all(event_id in page for event_id in kept)
        client.post(f"/tanks/window/notes/{WATER.id}", data=token)
        with Log(path) as log:
            assert kept.keys() - log.events("window").keys() == {WATER.id}


def test_programs_note_list_and_delete(path: Path) -> None:
    with client_of(path) as (client, _):
        url = "/api/tanks/window/notes"
        listed = client.get(url).json()
        assert [one.pop("id") for one in listed] == [WATER.id, REFILL.id, COUNT.id]
        assert [read_record(Event, "the note", one) for one in listed] == [WATER, REFILL, COUNT]
        typed = {"at": "2025-06-05 08:00", "text": " more ", "gas_changed": True, "bubbles": 44}
        added, again = client.post(url, json=typed), client.post(url, json=typed)
        assert (added.status_code, again.status_code) == (201, 200)
        assert again.json() == added.json()
        with Log(path) as log:
            kept = log.events("window")[added.json()["id"]]
        assert kept == Event(at=datetime(2025, 6, 5, 8), text="more", gas_changed=True, bubbles=44.0)
        before = datetime.now().replace(second=0, microsecond=0)
        now = client.post(url, json={"water_change": 0.3}).json()
        assert before <= datetime.fromisoformat(now["at"]) <= datetime.now()
        assert [client.delete(f"{url}/{kept.id}").status_code for _ in range(2)] == [204, 404]
        for method, path_of, body in (("DELETE", "/x", None), ("GET", "", None), ("POST", "", {"text": "x"})):
            answer = client.request(method, f"/api/tanks/cellar/notes{path_of}", json=body)
            assert answer.status_code == 404
        assert [one["id"] for one in client.get(url).json()] == [WATER.id, REFILL.id, COUNT.id, now["id"]]


def test_notes_of_programs_that_cannot_be_are_refused_in_one_sentence(path: Path) -> None:
    with client_of(path) as (client, _):
        said = ('"text": null', '"water_change": NaN', '"bubbles": "60"', '"bubbles": 1e999', '"refilled": 1')
        said += ('"text": "\\ud800"', '"diffuser": true, "schema": "colorread.event/2"', '"text": "x", "by": "me"')
        said += ('"text": "x", "at": "2025-06-04T10:00+02:00"', '"text": "x", "at": 5')
        for wrong in ("{}", "[]", "{", *(f"{{{each}}}" for each in said)):
            answer = client.post("/api/tanks/window/notes", content=wrong, headers={"Content-Type": "application/json"})
            assert answer.status_code == 422, wrong
            assert "\n" not in answer.json()["message"]
        with Log(path) as log:
            assert list(log.events("window").values()) == [WATER, REFILL, COUNT]


def test_settings_follow_refills_and_new_fluid() -> None:
    tank = Tank(name="t", source=GasSource(kind="fermentation", amount_g=200.0, started=date(2025, 6, 1)))
    later = [Event(at=NOON + timedelta(days=9), fluid_renewed=True), replace(REFILL, refill_g=None), REFILL, WATER]
    after = updated_tank(tank, later)
    assert after.source == GasSource(kind="fermentation", amount_g=120.0, started=REFILL.at.date())
    assert after.fluid_renewed == date(2025, 6, 13)
    old = updated_tank(tank, [replace(REFILL, at=datetime(2025, 5, 1))])
    assert old == tank


def test_water_change_gas_and_fluid_act_at_their_hour() -> None:
    first, hours = parameters(), np.array([29.999, 30.0, 30.001, 40.0])
    louder = replace(first, gas_mg_l_h=2.0 * first.gas_mg_l_h)
    turn = Turn(hour=30.0, parameters=louder, water_change=0.4, fluid_renewed=True)
    start = np.full((2, 1), 10.0)
    plain, _ = simulate(first, WEEK, hours, start)
    tank, vial = simulate(first, WEEK, hours, start, turns=(turn,))
    assert tank[0, 0] == plain[0, 0]
    assert tank[0, 2] == pytest.approx(0.6 * plain[0, 2] + 0.4 * 0.8, rel=1e-3)
    assert vial[0, 2] == pytest.approx(0.8, rel=0.02)
    only_gas = simulate(first, WEEK, hours, start, turns=(replace(turn, water_change=0.0, fluid_renewed=False),))[0]
    assert only_gas[0, 3] > 1.4 * plain[0, 3]


def test_steps_and_counts() -> None:
    gas = Event(at=NOON, gas_changed=True)
    soon = Event(at=NOON + timedelta(minutes=20), diffuser=True)
    steps = steps_of([WATER, gas, soon], NOON - timedelta(hours=12))
    assert [(step.water_change, step.gas_std > 0.0) for step in steps] == [(pytest.approx(0.3), False), (0.0, True)]
    assert steps_of([gas], NOON + timedelta(hours=1)) == ()
    count = [Event(at=NOON + timedelta(hours=hour), bubbles=50.0) for hour in (1, 2)]
    counts = counts_of(count, NOON)
    assert counts.n_free == 1
    np.testing.assert_allclose(counts.centering @ np.ones(2), 0.0, atol=1e-12)
    moved = Event(at=NOON + timedelta(minutes=90), diffuser=True)
    assert counts_of([count[0], moved, count[1]], NOON) is None  # other bubbles


def test_bands_cover_weeks_whose_events_are_noted() -> None:
    # The photos of a week share most of their error: one week in six may miss with half of them.
    rows = [coverage(seed, ("water", "refill", "bubbles"), noted=True) for seed in range(8)]
    covered, steady, _ = np.mean(rows, axis=0)
    assert covered >= 0.86
    assert steady > 0.8


def test_large_refill_needs_its_note() -> None:
    week = simulated_week(3, turned=(80.0, 3.0))
    refill = Event(at=START.replace(tzinfo=None) + timedelta(hours=80), refilled=True)
    unnoted, noted = fit_tank(week.tank, week.readings), fit_tank(week.tank, week.readings, [refill])
    assert not is_steady(unnoted)
    assert is_steady(noted)
    assert len(noted.series.hours) == len(unnoted.series.hours)  # nothing is left out
    low, high = np.quantile(noted.course(week.hours)[0], (0.05, 0.95), axis=0)
    assert np.mean((low <= week.tank_mg_l) & (week.tank_mg_l <= high)) >= 0.86
    ratio = noted.gas_rates(np.array([79.0, 81.0]))
    low_ratio, high_ratio = np.quantile(ratio[:, 1] / ratio[:, 0], (0.05, 0.95))
    assert 1.0 < low_ratio < 3.0 < high_ratio


def test_bubbles_tell_how_far_the_gas_was_turned() -> None:
    week = simulated_week(2)
    end = START.replace(tzinfo=None) + timedelta(hours=float(week.hours[-1]))
    turned = Event(at=(end + timedelta(hours=1)).replace(second=0, microsecond=0), gas_changed=True)
    before = Event(at=turned.at - timedelta(hours=10), bubbles=60.0)
    widths = []
    for events_of in ([turned], [before, replace(turned, bubbles=30.0)]):
        fit = fit_tank(week.tank, week.readings, events_of)
        hour = (turned.at - START.replace(tzinfo=None)) / timedelta(hours=1)
        rates = fit.gas_rates(np.array([hour - 0.1, hour + 0.1]))
        low, middle, high = np.quantile(rates[:, 1] / rates[:, 0], (0.05, 0.5, 0.95))
        widths.append(np.log(high / low))
    assert middle == pytest.approx(0.5, rel=0.15)
    assert widths[1] < 0.5 * widths[0]


def test_changes_of_the_rate_are_said_in_bubbles() -> None:
    assert bubbles_now([REFILL, COUNT], COUNT.at) == 60.0
    assert bubbles_now([COUNT, replace(REFILL, at=NOON + timedelta(hours=9))], NOON + timedelta(hours=10)) is None
    for days in (-4, 4):  # nor one made long after the photos that are spoken of
        assert bubbles_now([COUNT], COUNT.at + timedelta(days=days)) is None
    week = simulated_week(5)
    fit = fit_tank(week.tank, week.readings)
    # A diffuser that hangs higher gives as many bubbles as before.
    for kind, valve, counted in (("cylinder", "needle", True), ("acid-bicarbonate", "none", False)):
        source = GasSource(kind=kind, valve=valve)
        advice = advise(fit, replace(week.tank, source=source), bubbles=60.0)
        days = (advice.recommended, *advice.others)
        turned = [day for day in days if day is not None and day.change.rate_factor != 1.0]
        assert turned
        for day in turned:
            assert (f"from 60 to {60.0 * day.change.rate_factor:.0f} bubbles" in day.words) is counted


def test_planned_photo_tells_more_than_usual_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.benchmark_notes._N_NOISES", 4)
    _, planned, usual = narrowed(0)
    assert planned < usual


def test_tank_without_a_course_is_photographed_around_its_switching() -> None:
    tank = Tank(name="t", lights=parse_span("10:00-18:00"), gas=parse_span("08:00-17:00"))
    assert [photo.at.hour for photo in usual_photos(tank, NOON)] == [17, 20, 8, 11]
    assert usual_photos(Tank(name="t"), NOON) == ()
    assert summarize(tank, [], now=NOON).plan.photos == usual_photos(tank, NOON)


def test_plan_is_of_days_to_come_and_of_a_course_of_long_ago_there_is_none() -> None:
    week = simulated_week(5)
    source = GasSource(kind="acid-bicarbonate", amount_g=100.0, started=START.date())
    fit, of = fit_tank(week.tank, week.readings), replace(week.tank, source=source)
    outlook = made_week().findings.source
    soon, late = (plan_of(of, fit, outlook, fit.series.last_at + timedelta(days=days)) for days in (1, 30))
    assert soon.refill_from < soon.refill_on < (soon.refill_until or date.max)
    assert soon.photos[0].tells != "usual"
    assert (late.refill_from, late.refill_on, late.refill_until) == (None, None, None)
    assert {photo.tells for photo in late.photos} == {"usual"}
    photos = planned_photos(fit, fit.series.last_at)
    times = [photo.at for photo in photos]
    assert photos[0].narrowing > 0.0
    assert fit.series.last_at < times[0] <= fit.series.last_at + timedelta(hours=25)
    assert all(later - sooner >= timedelta(hours=2) for sooner, later in pairwise(times))
    assert all(7 <= at.hour <= 22 and at.minute == 0 for at in times)


def test_charge_without_its_hour_begins_a_course_though_a_later_one_is_noted() -> None:
    week = simulated_week(5)
    start = START.replace(tzinfo=None)
    source = GasSource(kind="acid-bicarbonate", amount_g=100.0, started=(start + timedelta(days=1)).date())
    tank = replace(week.tank, source=source)
    later = Event(at=start + timedelta(days=4, hours=9), refilled=True)
    same = replace(later, at=start + timedelta(days=1, hours=9))
    left_out = [vial_series(tank, week.readings, noted).left_out["earlier charge"] for noted in ([], [later], [same])]
    assert left_out[0] == left_out[1] > 0
    assert left_out[2] == 0


def test_refill_long_after_the_last_photo_leaves_the_days_as_they_are() -> None:
    week = simulated_week(5)
    last = fit_tank(week.tank, week.readings).series.last_at.replace(second=0, microsecond=0)
    late = Event(at=last + timedelta(days=400), refilled=True, refill_g=120.0)
    now = late.at + timedelta(hours=1)
    told, before = (summarize(week.tank, week.readings, events, now=now) for events in ((late,), ()))
    assert told.now.co2_mg_l == before.now.co2_mg_l
    assert any("refilled" in sentence for sentence in told.more)


def test_plan_says_when_the_gas_ends_and_today_only_where_it_is_read_today() -> None:
    for first, last, words in (
        (date(2025, 6, 17), date(2025, 6, 24), "June 20 (June 17 to 24)."),
        (date(2025, 5, 30), date(2025, 7, 2), "June 20 (May 30 to July 2)."),
        (date(2025, 6, 17), None, "June 20 (June 17 or later)."),
        (None, None, "June 20."),
    ):
        plan = Plan(photos=(), refill_on=date(2025, 6, 20), renew_fluid_on=None, refill_from=first, refill_until=last)
        (line,) = plan_lines(plan)
        assert line.endswith(words)
    for today, when in ((date(2025, 6, 9), "today"), (date(2025, 6, 8), "tomorrow"), (None, "June 9,")):
        assert f"{when} 13:00" in plan_lines(made_week().plan, today)[0]


def test_plan_as_a_calendar(tmp_path: Path) -> None:
    week = made_week()
    entries = icalendar.Calendar.from_ical(calendar_bytes(week)).walk("VEVENT")
    assert [(entry["uid"].partition("-")[0], entry["dtstart"].dt) for entry in entries] == [
        *(("photo", photo.at) for photo in week.plan.photos),
        ("refill", date(2025, 6, 20)),
        ("fluid", date(2025, 6, 17)),
    ]
    assert len({entry["uid"] for entry in entries}) == len(entries)
    nothing = replace(week, plan=replace(week.plan, photos=(), refill_on=None, renew_fluid_on=None))
    with pytest.raises(ValueError):
        write_calendar(tmp_path / "plan.ics", nothing)


def test_summary_counts_what_is_noted_until_now() -> None:
    week = simulated_week(1)
    now = START.replace(tzinfo=None) + timedelta(days=7)
    refill = Event(at=now - timedelta(minutes=1), refilled=True)
    tank = replace(week.tank, source=GasSource(kind="acid-bicarbonate", amount_g=100.0, started=START.date()))
    later = replace(refill, at=now + timedelta(hours=1))
    plain, noted = (summarize(tank, week.readings, of, now=now) for of in ((later,), (refill,)))
    assert (plain.events, noted.events) == ((), (refill,))
    assert noted.tank.source.started == refill.at.date()
    assert len(noted.more) == len(plain.more) + 1
    without, with_it = (summary.now.co2_mg_l for summary in (plain, noted))
    assert with_it.high / with_it.low > 1.5 * without.high / without.low  # what the new charge gives is not known yet
