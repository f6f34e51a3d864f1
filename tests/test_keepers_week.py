"""A keeper's week from the command line: calibrate, describe the tank, score the folder, read what came of it."""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from colorread.cli import app

WEEK = Path(__file__).resolve().parents[1] / "sample_images" / "week"
NAMES = [f"week-{number:02d}.jpg" for number in range(9)]


def run(*arguments: object) -> str:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days of photos, the calibration photos among them, scored with their profile."""
    folder = tmp_path_factory.mktemp("week")
    photos = folder / "photos"
    photos.mkdir()
    for path in (*WEEK.glob("cal*.jpg"), *(WEEK / name for name in NAMES)):
        shutil.copy(path, photos)
    log, profile = folder / "log.sqlite", folder / "me.toml"
    ends = ("--acid", photos / "calibration-acid.jpg", "--base", photos / "calibration-base.jpg")
    known = ("--known", photos / "calibration-known.jpg", "--known-ph", 6.9, "--kh", 4)
    run("calibrate", "ends", *ends, *known, "--out", profile)
    spans = ("--lights", "10:00-18:00", "--gas", "08:00-18:00")
    run("tank", "add", "window", "--volume", 60, "--kh", 4, "--temperature", 25, *spans, "--log", log)
    files = ("--csv", folder / "week.csv", "--summary", folder / "week.json")
    text = run("batch", photos, "--tank", "window", "--profile", profile, "--log", log, *files)
    (folder / "said.txt").write_text(text, encoding="utf-8")
    return folder


def rows_of(table: Path) -> list[dict[str, str]]:
    with table.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_three_days_tell_the_trend_and_say_what_they_do_not_tell(week: Path) -> None:
    # The truth of the rendered week stands in its manifest; nothing of the reading has seen it.
    truth = tomllib.loads((WEEK / "manifest.toml").read_text(encoding="utf-8"))["tank"]
    summary = json.loads((week / "week.json").read_text(encoding="ascii"))
    assert summary["n_read"] == len(summary["tank_co2"]) == len(NAMES)
    trend = summary["gas_trend_percent_per_day"]
    assert trend["low"] <= -100.0 * truth["gas_falls_per_day"] <= trend["high"]
    assert trend["value"] < 0.0  # three days do not exclude a steady gas
    # No photo was taken one to three hours after the gas goes on, where the vial is furthest behind.
    assert summary["lag_hours"] is None
    assert summary["cannot_tell"]["lag_hours"]


def test_photos_of_the_calibration_are_no_readings(week: Path) -> None:
    assert {row["photo"] for row in rows_of(week / "week.csv")} == {*NAMES}
    assert (week / "said.txt").read_text(encoding="utf-8").count("was used for the profile") == 3
    assert len(run("log", "show", "--json", "--log", week / "log.sqlite").splitlines()) == len(NAMES)


def test_tables_of_folder_and_log_tell_the_tank_beside_the_vial(week: Path) -> None:
    summary = json.loads((week / "week.json").read_text(encoding="ascii"))
    run("log", "show", "--tank", "window", "--csv", week / "log.csv", "--log", week / "log.sqlite")
    for table in ("week.csv", "log.csv"):
        rows = rows_of(week / table)
        for end, name in (("", "value"), ("_low", "low"), ("_high", "high")):
            told = {row["photo"]: float(row[f"tank_co2{end}_mg_l"]) for row in rows}
            assert told == pytest.approx({point["photo"]: point[name] for point in summary["tank_co2"]}, abs=0.01)
