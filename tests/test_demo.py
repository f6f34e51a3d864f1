from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from colorread.cli import app
from colorread.cli.start import DEMO_LOG, find_images
from colorread.log.store import Log
from colorread.report.plot import MADE_UP
from colorread.tank.summary import summarize
from colorread.words.gas_care import SIGNS_IN_SHORT

ROOT = Path(__file__).resolve().parents[1]
TRUTH = tomllib.loads((find_images() / "week" / "manifest.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("demo") / "out"
    result = CliRunner().invoke(app, ["demo", "--out", str(out)])
    assert result.exit_code == 0, result.output
    return out, result.output


def test_every_tank_gets_a_report_that_is_marked_as_made_up_and_has_its_cautions(demo: tuple[Path, str]) -> None:
    out, text = demo
    reports = {path.name: path.read_text(encoding="utf-8") for path in out.glob("*.html")}
    assert len(reports) == 3
    for name, report in reports.items():
        assert name in text
        assert MADE_UP in report
        assert "entilate" in report
    assert "Made-up data" in text
    assert SIGNS_IN_SHORT in " ".join(text.split())
    for words in ("never seal it or pinch its hose", "relief valve", "upright", "dechlorinated"):
        assert any(words in report for report in reports.values())


def test_the_week_tells_the_tank_that_was_rendered(demo: tuple[Path, str]) -> None:
    # The truth of the rendered week stands in its manifest; nothing of the reading has seen it.
    with Log(demo[0] / DEMO_LOG) as log:
        tank = log.tank("window seat")
        summary = summarize(tank, [entry.reading for entry in log.entries("window seat")])
        yeast = [tank for tank in log.tanks() if tank.source_kind == "fermentation"]
    truth = {photo["file"]: photo["tank_co2_mg_l"] for photo in TRUTH["photo"] if "tank_co2_mg_l" in photo}
    points = {Path(point.photo).name: point.co2_mg_l for point in summary.tank_co2}
    assert set(points) == set(truth)
    errors = [abs(points[name].value / truth[name] - 1.0) for name in truth if points[name].value]
    inside = [points[name].low <= truth[name] <= points[name].high for name in truth]
    assert np.median(errors) <= 0.15
    assert np.mean(inside) >= 0.85
    trend = summary.estimate("gas_trend_percent_per_day").interval
    assert trend.value == pytest.approx(-100.0 * TRUTH["tank"]["gas_falls_per_day"], abs=2.0)
    lag = summary.estimate("lag_hours").interval
    assert 1 / 1.5 <= lag.value / TRUTH["tank"]["lag_hours"] <= 1.5
    assert yeast
    assert all(tank.gas is not None and tank.gas.hours == 24.0 for tank in yeast)  # which cannot be switched


def test_a_folder_that_holds_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").write_text("mine")
    result = CliRunner().invoke(app, ["demo", "--out", str(tmp_path)])
    assert result.exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["log.sqlite"]


def test_the_wheel_holds_the_photos_of_the_demonstration_and_stays_below_five_megabytes() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    included = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert all(target == f"colorread/{source}" and (ROOT / source).exists() for source, target in included.items())
    shown = tomllib.loads((ROOT / "sample_images" / "demo.toml").read_text(encoding="utf-8"))
    photos = {photo for tank in shown["tank"] for photo in tank["photos"] if not photo.startswith("week/")}
    assert {source.removeprefix("sample_images/") for source in included} == photos | {"week", "demo.toml"}
    files = [file for path in map(ROOT.joinpath, included) for file in ([path] if path.is_file() else path.iterdir())]
    files += (ROOT / "colorread").rglob("*.onnx")
    text_mb = 0.5  # code, data and templates, packed
    assert sum(file.stat().st_size for file in files) / 1e6 + text_mb < 5.0
