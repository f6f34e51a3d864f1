from __future__ import annotations

import errno
import json
import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path, PureWindowsPath
from typing import Any

import platformdirs
import pytest
from hypothesis import given, settings, strategies as st
from typer.testing import CliRunner

from colorread.cli import app as command_line
from colorread.log import (
    Damage,
    DiskFull,
    Log,
    LogEntry,
    LogError,
    LogFailure,
    database as log_file,
    default_log_path,
    forget_readings,
    forget_tank,
    photo_path,
    undecided_path,
)
from colorread.log.lines import check_lines, export_lines, import_lines, lines_in
from colorread.records import plain, read_record
from colorread.result import Interval, Reading, Reason
from colorread.tank.events import Event
from colorread.tank.settings import Tank
from tests.fabricated import made_reading, made_refusal
from tests.made_log import START, failing_transaction, made_entry, made_log_at
from tests.test_tank import tanks

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.sqlite"


@pytest.fixture
def log(path: Path) -> Iterator[Log]:
    with made_log_at(path) as opened:
        yield opened


def rounded(low: float, high: float, digits: int) -> st.SearchStrategy[float]:
    return st.floats(low, high).map(lambda value: round(value, digits))


def intervals(low: float, high: float, digits: int) -> st.SearchStrategy[Interval]:
    three = st.lists(rounded(low, high, digits), min_size=3, max_size=3).map(sorted)
    two_sided = three.map(lambda ends: Interval(value=ends[1], low=ends[0], high=ends[2]))
    open_ends = st.sampled_from(({"low": None, "value": None}, {"high": None, "value": None}, {}))
    return st.builds(lambda interval, ends: replace(interval, **ends), two_sided, open_ends)


def outlines() -> st.SearchStrategy[tuple[tuple[float, float], ...]]:
    return st.lists(st.tuples(rounded(-1e4, 1e4, 1), rounded(-1e4, 1e4, 1)), max_size=5).map(tuple)


minutes = st.integers(-14 * 60, 14 * 60).map(lambda offset: timezone(timedelta(minutes=offset)))
names = st.text(st.characters(categories=("L", "N", "P", "Z", "S", "Cc", "Cs")), max_size=20)
common: dict[str, st.SearchStrategy[Any]] = {
    "photo": names,
    "taken_at": st.none() | st.datetimes(datetime(1990, 1, 1), datetime(9998, 12, 31), timezones=st.none() | minutes),
    "time_source": st.sampled_from(("exif with offset", "exif without offset", "file time", "unknown")),
    "kh_dkh": rounded(0.25, 30.0, 3),
    "temperature_c": rounded(5.0, 40.0, 2),
    "fluid": st.sampled_from(("reference", "tank-water")),
    "light": st.sampled_from(("daylight", "unknown")),
    "assumed": st.lists(st.sampled_from(("kh", "temperature", "light", "fluid"))).map(tuple),
    "reference": st.sampled_from((None, "card", "tag")),
    "tank_kh_dkh": st.none() | rounded(0.25, 30.0, 3),
    "flags": st.lists(st.text()).map(tuple),
    "card_corners_px": st.none() | outlines(),
    "vial_outline_px": st.none() | outlines(),
    "profile": st.none() | st.text(),
}
read = st.fixed_dictionaries(
    {
        **common,
        "ph": intervals(4.0, 10.0, 3),
        "co2_mg_l": intervals(0.0, 500.0, 2),
        "limit": st.sampled_from((None, "below", "above")),
        "co2_rule_of_thumb_mg_l": st.none() | rounded(0.0, 500.0, 2),
        "tank_ph": st.none() | intervals(4.0, 10.0, 3),
        "budget": st.dictionaries(st.text(), rounded(0.0, 2.0, 4), max_size=4),
    }
).map(lambda values: made_reading(**values))
reasons = st.builds(Reason, code=st.text(), message=st.text(), next_step=st.text())
refusals = st.fixed_dictionaries({**common, "reason": reasons}).map(lambda values: made_refusal(**values))


@settings(max_examples=40)  # each field has its odd values in a third of them
@given(read | refusals)
def test_reading_comes_back_from_json_as_it_was(reading: Reading) -> None:
    assert read_record(Reading, "the reading", json.loads(json.dumps(plain(reading), allow_nan=False))) == reading


