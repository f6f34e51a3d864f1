"""Many photos at once: the same whatever the order, whatever breaks, and however often it is interrupted."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from PIL import Image
from typer.testing import CliRunner

import colorread.batch.score
import colorread.cli.batch
import colorread.workers
from calibration.inversion import Evidence, SignalSamples
from calibration.profile import KnownSample, Profile, write_profile
from colorread.batch.score import (
    COLUMNS,
    DEFAULT_TANK,
    PhotoFile,
    Scored,
    csv_bytes,
    find_photos,
    logged_entries,
    score_photos,
    settings_of,
)
from colorread.evidence.picture import small_evidence
from colorread.log import Log, LogEntry, default_log_path
from colorread.reading.pipeline import read_photo
from colorread.records import plain
from colorread.result import Interval
from colorread.tank.results import PhotoPoint
from colorread.tank.settings import Tank
from colorread.words.verdict import Marks
from colorread.workers import run_in_workers
from tests.fabricated import NO_TRACE, made_reading, made_refusal, made_trace
from tests.hard_work import Unloadable, deadly_score, hard_work
from tests.kills import kill_batches
from tests.made_log import made_entry, made_log_at

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images"
TANK = Tank(name="home", kh_dkh=4.5, temperature_c=24.0)
Batch = tuple[list[Scored], Path]
READ = ("a-green.jpg", "b/small.jpg")
REFUSED = ("b/no-vial.jpg", "c-half.jpg", "d-empty.jpg", "e-text.jpg")
runner = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two photos, four that are refused, one twice, and what else lies about in folders."""
    path = tmp_path_factory.mktemp("photos")
    for name in ("b", "b/pictures", ".trash"):
        (path / name).mkdir()
    for sample, name in {
        "front-green.jpg": "a-green.jpg",
        "front-small.jpg": "b/small.jpg",
        "./front-green.jpg": "b/twice.JPG",
        "refuse-no-vial.jpg": "b/no-vial.jpg",
        "front-blue.jpg": ".trash/blue.jpg",
        "evidence-example.jpg": "b/pictures/tank-evidence.jpg",
    }.items():
        shutil.copy(SAMPLES / sample, path / name)
    whole = (SAMPLES / "front-green.jpg").read_bytes()
    for name, content in {
        "c-half.jpg": whole[: len(whole) // 2],
        "d-empty.jpg": b"",
        "e-text.jpg": b"no photo",
        "README.txt": b"notes",
        "empty": b"",
        "truth.json": b"{}",
        "._a-green.jpg": b"\0\5\x16\7",
    }.items():
        (path / name).write_bytes(content)
    Image.new("RGB", (400, 400)).save(path / "b" / "clip.gif")
    return path


def open_log(path: Path, tank: Tank = TANK) -> Log:
    log = Log(path)
    log.put_tank(tank)
    return log


def logged(log: Log, tank: Tank = TANK) -> dict[str, LogEntry]:
    return {entry.sha256: entry for entry in log.entries(tank.name)}


def counts(results: list[Scored]) -> dict[str, int]:
    outcomes = [scored.outcome for scored in results]
    return {outcome: outcomes.count(outcome) for outcome in dict.fromkeys(sorted(outcomes))}


@pytest.fixture(scope="module")
def scored(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Batch:
    path = tmp_path_factory.mktemp("log") / "log.sqlite"
    with open_log(path) as log:
        return list(score_photos(find_photos(folder), log=log, tank=TANK, jobs=2)), path


def run(*arguments: str | Path) -> Any:
    return runner.invoke(colorread.cli.app, [str(argument) for argument in arguments])


# Finding photos


@pytest.mark.usefixtures("without_workers")
def test_photo_of_any_name_is_found_and_what_is_no_file_is_not(tmp_path: Path) -> None:
    shutil.copy(SAMPLES / "front-small.jpg", tmp_path / "IMG_0001")
    shutil.copy(SAMPLES / "submerged-green.heic", tmp_path / "photo.bin")
    (tmp_path / os.fsdecode(b"bad-\xff\n.jpg")).write_bytes(b"")
    (tmp_path / "folder.jpg").mkdir()
    (tmp_path / "broken-link.jpg").symlink_to(tmp_path / "nowhere")
    os.mkfifo(tmp_path / "pipe.jpg")
    found = find_photos(tmp_path)
    assert [photo.name for photo in found] == ["IMG_0001", "bad-??.jpg", "photo.bin"]
    with open_log(tmp_path / "log.sqlite") as log:
        (result,) = score_photos(found[1:2], log=log, tank=TANK, jobs=1)
    assert result.reading.reason.code == "broken-file"


# Results


def test_every_photo_is_read_or_refused_and_the_rest_goes_on(scored: Batch, folder: Path) -> None:
    results, _ = scored
    by_name = {result.photo.name: result for result in results}
    assert set(by_name) == {*READ, *REFUSED, "b/twice.JPG"}
    assert [by_name[name].reading.status for name in READ] == ["read", "read"]
    codes = [by_name[name].reading.reason.code for name in REFUSED]
    assert codes == ["no-vial", "broken-file", "broken-file", "not-a-photo"]
    assert counts(results) == {"new": 6, "same": 1}
    assert by_name["b/twice.JPG"].same_as == "a-green.jpg"
    alone = read_photo(folder / "a-green.jpg", kh_dkh=4.5, temperature_c=24.0)
    assert by_name["a-green.jpg"].reading == replace(alone, photo="a-green.jpg")


@pytest.mark.usefixtures("without_workers")
def test_order_of_files_and_number_of_processes_change_nothing(scored: Batch, folder: Path, tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log, Log(scored[1]) as first:
        again = list(score_photos(reversed(find_photos(folder)), log=log, tank=TANK))
        one, other = (
            {
                sha256: replace(entry, scored_at=datetime.min.replace(tzinfo=UTC))
                for sha256, entry in logged(each).items()
            }
            for each in (first, log)
        )
    assert one == other
    assert len(one) == 6
    first_run, second_run = (sorted(results, key=lambda one: one.photo.name) for results in (scored[0], again))
    assert first_run == second_run


def test_log_keeps_small_pictures_without_metadata(scored: Batch) -> None:
    with Log(scored[1]) as log:
        pictures = {entry.reading.photo: entry.picture for entry in log.entries("home", with_pictures=True)}
    assert pictures["d-empty.jpg"] is None
    for name in (*READ, "b/no-vial.jpg"):
        assert len(pictures[name]) <= 40_000
        image = Image.open(io.BytesIO(pictures[name]))
        assert (image.format, image.width) == ("JPEG", 480)
        assert not image.getexif()
        assert "icc_profile" not in image.info
    noise = np.random.default_rng(1).integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    of_noise = small_evidence(made_refusal(), made_trace(rgb_u8=noise, card_corners_px=None, vial_outlines_px=()))
    assert len(of_noise) < 60_000
    assert small_evidence(made_refusal(), NO_TRACE) is None


# Going on


def test_what_is_known_is_not_read_again_wherever_it_lies(
    scored: Batch, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(task: Any, jobs: list[Any], *, count: int) -> Iterator[Any]:
        assert jobs == []
        return (job for job in jobs)

    monkeypatch.setattr(colorread.batch.score, "run_in_workers", never)
    shutil.copy(folder / "a-green.jpg", tmp_path / "moved.jpg")
    with Log(scored[1]) as log:
        before = logged(log)
        results = list(score_photos(find_photos(folder), log=log, tank=TANK))
        assert logged(log) == before
        (moved,) = score_photos(find_photos(tmp_path), log=log, tank=TANK)
        (entry,) = logged_entries(log, TANK, {moved.sha256: "moved.jpg"})
    assert counts(results) == {"known": 6, "same": 1}
    assert (moved.outcome, moved.reading.photo, entry.reading.photo) == ("known", "moved.jpg", "moved.jpg")
    fresh = {result.sha256: result.reading for result in scored[0] if result.reading is not None}
    for result in results:
        if result.reading is not None:
            assert plain(result.reading) == plain(fresh[result.sha256])


def test_other_marks_judge_what_is_known_anew(scored: Batch, folder: Path) -> None:
    strict = replace(TANK, marks=Marks(fish_mg_l=5.0))
    with Log(scored[1]) as log:
        results = list(score_photos(find_photos(folder), log=log, tank=strict))
        entries = list(logged_entries(log, strict, {result.sha256: result.photo.name for result in results}))
    assert counts(results) == {"known": 6, "same": 1}
    for told in (results, entries):
        readings = [one.reading for one in told if one.reading is not None]
        assert {reading.verdict.fish for reading in readings if reading.verdict is not None} == {"act"}


def made_profile(path: Path, made_at: str, *, sha256: str = "") -> Path:
    samples = SignalSamples(density=np.array([[0.05, 0.1, 0.6]]), density_std=np.full((1, 3), 0.01))
    acid = Evidence(samples=samples, space="srgb", state="acid", ph=3.0, ph_std=1.0, pka=7.28)
    sample = KnownSample(evidence=acid, photo="acid.jpg", sha256=sha256, taken_at="", camera_model="")
    write_profile(Profile(samples=(sample,), light="unknown", made_at=made_at), path, overwrite=True)
    return path


@pytest.mark.usefixtures("without_workers")
@pytest.mark.parametrize(
    "change",
    [
        {"kh_dkh": 4.0},
        {"kh_dkh": None},
        {"temperature_c": 25.0},
        {"light": "warm-led"},
        {"tank_kh_dkh": 6.0},
        {"profile": "me.toml"},
    ],
)
def test_other_settings_make_a_photo_new(folder: Path, tmp_path: Path, change: dict[str, Any]) -> None:
    made_profile(tmp_path / "me.toml", "2025-06-01")
    has_profile = "profile" in change
    changed = replace(TANK, **({"profile": str(tmp_path / "me.toml")} if has_profile else change))
    photo = PhotoFile(path=folder / "d-empty.jpg", name="d-empty.jpg")  # refused at once
    with open_log(tmp_path / "log.sqlite") as log:

        def outcome(tank: Tank) -> str:
            return next(score_photos([photo], log=log, tank=tank)).outcome

        tanks = (TANK, replace(TANK, volume_l=60.0), changed, changed)
        assert [outcome(tank) for tank in tanks] == ["new", "known", "new", "known"]
        made_profile(tmp_path / "me.toml", "2025-06-02")
        assert outcome(changed) == ("new" if has_profile else "known")
        (entry,) = log.entries("home")
    assert (entry.profile_id is not None) == has_profile


@pytest.mark.usefixtures("without_workers")
def test_photos_of_the_fluid_before_keep_what_they_were_read_with(folder: Path, tmp_path: Path) -> None:
    photo = PhotoFile(path=folder / "a-green.jpg", name="a-green.jpg")
    with open_log(tmp_path / "log.sqlite") as log:
        (first,) = score_photos([photo], log=log, tank=TANK)
        taken_on = first.reading.taken_at.date()
        for renewed, outcome in ((taken_on + timedelta(days=1), "known"), (taken_on, "new")):
            tank = replace(TANK, kh_dkh=4.0, fluid_renewed=renewed)
            (again,) = score_photos([photo], log=log, tank=tank)
            assert again.outcome == outcome


def test_a_batch_that_is_killed_leaves_nothing_behind(tmp_path: Path) -> None:
    # No process and no half-written file; that no reading is lost by any kill is for tests/test_log.py.
    assert kill_batches(1, tmp_path)[0] == 1


def test_interrupt_ends_with_a_sentence_and_leaves_no_process(tmp_path: Path) -> None:
    path, photos = tmp_path / "log.sqlite", tmp_path / "photos"
    photos.mkdir()
    for number in range(40):  # more than are read before; bytes behind the picture make another photo of it
        (photos / f"{number}.jpg").write_bytes((SAMPLES / "front-small.jpg").read_bytes() + bytes([number]))
    open_log(path, Tank(name=DEFAULT_TANK)).close()
    command = [sys.executable, "-m", "colorread", "batch", str(photos), "--log", str(path), "--jobs", "2"]
    child = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    give_up = time.monotonic() + 60.0
    with Log(path) as log:
        while not log.count(DEFAULT_TANK) and time.monotonic() < give_up:
            time.sleep(0.02)
    workers = psutil.Process(child.pid).children(recursive=True)
    os.killpg(child.pid, signal.SIGINT)  # as Ctrl-C in a terminal: to all of them
    _, stderr = child.communicate(timeout=300)
    assert child.returncode == 1
    assert "Interrupted" in stderr
    assert "Traceback" not in stderr
    assert workers
    assert not psutil.wait_procs(workers, timeout=60)[1]


def test_first_batches_at_once_share_the_tank_without_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.sqlite"
    Log(path).close()
    tanks_of = Log.tanks

    def slow(log: Log) -> tuple[Tank, ...]:
        found = tanks_of(log)
        time.sleep(0.2)  # in which the other one looks too
        return found

    def tank_name(_: int) -> str:
        with Log(path) as log:
            return colorread.cli.batch._tank_in(log, None).name

    monkeypatch.setattr(Log, "tanks", slow)
    with ThreadPoolExecutor(2) as threads:
        assert list(threads.map(tank_name, range(2))) == [DEFAULT_TANK, DEFAULT_TANK]


# What dies or fails


def test_photo_that_cannot_be_read_to_the_end_is_refused_and_tried_again_next_time(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        with monkeypatch.context() as patch:
            patch.setattr(colorread.batch.score, "_score", deadly_score)
            results = list(score_photos(find_photos(folder), log=log, tank=TANK, jobs=2))
        failed = {result.photo.name: result.reading for result in results if result.outcome == "failed"}
        assert set(failed) == set(READ)
        for reading in failed.values():
            assert reading.reason.code == "broke-off"
            assert reading.kh_dkh == 4.5
        assert "ZeroDivisionError" in failed["b/small.jpg"].reason.message
        assert len(logged(log)) == 4
        request.getfixturevalue("without_workers")
        again = list(score_photos(find_photos(folder), log=log, tank=TANK))
        assert counts(again) == {"known": 4, "new": 2, "same": 1}


def test_nothing_to_plot_costs_neither_the_other_files_nor_the_screen(tmp_path: Path) -> None:
    photos, plot, calendar = tmp_path / "photos", tmp_path / "week.png", tmp_path / "plan.ics"
    photos.mkdir()
    (photos / "a.jpg").write_text("no photo", encoding="utf-8")
    log = ("--log", tmp_path / "log.sqlite")
    assert run("tank", "add", "window", "--lights", "10:00-18:00", "--gas", "08:00-18:00", *log).exit_code == 0
    result = run("batch", photos, "--tank", "window", *log, "--plot", plot, "--calendar", calendar)
    assert result.exit_code == 1
    assert "nothing to plot" in result.stderr
    assert not plot.exists()
    assert calendar.exists()
    assert "1 not read" in result.stdout


def test_photo_that_changes_meanwhile_is_not_kept(folder: Path) -> None:
    unread = colorread.batch.score._Unread(
        photo=PhotoFile(path=folder / "d-empty.jpg", name="x"),
        sha256="0" * 64,
        settings=settings_of(TANK, None, default_log_path()),
    )
    with pytest.raises(OSError, match="changed"):
        colorread.batch.score._score(unread)


class FailingDisk(io.RawIOBase):
    def readable(self) -> bool:
        return True

    def readinto(self, _: object) -> int:
        raise OSError(errno.EIO, "Input/output error")


@pytest.mark.parametrize(("name", "code"), [("failing.jpg", "broke-off"), ("gone.jpg", "no-file")])
def test_what_the_disk_does_is_no_damage_of_the_photo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, code: str
) -> None:
    if name == "failing.jpg":
        monkeypatch.setattr(colorread.batch.score, "open_file", lambda path: FailingDisk())
    with open_log(tmp_path / "log.sqlite") as log:
        (result,) = score_photos([PhotoFile(path=tmp_path / name, name=name)], log=log, tank=TANK)
        assert not logged(log)
    assert (result.outcome, result.reading.reason.code) == ("failed", code)


# Processes


Listing = Callable[[], list[psutil.Process]]


@pytest.fixture
def busy_workers() -> Listing:
    """Give what lists the worker processes that a test started; those of the page's tests outlive them."""
    earlier = set(psutil.Process().children())

    def listed() -> list[psutil.Process]:
        workers = []
        for child in set(psutil.Process().children()) - earlier:
            with suppress(psutil.NoSuchProcess):  # it has just ended
                if "spawn_main" in " ".join(child.cmdline()):
                    workers.append(child)
        return workers

    return listed


def test_work_that_fails_hangs_or_dies_does_not_stop_the_rest(busy_workers: Listing) -> None:
    taken, ahead = 0, []

    def numbers() -> Iterator[int]:
        nonlocal taken
        for number in range(100):
            taken += 1
            yield number

    results = {}
    for done, result in enumerate(run_in_workers(hard_work, numbers(), count=2, time_limit_s=2.0)):
        ahead.append(taken - done)
        results[result.job] = result
    assert max(ahead) <= 3  # work is taken only as fast as it is done
    assert {number: done.result for number, done in results.items()} == {
        0: (1, "1"),
        **{number: 2 * number for number in range(1, 100)},
        **dict.fromkeys((13, 14, 15)),
    }
    assert (results[13].trouble, results[14].trouble) == ("ValueError: unlucky", "it took too long")
    assert results[15].trouble
    assert not busy_workers()


def test_processes_that_never_start_end_the_work() -> None:
    with pytest.raises(RuntimeError, match="cannot start"):
        list(run_in_workers(Unloadable(), range(10), count=2))
    with pytest.raises(ValueError, match="At least one process"):
        list(run_in_workers(hard_work, [1], count=0))


@pytest.mark.parametrize("what", ["_Process", "ensure_running"])
def test_a_system_without_room_for_a_process_ends_the_work(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(colorread.workers, what, full)
    with pytest.raises(RuntimeError, match="cannot start"):
        list(run_in_workers(hard_work, [1], count=1))


def test_ctrl_c_does_not_end_a_process_that_is_still_starting(busy_workers: Listing) -> None:
    started: set[int] = set()
    with ThreadPoolExecutor(1) as threads:
        done = threads.submit(list, run_in_workers(hard_work, [1], count=1))
        while not done.done():
            for worker in busy_workers():
                started.add(worker.pid)
                with suppress(psutil.NoSuchProcess):
                    worker.send_signal(signal.SIGINT)
            time.sleep(0.002)
    assert [each.result for each in done.result()] == [2]
    assert len(started) == 1


def test_closing_early_ends_the_processes(busy_workers: Listing) -> None:
    work = run_in_workers(hard_work, range(100, 1000), count=2)
    next(work)
    workers = busy_workers()
    assert workers
    work.close()
    assert not any(worker.is_running() for worker in workers)


def test_batch_without_processes_ends_with_a_sentence(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(colorread.batch.score, "_score", Unloadable())
    result = run("batch", folder, "--log", tmp_path / "log.sqlite")
    assert (result.exit_code, type(result.exception)) == (1, SystemExit)
    assert "Close other programs" in result.stderr


# The table


def table(path: Path) -> list[dict[str, str]]:
    data = path.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")  # by which spreadsheets know UTF-8
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


def test_table_has_a_row_for_each_photo(tmp_path: Path) -> None:
    one_sided = made_reading(
        photo="büro/blau.jpg",
        taken_at=datetime(2025, 6, 4, 18, 0),
        limit="above",
        ph=Interval(value=None, low=7.4, high=None),
        co2_mg_l=Interval(value=None, low=None, high=5.0),
    )
    read, refused = made_reading(), made_refusal(photo="b.jpg", taken_at=None)
    in_tank = PhotoPoint(photo=read.photo, taken_at=read.taken_at, co2_mg_l=Interval(value=21.0, low=16.123, high=28.5))
    (tmp_path / "week.csv").write_bytes(csv_bytes([read, one_sided, refused], [in_tank]))
    rows = table(tmp_path / "week.csv")
    assert tuple(rows[0]) == tuple(COLUMNS)
    expected = {
        "photo": (read.photo, "büro/blau.jpg", "b.jpg"),
        "taken_at": ("2025-06-04T05:30:09+01:00", "2025-06-04T18:00:00", ""),
        "status": ("read", "read", "refused"),
        "limit": ("", "above", ""),
        "co2_mg_l": ("18.05", "", ""),
        "co2_low_mg_l": ("12.00", "", ""),
        "co2_high_mg_l": ("27.00", "5.00", ""),
        "ph": ("6.877", "", ""),
        "ph_low": ("6.700", "7.400", ""),
        "ph_high": ("7.050", "", ""),
        "tank_co2_mg_l": ("21.00", "", ""),
        "tank_co2_low_mg_l": ("16.12", "", ""),
        "tank_co2_high_mg_l": ("28.50", "", ""),
        "code": ("", "", "no-card"),
        "next_step": ("", "", "Show the whole card."),
    }
    assert {name: tuple(row[name] for row in rows) for name in expected} == expected
    assert rows[2]["fish"] == ""


def test_no_file_name_becomes_a_formula(tmp_path: Path) -> None:
    names = ["=1+1.jpg", "+a.jpg", "-a.jpg", "@sum(a).jpg", "\ta.jpg", "|a.jpg", "%a.jpg"]
    # An imported log may hold any text as a flag.
    readings = [made_reading(photo=name, flags=(name,)) for name in names]
    readings.append(made_reading(photo='quo"te, comma.jpg'))
    (tmp_path / "week.csv").write_bytes(csv_bytes(readings))
    *rows, plain_row = table(tmp_path / "week.csv")
    assert [row["photo"] for row in rows] == [row["flags"] for row in rows] == [f"'{name}" for name in names]
    assert plain_row["photo"] == 'quo"te, comma.jpg'


# The command


@pytest.mark.usefixtures("without_workers")
def test_command_tells_what_became_of_the_photos(folder: Path, tmp_path: Path) -> None:
    batch = ("batch", folder, "--log", tmp_path / "log.sqlite", "--csv", tmp_path / "week.csv")
    result = run(*batch)
    assert result.exit_code == 3
    assert "2 photos read, 4 not read, 1 duplicate" in " ".join(result.stdout.split())
    assert DEFAULT_TANK in result.stdout
    said = result.stderr.splitlines()
    assert [name for name in (*READ, *REFUSED) if any(line.startswith(f"{name} ") for line in said)] == [*REFUSED]
    assert any("b/twice.JPG" in line and "a-green.jpg" in line for line in said)
    rows = table(tmp_path / "week.csv")
    assert [row["photo"] for row in rows] == sorted([*READ, *REFUSED])
    assert {row["assumed"] for row in rows} == {"kh temperature light"}

    again = run(*batch)
    assert (again.exit_code, "--force" in again.stderr) == (2, True)
    again = run(*batch, "--force")
    assert (again.exit_code, "6 from the log" in " ".join(again.stdout.split())) == (3, True)
    assert table(tmp_path / "week.csv") == rows

    (tmp_path / "good").mkdir()
    shutil.copy(folder / "a-green.jpg", tmp_path / "good" / "a.jpg")
    assert run("batch", tmp_path / "good", "--log", tmp_path / "log.sqlite").exit_code == 0


def test_command_prints_json_by_name_and_writes_what_the_tank_tells(
    scored: Batch, folder: Path, tmp_path: Path
) -> None:
    files = ("--summary", tmp_path / "week.json", "--report", tmp_path / "week.html")
    result = run("batch", folder, "--log", scored[1], "--tank", "home", "--json", *files)
    assert result.exit_code == 3
    readings = [json.loads(line) for line in result.stdout.splitlines()]
    assert [reading["photo"] for reading in readings] == sorted([*READ, *REFUSED])
    assert {reading["kh_dkh"] for reading in readings} == {4.5}
    summary = json.loads((tmp_path / "week.json").read_text(encoding="ascii"))
    assert (summary["n_read"], summary["n_refused"]) == (2, 4)
    assert "a-green.jpg" in (tmp_path / "week.html").read_text(encoding="utf-8")


@pytest.mark.usefixtures("without_workers")
def test_earlier_photos_of_a_named_tank_count_and_those_of_the_profile_do_not(tmp_path: Path) -> None:
    photos, log, summary = tmp_path / "photos", tmp_path / "log.sqlite", tmp_path / "tank.json"
    photos.mkdir()
    for name in ("front-green.jpg", "known.jpg"):
        shutil.copy(SAMPLES / "front-green.jpg", photos / name)
    with (photos / "known.jpg").open("ab") as file:
        file.write(b" ")  # another photo by its content
    known = hashlib.sha256((photos / "known.jpg").read_bytes()).hexdigest()
    profile = made_profile(tmp_path / "me.toml", "2025-06-01T10:00:00+00:00", sha256=known)
    with made_log_at(log) as opened:
        for number in (1, 2, 3):
            opened.add(made_entry(number))
        opened.add(made_entry(5, refused=True))  # counts nowhere
        opened.add(made_entry(4, sha256=known))  # read before it became one of a calibration

    def told(*options: str | Path) -> tuple[str, int]:
        result = run("batch", photos, "--log", log, "--profile", profile, "--summary", summary, "--force", *options)
        return " ".join(result.stdout.split()), json.loads(summary.read_text())["n_read"]

    words, n_read = told("--tank", "window")
    assert "3 more in the log" in words
    assert n_read == 4
    words, n_read = told()
    assert "more in the log" not in words
    assert n_read == 1


def test_what_the_log_holds_is_told_where_the_folder_holds_no_photo(tmp_path: Path) -> None:
    empty, log, report = tmp_path / "empty", tmp_path / "log.sqlite", tmp_path / "week.html"
    empty.mkdir()
    batch = ("batch", empty, "--tank", "window", "--log", log)
    assert run(*batch).exit_code == 2
    assert not log.exists()
    made_log_at(log).close()
    assert run(*batch).exit_code == 2
    with made_log_at(log) as opened:
        for number in (1, 2, 3):
            opened.add(made_entry(number))
    result = run(*batch, "--report", report)
    assert result.exit_code == 0, result.output
    assert str(empty) in result.stderr
    assert "3 photos read, 0 not read, 3 from the log" in " ".join(result.stdout.split())
    assert "IMG_0002.jpg" in report.read_text(encoding="utf-8")
    assert run("batch", empty, "--log", log).exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("{empty}",), "empty"),
        (("{empty}/nothing",), "nothing"),
        (("{folder}", "--tank", "nobody"), "nobody"),
        (("{folder}", "--jobs", "0"), "--jobs"),
        (("{folder}", "--csv", "{empty}/no/week.csv"), "week.csv"),
        (("{folder}", "--csv", "{empty}/x.csv", "--summary", "{empty}/../empty/x.json"), "twice"),
        (("{folder}", "--csv", "{empty}/x.xlsx"), ".csv"),
        (("{folder}", "--plot", "{empty}/x.html"), ".png or .pdf"),
        (("{folder}", "--profile", "{folder}/README.txt"), "profile"),
        (("{folder}", "--log", "{folder}/README.txt"), "log"),
    ],
)
def test_wrong_use_is_told_in_one_sentence(
    folder: Path, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "x.json").symlink_to("x.csv")
    filled = [part.format(empty=tmp_path / "empty", folder=folder) for part in arguments]
    result = run("batch", *filled, *(() if "--log" in filled else ("--log", tmp_path / "log.sqlite")))
    assert result.exit_code == (1 if "--log" in arguments else 2)
    assert words in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert "Traceback" not in result.output


def test_neither_log_nor_profile_is_written_over(folder: Path, tmp_path: Path) -> None:
    log, profile = tmp_path / "log.csv", made_profile(tmp_path / "me.csv", "2026-01-01T00:00:00+00:00")
    open_log(log, replace(TANK, profile=str(profile))).close()
    (tmp_path / "link.csv").symlink_to(log)
    before = log.read_bytes(), profile.read_bytes()
    for target, words in ((log, "the log itself"), (tmp_path / "link.csv", "the log itself"), (profile, "profile")):
        result = run("batch", folder, "--tank", "home", "--log", log, "--csv", target, "--force")
        assert (result.exit_code, words in result.stderr) == (2, True)
    assert (log.read_bytes(), profile.read_bytes()) == before