WHOLE = plain(made_reading())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"schema": "colorread.reading/2"}, "schema"),
        ({"status": "guessed"}, "status"),
        ({"status": "refused"}, "status"),
        ({"taken_at": "today"}, "taken_at"),
        ({"ph": None}, "ph, co2_mg_l and verdict"),
        ({"ph": {"value": 7.0, "low": 7.2, "high": 7.4}}, "between its ends"),
        ({"ph": {"value": 7.0, "low": None, "high": None}}, "must have an end"),
        ({"ph": {"value": "7"}}, "The ph of the reading lacks low, high"),
        ({"kh_dkh": float("inf")}, "kh_dkh"),
        ({"kh_dkh": 10**400}, "kh_dkh"),
        ({"kh_dkh": 0.0}, "kh_dkh of the reading must be from 0.01 to 30, not 0"),
        ({"temperature_c": -1.0}, "temperature_c of the reading must be from"),
        ({"ph": {"value": 7.0, "low": 6.9, "high": 1e30}}, "ph of the reading must be from"),
        ({"photo_ph": {"value": 0.0, "low": None, "high": 0.0}}, "photo_ph of the reading must be from"),
        ({"co2_mg_l": {"value": -3.0, "low": -5.0, "high": -1.0}}, "co2_mg_l of the reading must be from"),
        ({"budget": {"dye pKa": 1e308}}, "budget of the reading must be from"),
        ({"flags": "glare"}, "flags"),
        ({"vial": {"outline_px": [[1.0]]}}, "outline_px of the vial"),
        ({"verdict": {"plants": "enough", "fish": "fine", "sentences": [], "cautions": []}}, "fish of the verdict"),
        ({"smell": "none"}, "smell"),
        # What earlier readings lack may lack.
        *(({name: ...}, f"The reading lacks {name}") for name in sorted(WHOLE.keys() - {"reference", "photo_ph"})),
    ],
)
def test_what_is_no_reading_is_told_by_its_field(change: dict[str, Any], message: str) -> None:
    data = {name: value for name, value in (WHOLE | change).items() if value is not ...}
    with pytest.raises(ValueError, match=message):
        read_record(Reading, "the reading", data)


def test_log_lives_where_the_environment_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("COLORREAD_LOG", str(tmp_path / "mine"))
    assert default_log_path() == tmp_path / "mine"
    monkeypatch.setenv("COLORREAD_LOG", "")
    assert default_log_path() == platformdirs.user_data_path("colorread", appauthor=False) / "log.sqlite"


def test_everything_is_there_when_opened_again(tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "log.sqlite"
    entries = made_entry(1, profile_id="p" * 64), made_entry(2, refused=True, picture=None)
    with made_log_at(path) as log:
        for entry in entries:
            log.add(entry)
    with Log(path) as log:
        expected = [
            replace(entry, reading=read_record(Reading, "the reading", plain(entry.reading))) for entry in entries
        ]
        assert list(log.entries("window", with_pictures=True)) == expected
        assert list(log.entries()) == [replace(entry, picture=None) for entry in expected]
        for entry in expected:
            assert log.entry("window", entry.sha256) == replace(entry, picture=None)
            assert log.picture("window", entry.sha256) == entry.picture
        assert log.entry("window", "0") is None
        assert log.tanks() == (Tank(name="window"),)


@settings(max_examples=15)  # any two of the six come in either order within five
@given(st.permutations(range(6)))
def test_order_is_that_of_the_tanks_clock_whatever_was_added_first(order: list[int]) -> None:
    east, west = timezone(timedelta(hours=9)), timezone(timedelta(hours=-9))
    readings = [
        made_reading(photo="z.jpg", taken_at=START.replace(tzinfo=east)),
        made_reading(photo="a.jpg", taken_at=START + timedelta(microseconds=1)),
        made_reading(photo="b.jpg", taken_at=(START + timedelta(seconds=1)).replace(tzinfo=west)),
        made_reading(photo="c.jpg", taken_at=START + timedelta(seconds=1)),
        made_reading(photo="a.jpg", taken_at=None),
        made_reading(photo="d\udcff.jpg", taken_at=None),
    ]
    with made_log_at(":memory:") as log:
        for i in order:
            log.add(made_entry(i, reading=readings[i]))
        assert [entry.reading.photo for entry in log.entries()] == [reading.photo for reading in readings]
        assert [entry.reading.taken_at for entry in log.entries()] == [reading.taken_at for reading in readings]


def test_few_of_many_are_made_without_the_others(log: Log, path: Path) -> None:
    entries = [made_entry(number) for number in range(6)]
    entries[3] = made_entry(3, reading=made_reading(photo="x.jpg", taken_at=None))
    for entry in entries:
        log.add(entry)
    by_time = [entries[i].sha256 for i in (0, 1, 2, 4, 5, 3)]
    newest_first = [entries[i].sha256 for i in (5, 4, 2, 1, 0, 3)]
    assert [entry.sha256 for entry in log.entries("window", skip=2)] == by_time[2:]
    assert [entry.sha256 for entry in log.entries("window", newest_first=True)] == newest_first
    with closing(sqlite3.connect(path)) as connection:  # whoever makes the oldest one finds it damaged
        connection.execute("UPDATE reading SET result = '{}' WHERE sha256 = ?", (by_time[0],))
        connection.commit()
    assert next(log.entries("window", newest_first=True)).sha256 == newest_first[0]
    assert [entry.sha256 for entry in log.entries("window", sha256s=set(by_time[2:4]))] == by_time[2:4]


def test_version_of_a_tank_differs_once_its_readings_or_notes_do(log: Log, path: Path) -> None:
    versions = [log.version("desk"), log.version("window")]
    log.add(made_entry(1))
    versions.append(log.version("window"))
    log.add(made_entry(1, scored_at=datetime(2026, 1, 1, tzinfo=UTC)))  # read again
    versions.append(log.version("window"))
    log.add_event("window", Event(at=START, refilled=True))
    versions.append(log.version("window"))
    log.forget("window", [made_entry(1).sha256])
    versions.append(log.version("window"))
    with Log(path) as other:
        assert other.version("window") == versions[-1]
    assert versions[0] == versions[1]
    assert len(set(versions)) == len(versions) - 1


def test_time_of_scoring_is_kept_in_utc(log: Log) -> None:
    log.add(made_entry(1, scored_at=datetime(2025, 6, 9, 1, tzinfo=timezone(timedelta(hours=2)))))
    assert next(log.entries()).scored_at == datetime(2025, 6, 8, 23, tzinfo=UTC)
    assert next(log.entries()).scored_at.tzinfo is UTC
    with pytest.raises(ValueError, match="must have an offset"):
        made_entry(1, scored_at=START)


def test_tanks_are_added_once_changed_and_removed(log: Log) -> None:
    with pytest.raises(LogError, match="window"):
        log.add_tank(Tank(name="window"))
    log.put_tank(Tank(name="Desk 2"))
    for unknown in (lambda: log.tank("door"), lambda: log.add(made_entry(1, tank="door"))):
        with pytest.raises(LogError, match=r"it has: Desk 2, window\."):
            unknown()
    assert not list(log.entries())
    log.add(made_entry(1))
    log.put_tank(Tank(name="window", volume_l=70.0))
    assert log.tank("window").volume_l == 70.0
    with pytest.raises(LogError, match="window has 1 reading in"):
        log.remove_tank("window")
    assert log.count("window") == 1
    log.remove_tank("window", with_readings=True)
    assert not list(log.entries())
    log.remove_tank("Desk 2")
    with pytest.raises(LogError, match="none yet"):
        log.remove_tank("window")


def test_a_name_that_is_no_unicode_is_that_of_no_tank(log: Log) -> None:
    with pytest.raises(LogError, match="no tank named"):
        log.tank("\udcff")
    assert log.count("\udcff") == 0


def test_a_tank_takes_its_readings_along_to_another_name(log: Log) -> None:
    log.add_tank(Tank(name="desk", volume_l=30.0))
    log.add(made_entry())
    with pytest.raises(LogError, match="desk"):
        log.rename_tank("window", "desk")
    with pytest.raises(ValueError):
        log.rename_tank("window", "a\nb")
    log.rename_tank("window", "Küche")
    assert log.tanks() == (Tank(name="Küche"), Tank(name="desk", volume_l=30.0))
    assert [entry.sha256 for entry in log.entries("Küche")] == [made_entry().sha256]


def test_what_is_forgotten_is_gone_from_the_file(path: Path) -> None:
    with made_log_at(path) as log:
        for number in range(5):
            log.add(made_entry(number))
        wanted = [made_entry(1).sha256, made_entry(3).sha256]
        assert log.forget("window", [*wanted, "unknown"]) == tuple(wanted)
        assert log.forget("door", [made_entry(2).sha256]) == ()
    content = path.read_bytes()
    assert b"picture of 1" not in content
    assert b"picture of 2" in content
    with Log(path) as log:
        assert len(log.remove_tank("window", with_readings=True)) == 3
    assert b"picture of" not in path.read_bytes()


@settings(max_examples=15)  # what is odd in a reading or a tank has its own tests; here it only has to be carried over
@given(st.lists(tanks, unique_by=lambda tank: tank.name, max_size=3), st.lists(read | refusals, max_size=3))
def test_export_comes_back_by_import(some: list[Tank], readings: list[Reading]) -> None:
    with Log(":memory:") as log, Log(":memory:") as copy:
        for tank in some:
            log.put_tank(tank)
            for number, reading in enumerate(readings):
                log.add(made_entry(number, tank=tank.name, reading=reading))
        lines = list(export_lines(log))
        done = import_lines(copy, (line.encode() for line in lines))
        assert (done.tanks, done.readings) == (len(some), len(some) * len(readings))
        assert list(export_lines(copy)) == lines
        again = import_lines(copy, (line.encode() for line in lines))
        assert (again.tanks, again.readings, again.kept_tanks) == (0, 0, [])
        assert again.kept_readings == done.readings
        assert list(export_lines(copy)) == lines


def exported(*entries: LogEntry) -> list[bytes]:
    with made_log_at(":memory:") as log:
        for entry in entries:
            log.add(entry)
        return [line.encode() for line in export_lines(log)]


def test_import_keeps_what_is_newer_in_the_log(log: Log) -> None:
    old = made_entry(1, software="0.1.0")
    new = made_entry(1, software="0.2.0", scored_at=datetime(2026, 1, 1, tzinfo=UTC))
    log.put_tank(Tank(name="window", volume_l=60.0))
    log.add(new)
    done = import_lines(log, exported(old))
    assert (done.tanks, done.readings, done.kept_readings, done.kept_tanks) == (0, 0, 1, ["window"])
    assert not log.add_if_newer(new)
    assert next(log.entries()).software == "0.2.0"
    assert log.tank("window").volume_l == 60.0
    log.add(old)
    assert import_lines(log, exported(new)).readings == 1
    assert next(log.entries()).software == "0.2.0"


def with_entry(**changes: Any) -> list[bytes]:
    lines = exported(made_entry(1), made_entry(2))
    entry = json.loads(lines[3])["entry"]
    if "taken_at" in changes:
        changes = {"reading": {**entry["reading"], **changes}}
    return [*lines[:3], json.dumps({"entry": {**entry, **changes}}).encode() + b"\n", *lines[4:]]


GOOD = exported(made_entry(1), made_entry(2))


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([*GOOD[:3], GOOD[3][:100]], "ends early, within line 4"),
        ([*GOOD[:3], b"\xff\xfe\xfd\n", *GOOD[4:]], "line 4"),
        ([*GOOD[:3], b"[" * 100_000 + b"\n", *GOOD[4:]], "line 4 is damaged: It is not JSON"),
        ([*GOOD[:3], b'{"fish": 1}', *GOOD[4:]], "line 4"),
        ([GOOD[0], *GOOD[2:]], "line 2 .* 'window'"),
        (GOOD[1:], "line 1"),
        ([GOOD[0], *GOOD], "line 2"),
        ([*GOOD, GOOD[3]], "line 6 is damaged"),
        ([*GOOD[:2], *GOOD[1:]], "line 3 .* twice"),
        (GOOD[:4], "ends early, after line 4"),
        ([], "not written by log export"),
        ([*GOOD[:3], GOOD[4]], "line 4 .* counts"),
        ([b'{"schema": "colorread.log/2"}\n', *GOOD[1:]], "later version"),
        ([b'{"schema": "fish/1"}\n', *GOOD[1:]], "line 1 .* colorread.log/1"),
        (with_entry(sha256="../x"), "line 4 .* sha256"),
        (with_entry(scored_at="2025-06-09T08:00:00"), "line 4 .* offset"),
        (with_entry(picture="%%%"), "line 4"),
        (with_entry(software="\ud800"), "line 4 .* software"),
        (with_entry(scored_at="9999-12-31T23:00:00-14:00"), "line 4 .* 9999"),
        (with_entry(taken_at="0001-01-01T00:00:00"), "line 4 .* year 1"),
        (with_entry(reading={}), "line 4"),
    ],
)
def test_damaged_line_is_named_and_nothing_imported(path: Path, lines: list[bytes], message: str) -> None:
    with Log(path) as log:
        with pytest.raises(LogError, match=message) as told:
            import_lines(log, lines)
        assert not isinstance(told.value, LogFailure)
        assert log.tanks() == ()
        assert list(log.entries()) == []
        assert (
            import_lines(log, with_entry(taken_at="1980-01-01T00:00:00")).readings == 2
        )  # of a clock that was never set


def test_full_disk_is_told_and_what_was_added_stays(log: Log, path: Path) -> None:
    pages = log._connection.execute("PRAGMA page_count").fetchone()[0]
    log._connection.execute(f"PRAGMA max_page_count = {pages + 8}")
    with pytest.raises(DiskFull, match="the disk is full"):  # and no line is blamed
        import_lines(log, exported(*(made_entry(number) for number in range(50))))
    assert not list(log.entries())
    added = 0
    with pytest.raises(DiskFull, match=r"log\.sqlite could not be written: the disk is full"):  # noqa: PT012
        for number in range(50):
            log.add(made_entry(number))
            added += 1
    assert 0 < added < 50
    with Log(path) as other:
        assert other.count("window") == added


@contextmanager
def without_room() -> Iterator[None]:
    """Keep files from growing, as a full disk does."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_on_a_full_disk_a_log_can_still_be_read_and_exported(log: Log, path: Path) -> None:
    log.add(made_entry(1))
    log.close()
    with without_room(), Log(path) as opened:
        assert len(list(export_lines(opened))) == 4
        with pytest.raises(LogFailure, match="cannot be written"):
            opened.add(made_entry(2))
    with Log(path) as opened:
        opened.add(made_entry(2))
        assert opened.count("window") == 2


def test_a_disk_that_fails_is_told(log: Log) -> None:
    with without_room(), pytest.raises(LogFailure, match="check that its disk works and has free space"):
        log.add(made_entry(1, picture=b"x" * 100_000))


def test_log_that_is_kept_busy_is_told(log: Log, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_file, "_WAIT_S", 0.05)
    with Log(path) as other:
        with log.transaction():
            with pytest.raises(LogFailure, match="in use by another program for more than 20 s"):
                other.add(made_entry(1))
            assert other.tanks() == (Tank(name="window"),)  # reading does not wait for who writes
        other.add(made_entry(1))
    assert log.count("window") == 1


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"x" * 600, "is not a log of this program"),
        (b"SQLite format 3\0" + b"\xff" * 5000, "is not a log of this program"),
        ("PRAGMA application_id = 7", "not a log of this program"),
        ("PRAGMA user_version = 1; CREATE TABLE tank (name)", "not a log of this program"),
        ("CREATE TABLE tank (name)", "not a log of this program"),
        ("PRAGMA application_id = 1131375698; PRAGMA user_version = 99", "a later version"),
    ],
    ids=range(6),
)
def test_file_of_another_program_or_of_a_later_version_is_left_alone(
    path: Path, content: bytes | str, message: str
) -> None:
    if isinstance(content, bytes):
        path.write_bytes(content)
    else:
        with closing(sqlite3.connect(path)) as other:
            other.executescript(content)
    before = path.read_bytes()
    with pytest.raises(LogFailure, match=message):
        Log(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["", "file/log.sqlite"])
def test_folder_and_unreachable_file_are_told(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LogFailure, match="could not be opened"):
        Log(tmp_path / name)


DEEP = "[" * 100_000
DAMAGES = {
    "nested": f"result = '{DEEP}'",
    "bytes for a result": "result = x'ff'",
    "no text": "result = CAST(x'7bff' AS TEXT)",
    "bytes for a time": "scored_at = x'00'",
    "first year": "scored_at = '0001-01-01T00:00:00+00:00'",
    "bytes for a hash": "sha256 = x'616263'",
    "text for a picture": "picture = 'x'",
    "impossible number": "result = replace(result, '\"kh_dkh\": 4.0', '\"kh_dkh\": -4.0')",
    "another schema": "result = replace(result, 'colorread.reading/1', 'colorread.reading/2')",
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_one_damaged_row_leaves_the_others_and_an_export_mends_it(damage: str, log: Log) -> None:
    for number in range(3):
        log.add(made_entry(number))
    backup, whole = [line.encode() for line in export_lines(log)], made_entry(1)
    log._connection.execute(f"UPDATE reading SET {DAMAGES[damage]} WHERE sha256 = ?", (whole.sha256,))
    told: list[Damage] = []
    entries = list(log.entries("window", with_pictures=True, on_damage=told.append))
    assert [entry.reading.photo for entry in entries] == ["IMG_0000.jpg", "IMG_0002.jpg"]
    assert [(each.tank, each.photo) for each in told] == [("window", "IMG_0001.jpg")]
    assert told[0].trouble.endswith(".")
    n_left = 3 if damage == "text for a picture" else 2  # the reading beside it is whole
    assert (log.entry("window", whole.sha256) is None) == (n_left == 2)
    assert hash(log.version("window"))
    assert end_of_export(log) == {"tanks": 1, "readings": n_left, "notes": 0}
    assert forget_readings(log, {"window": [told[0].sha256]}) == 1
    assert log.count("window") == 2
    log._connection.execute("UPDATE tank SET settings = x'ff'")
    assert import_lines(log, backup).readings == 1
    assert [plain(entry) for entry in log.entries(with_pictures=True)][1] == plain(whole)
    assert log.tanks() == (Tank(name="window"),)


def end_of_export(log: Log) -> dict[str, int]:
    return dict(json.loads([*export_lines(log)][-1])["end"])


@pytest.mark.parametrize("settings", [f"'{DEEP}'", "x'ff'", "replace(settings, 'window', 'door')"], ids=range(3))
def test_one_damaged_tank_leaves_the_others(settings: str, log: Log) -> None:
    log.add_tank(Tank(name="desk"))
    for number, name in enumerate(("window", "desk")):
        log.add(made_entry(number, tank=name))
    log._connection.execute(f"UPDATE tank SET settings = {settings} WHERE name = 'window'")
    told: list[Damage] = []
    assert log.tanks(told.append) == (Tank(name="desk"),)
    assert [(each.tank, each.sha256) for each in told] == [("window", None)]
    with pytest.raises(LogFailure, match="holds a damaged tank, window"):
        log.tank("window")
    assert end_of_export(log) == {"tanks": 1, "readings": 1, "notes": 0}
    assert forget_tank(log, "window", with_readings=True) == 1


def test_export_of_a_moment_does_not_keep_others_from_writing(log: Log, path: Path) -> None:
    for number in range(3):
        log.add(made_entry(number))
    lines = export_lines(log)
    first = [next(lines), next(lines)]  # of the tanks, before any reading
    with Log(path) as other:
        other.add(made_entry(9))
    assert json.loads([*first, *lines][-1])["end"]["readings"] == 3


def test_export_and_import_take_little_memory_whatever_the_size(log: Log, tmp_path: Path) -> None:
    for number in range(20):
        log.add(made_entry(number, picture=bytes(1_000_000)))
    backup, pipe, copy = tmp_path / "backup.jsonl", tmp_path / "pipe", tmp_path / "copy.sqlite"
    os.mkfifo(pipe)  # what comes through a pipe is read too, if only once
    tracemalloc.start()
    with backup.open("w") as file:
        file.writelines(export_lines(log))
    assert tracemalloc.get_traced_memory()[1] < 10_000_000 < backup.stat().st_size
    tracemalloc.stop()
    command = ["log", "import", str(pipe), "--log", str(copy)]
    CliRunner().invoke(command_line, [*command[:2], str(tmp_path / "none")])  # loads what is loaded once
    with subprocess.Popen(["cp", backup, pipe]):
        tracemalloc.start()
        result = CliRunner().invoke(command_line, command)
        assert tracemalloc.get_traced_memory()[1] < 15_000_000
        tracemalloc.stop()
    assert "20 readings and 1 tank" in result.output


def test_a_line_without_end_is_no_line(tmp_path: Path) -> None:
    (tmp_path / "endless").write_bytes(GOOD[0][:-2] + b" " * 40_000_000)
    with (tmp_path / "endless").open("rb") as file:
        assert max(map(len, lines_in(file))) < 40_000_000
        with pytest.raises(LogError, match="Nothing was imported"):
            check_lines(lines_in(file))


@contextmanager
def in_a_read_only_folder(path: Path, mode: int = 0o555) -> Iterator[Path]:
    """Put a log that may not be written into such a folder; root may write anywhere and becomes somebody else."""
    with tempfile.TemporaryDirectory() as folder:
        inside = Path(folder, "shelf")
        inside.mkdir()
        for file in path.parent.glob(f"{path.name}*"):
            shutil.copy(file, inside)
        Path(folder).chmod(0o755)
        for file in inside.iterdir():
            file.chmod(0o444)
        inside.chmod(mode)
        was_root = os.geteuid() == 0
        if was_root:
            os.seteuid(65534)
        try:
            yield inside / path.name
        finally:
            if was_root:
                os.seteuid(0)
            inside.chmod(0o755)


@pytest.mark.parametrize("folder_mode", [0o555, 0o777])
def test_a_read_only_log_is_read_in_place_without_files_that_lock_it_later(
    folder_mode: int, log: Log, path: Path
) -> None:
    log.add(made_entry(1))
    log.close()
    with in_a_read_only_folder(path, folder_mode) as kept:
        with Log(kept) as opened:
            (entry,) = opened.entries(with_pictures=True)
            assert entry.picture == made_entry(1).picture
            assert len(list(export_lines(opened))) == 4
            with pytest.raises(LogFailure, match="cannot be written"):
                opened.add(made_entry(2))
            assert [file.name for file in kept.parent.iterdir()] == [kept.name]
        assert [file.name for file in kept.parent.iterdir()] == [kept.name]


def test_a_log_on_another_machine_has_an_address_that_sqlite_takes() -> None:
    assert log_file.address_of(PureWindowsPath(r"C:\my logs\log.sqlite")) == "file:///C:/my%20logs/log.sqlite"
    elsewhere = log_file.address_of(PureWindowsPath(r"\\nas\my logs\log.sqlite"))
    with pytest.raises(sqlite3.OperationalError, match="unable to open"):  # not: invalid uri authority
        sqlite3.connect(f"{elsewhere}?mode=ro&immutable=1", uri=True)


def test_log_with_unfinished_changes_in_a_read_only_folder_is_not_shown_without_them(log: Log, path: Path) -> None:
    log.add(made_entry(1))  # not in the file itself as long as the log is open
    path.with_name(f"{path.name}-shm").rename(path.with_name("elsewhere"))
    with in_a_read_only_folder(path) as kept, pytest.raises(LogFailure, match="writable folder"):
        Log(kept)
    link = path.with_name("link")
    link.symlink_to(path)
    assert not log_file._is_complete(link)


def test_changes_that_vanish_while_they_are_looked_for_do_not_count(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Log(path):
        pass
    monkeypatch.setattr(Path, "exists", lambda _: True)  # another program finished right after
    assert log_file._is_complete(path)


def test_nobody_else_on_the_machine_may_read_a_log(tmp_path: Path) -> None:
    path = tmp_path / "home" / "log.sqlite"
    with made_log_at(path):
        rights = {file.name: file.stat().st_mode & 0o777 for file in path.parent.iterdir()}
    assert set(rights.values()) == {0o600}
    assert len(rights) == 3  # the two files of write-ahead logging too
    assert path.parent.stat().st_mode & 0o777 == 0o700


# The file as version 1 makes it, written out by hand: it must open in every later version.
VERSION_1 = """
CREATE TABLE tank (name TEXT NOT NULL PRIMARY KEY, settings TEXT NOT NULL);
CREATE TABLE reading (tank TEXT NOT NULL REFERENCES tank (name), sha256 TEXT NOT NULL, photo TEXT NOT NULL,
    wall_clock TEXT, result TEXT NOT NULL, scored_at TEXT NOT NULL, software TEXT NOT NULL, settings_id TEXT NOT NULL,
    profile_id TEXT, picture BLOB, PRIMARY KEY (tank, sha256));
INSERT INTO tank VALUES ('window', '{"schema": "colorread.tank/1", "name": "window", "volume_l": 60.0, "kh_dkh": 4.0,
    "tank_kh_dkh": null, "temperature_c": 25.0, "lights": "10:00-18:00", "gas": null, "source": null,
    "sensitive": false, "marks": {"plants_low_mg_l": 15.0, "plants_high_mg_l": 30.0, "fish_mg_l": 25.0},
    "fluid_renewed": null, "light": "unknown", "profile": null, "made_up": false}');
INSERT INTO reading VALUES ('window', '{SHA256}', 'a.jpg', '2025-06-02T07:30:00.000000',
    '{"schema": "colorread.reading/1", "photo": "a.jpg", "status": "refused", "taken_at": "2025-06-02T07:30:00+02:00",
    "time_source": "exif with offset", "ph": null, "co2_mg_l": null, "limit": null, "kh_dkh": 4.0,
    "temperature_c": 25.0, "fluid": "reference", "light": "unknown", "profile": null, "assumed": ["kh"],
    "geometry": null, "co2_rule_of_thumb_mg_l": null, "tank_kh_dkh": null, "tank_ph": null, "verdict": null,
    "flags": [], "reason": {"code": "no-card", "message": "No card.", "next_step": "Show it."}, "card": null,
    "vial": null, "budget": {}}',
    '2025-06-09T08:00:00+00:00', '0.1.0', 'settings', NULL, x'ffd8');
PRAGMA application_id = 1131375698;
PRAGMA user_version = 1;
"""


def make_version_1(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(VERSION_1.replace("{SHA256}", "ab" * 32))


def check_version_1(path: Path) -> None:
    with Log(path) as log:
        assert log.tank("window").volume_l == 60.0
        (entry,) = log.entries(with_pictures=True)
        assert entry.reading.reason == Reason(code="no-card", message="No card.", next_step="Show it.")
        assert entry.reading.reference == "card"
        assert entry.reading.taken_at == datetime(2025, 6, 2, 7, 30, tzinfo=timezone(timedelta(hours=2)))
        assert entry.picture == b"\xff\xd8"


def add_migrations(monkeypatch: pytest.MonkeyPatch, *scripts: tuple[str, ...]) -> None:
    monkeypatch.setattr(log_file, "_MIGRATIONS", (*log_file._MIGRATIONS, *scripts))


def test_older_file_is_brought_up_to_date_step_by_step(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_version_1(path)
    check_version_1(path)
    steps = (("CREATE TABLE note (words)", "INSERT INTO note VALUES ('two')"), ("UPDATE note SET words = words || 3",))
    add_migrations(monkeypatch, *steps)
    for _ in range(2):  # the second time there is nothing to do
        check_version_1(path)
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("SELECT words FROM note").fetchall() == [("two3",)]


def test_migration_that_fails_leaves_the_older_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_version_1(path)
    with monkeypatch.context() as patch:
        add_migrations(patch, ("CREATE TABLE note (words)", "DROP TABLE reading"), ("DROP TABLE that_is_not_there",))
        with pytest.raises(LogFailure, match="could not be used: no such table"):
            Log(path)
    check_version_1(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT name FROM sqlite_master WHERE name = 'note'").fetchall() == []


@contextmanager
def writer(path: Path, first: int, count: int) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "tests.log_writer", str(path), str(first), str(count)]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout.readline() == "ready\n"
            yield process
        finally:
            process.kill()


def start(*processes: subprocess.Popen[str]) -> None:
    for process in processes:
        process.stdin.write("go\n")
        process.stdin.flush()


def said_by(*processes: subprocess.Popen[str]) -> Iterator[str]:
    """Yield the hashes that processes told of, without one that it could not finish."""
    for process in processes:
        yield from (line.strip() for line in process.stdout if line.endswith("\n"))


def check_integrity(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_processes_that_write_at_once_lose_nothing(path: Path) -> None:
    # The file does not exist yet: they also make it at once.
    with writer(path, 0, 60) as one, writer(path, 100, 60) as two:
        start(one, two)
        told = [*said_by(one, two)]
        assert [process.wait() for process in (one, two)] == [0, 0]
    assert len(told) == 120
    check_integrity(path)
    with Log(path) as log:
        assert {entry.sha256 for entry in log.entries()} == set(told)
        assert log._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_log_is_kept_where_processes_cannot_share_memory(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise OSError(errno.ENODEV, "No such device")

    monkeypatch.setattr("colorread.log.database.mmap", refused)  # as by a folder that a virtual machine shares
    with Log(path) as log, Log(path) as other:
        log.add_tank(Tank(name="window"))
        assert other.has_tank("window")
        # In the other mode SQLite would ask for a map of its own, and be refused.
        assert other._connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_a_log_moved_to_where_processes_cannot_share_memory_can_be_read(
    log: Log, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = log_file._connect

    def sharing_nothing(path: Path, address: str) -> sqlite3.Connection:
        if address == str(path):
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMMAP
            raise error
        return connect(path, address)

    log.close()
    monkeypatch.setattr(log_file, "_connect", sharing_nothing)
    with Log(path) as opened:
        assert opened.has_tank("window")


def test_killed_at_any_moment_every_reading_that_was_added_is_there(path: Path) -> None:
    chance = random.Random(20250604)
    told: set[str] = set()
    for round_ in range(2):  # a reading told of before it is on the disk is lost by any kill
        with writer(path, 10_000 * round_, 9_000) as one, writer(path, 10_000 * round_ + 9_000, 1_000) as two:
            start(one, two)
            told.update(process.stdout.readline().strip() for process in (one, two))  # now both are at work
            for process in chance.sample((one, two), 2):
                time.sleep(chance.uniform(0.0, 0.12))
                process.kill()
            told.update(said_by(one, two))
        check_integrity(path)
        with Log(path) as log:
            kept = {entry.sha256 for entry in log.entries()}
        assert told <= kept
        assert len(kept) <= len(told) + 2 * (round_ + 1)  # one each may have been added and not told of
    assert told


def test_what_is_forgotten_takes_its_kept_photo_along(path: Path) -> None:
    with Log(path) as log:
        for name in ("window", "desk"):
            log.add_tank(Tank(name=name))
        for name, sha256 in (("window", "a" * 64), ("desk", "a" * 64), ("desk", "b" * 64)):
            log.add(made_entry(tank=name, sha256=sha256))
        photos = [photo_path(path, letter * 64) for letter in "ab"]
        photos[0].parent.mkdir()
        for photo in photos:
            photo.write_bytes(b"a photo")
        assert forget_readings(log, {"window": ["a" * 64]}) == 1
        assert all(photo.exists() for photo in photos)  # the other tank still has both readings
        with pytest.raises(LogError, match="desk has 2 readings"):
            forget_tank(log, "desk")
        assert all(photo.exists() for photo in photos)
        assert forget_tank(log, "desk", with_readings=True) == 2
        assert not any(photo.exists() for photo in photos)


def test_what_is_forgotten_waits_no_more_to_be_kept(path: Path) -> None:
    photos = ("a" * 64, "b" * 64, "c" * 64)
    with made_log_at(path) as log, Log(undecided_path(path)) as waiting:
        for opened in (log, waiting):
            for name in ("window", "desk"):
                opened.put_tank(Tank(name=name))
                for sha256 in photos[: 2 if opened is log else 3]:
                    opened.add(made_entry(tank=name, sha256=sha256))
        forget_readings(log, {"window": [photos[0]]})
        assert [entry.sha256 for entry in waiting.entries("window")] == list(photos[1:])
        forget_tank(log, "window", with_readings=True)
        assert [tank.name for tank in waiting.tanks()] == ["desk"]
        assert [entry.sha256 for entry in waiting.entries()] == list(photos)
        with pytest.raises(LogError, match="desk has 2 readings"):
            forget_tank(log, "desk")
        assert waiting.count("desk") == 3


def test_nothing_goes_before_the_readings_are_gone_for_sure(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with made_log_at(path) as log, made_log_at(undecided_path(path)) as waiting:
        for opened in (log, waiting):
            opened.add(made_entry(sha256="a" * 64))
        photo = photo_path(path, "a" * 64)
        photo.parent.mkdir()
        photo.write_bytes(b"a photo")
        for forget in (
            lambda: forget_readings(log, {"window": ["a" * 64]}),
            lambda: forget_tank(log, "window", with_readings=True),
        ):
            with monkeypatch.context() as patch:
                patch.setattr("colorread.log.store.transaction", failing_transaction)
                with pytest.raises(LogFailure, match="disk I/O error"):
                    forget()
        assert photo.exists()
        assert log.count("window") == waiting.count("window") == 1


@pytest.mark.parametrize(
    "command", ["log forget --tank window --yes", "tank remove window --with-readings --yes"], ids=lambda one: one[:10]
)
def test_a_command_that_forgets_leaves_nothing_behind_or_names_what_it_cannot_delete(path: Path, command: str) -> None:
    stuck, free = (photo_path(path, letter * 64) for letter in "ab")
    for is_stuck in (False, True):
        with made_log_at(path) as log, made_log_at(undecided_path(path)) as waiting:
            for opened in (log, waiting):
                for photo in (stuck, free):
                    opened.add(made_entry(sha256=photo.stem))
        free.parent.mkdir(exist_ok=True)
        free.write_bytes(b"a photo")
        if is_stuck:
            stuck.mkdir()  # no file, so it cannot be deleted as one
        done = CliRunner().invoke(command_line, [*command.split(), "--log", str(path)])
        assert done.exit_code == is_stuck, done.output
        told = "".join(done.stderr.split())
        assert ("Traceback" in told, str(stuck) in told, str(free) in told) == (False, is_stuck, False)
        assert (stuck.exists(), free.exists()) == (is_stuck, False)
        for file in (path, undecided_path(path)):
            with Log(file) as opened:
                assert not list(opened.entries())
        assert not any(b"picture of" in file.read_bytes() for file in path.parent.glob("*.sqlite*"))
