"""Accuracy of the tank over days, on the rendered week and on simulated weeks, and speed of a batch."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cv2
import numpy as np
from rich.table import Table

from calibration.inversion import State
from calibration.profile import Profile
from colorread.batch import PhotoFile, score_photos
from colorread.chemistry.carbonate import ionic_strength
from colorread.log.store import Log
from colorread.photo.file import open_file
from colorread.profiles.make import CalibrationError, buffer_photo, end_photo, make_profile
from colorread.reading.pipeline import read_photo
from colorread.result import Interval
from colorread.tank.fit import fit_tank, is_steady
from colorread.tank.results import Estimate
from colorread.tank.settings import Tank, parse_span
from colorread.tank.summary import summarize
from tests.tank_simulator import simulated_week

N_WEEKS = 200
_WEEK_CELLS = (
    "median error of the CO2",
    "covered",
    "width of the band",
    "gas trend",
    "lag of the vial [h]",
    "loss [1/h]",
)
# Usual tanks, and such as usual ones must not stand for.
_SIMULATED: Mapping[str, dict[str, Any]] = {
    "with profile": {},
    "without profile": {"profile": False},
    "1 to 10 mg/L, without profile": {"profile": False, "level_mg_l": (1.0, 10.0)},
    "1 to 10 mg/L at 1 dKH": {"kh_dkh": 1.0, "level_mg_l": (1.0, 10.0)},
    "60 to 120 mg/L, without profile": {"profile": False, "level_mg_l": (60.0, 120.0)},
    "60 to 120 mg/L at 8 dKH": {"kh_dkh": 8.0, "level_mg_l": (60.0, 120.0)},
}


def weeks_table(folders: Sequence[Path]) -> Table:
    """Return how the fitted tank stands to the rendered one, with and without a profile of the same vial."""
    table = Table(title="Rendered weeks: the tank, not the vial (lag 2.00 h, trend -6.0 % a day)", title_justify="left")
    for name in ("week", "profile", "photos", "read", *_WEEK_CELLS):
        table.add_column(name)
    scores: dict[str, list[tuple[float, float]]] = {"without": [], "with": []}
    for folder in folders:
        truths = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*_[0-9]*.json"))]
        by_role = {truth.get("role"): truth for truth in truths}
        shown = [truth for truth in truths if truth["tank_co2"] is not None]
        for name in scores:
            try:
                profile = _week_profile(folder, by_role) if name == "with" else None
            except CalibrationError:
                table.add_row(folder.name, name, str(len(shown)), "", "a calibration photo is refused")
                continue
            read, score, cells = _week_cells(folder, shown, profile)
            scores[name] += [] if score is None else [score]
            table.add_row(folder.name, name, str(len(shown)), str(read), *cells)
    for name, of_weeks in scores.items():
        if of_weeks:
            error, covered = np.mean(of_weeks, axis=0)
            table.add_row("mean", name, "", "", f"{error:.1f} %", f"{covered:.2f}")
    return table


def _week_profile(folder: Path, by_role: Mapping[str, dict[str, Any]]) -> Profile:
    mid = by_role["mid"]
    known = buffer_photo(folder / mid["file"], mid["pH"], ionic_strength_mol_kg=float(ionic_strength(mid["dKH"])))
    ends: tuple[State, ...] = ("acid", "base")
    return make_profile([*(end_photo(folder / by_role[end]["file"], end) for end in ends), known])


def _week_cells(
    folder: Path, truths: Sequence[dict[str, Any]], profile: Profile | None
) -> tuple[int, tuple[float, float] | None, tuple[str, ...]]:
    """Return how many photos are read, error [%] and covered share of the CO2, and the cells by their names."""
    readings = [
        read_photo(folder / truth["file"], kh_dkh=truth["dKH"], temperature_c=truth["temperature_C"], profile=profile)
        for truth in truths
    ]
    read = sum(reading.status == "read" for reading in readings)
    summary = summarize(Tank(name="week", lights=parse_span("10:00-18:00"), gas=parse_span("08:00-18:00")), readings)
    expected = {str(folder / truth["file"]): truth["tank_co2"] for truth in truths}
    points = [(point.co2_mg_l, expected[point.photo]) for point in summary.tank_co2]
    if not points:
        return read, None, ("cannot be told",)
    values = np.array([(co2.low, co2.value, co2.high, truth) for co2, truth in points], dtype=np.float64)
    low, value, high, truth = values.T
    error = 100.0 * float(np.median(np.abs(value / truth - 1.0)))
    covered = float(((low <= truth) & (truth <= high)).mean())
    cells = (
        f"{error:.1f} %",
        f"{covered:.2f}",
        f"{100.0 * np.median(low / value - 1.0):.0f} to {100.0 * np.median(high / value - 1.0):+.0f} %",
        _estimate(summary.estimate("gas_trend_percent_per_day"), 1),
        _estimate(summary.estimate("lag_hours"), 2),
        _estimate(summary.estimate("loss_per_hour"), 3),
    )
    return read, (error, covered), cells


def _estimate(estimate: Estimate, digits: int) -> str:
    interval: Interval | None = estimate.interval
    if interval is None:
        return "cannot be told"
    return f"{interval.value:.{digits}f} ({interval.low:.{digits}f} to {interval.high:.{digits}f})"


def simulated_table() -> Table:
    """Return how often the 90 % intervals of simulated weeks cover, and how many weeks are taken for unsteady."""
    table = Table(title=f"{N_WEEKS} simulated weeks each, by an independent solver", title_justify="left")
    names = ("tank CO2", "gas trend", "lag", "loss", "median error of the CO2", "of the trend [points]", "not steady")
    for name in ("", *names):
        table.add_column(name, justify="left" if not name else "right")
    for name, changes in _SIMULATED.items():
        rows = [_simulated(seed, changes) for seed in range(N_WEEKS)]
        tank, trend, lag, loss, error, trend_error, unsteady = np.array(rows, dtype=np.float64).T
        table.add_row(
            name,
            *(f"{100.0 * covers.mean():.0f} %" for covers in (tank, trend, lag, loss)),
            f"{100.0 * np.median(error):.1f} %",
            f"{np.median(trend_error):.1f}",
            f"{100.0 * unsteady.mean():.1f} %",
        )
    return table


def _simulated(seed: int, changes: dict[str, Any]) -> tuple[float, ...]:
    week = simulated_week(seed, **changes)
    fit = fit_tank(week.tank, week.readings)
    tank = np.quantile(fit.course(week.hours)[0], (0.05, 0.5, 0.95), axis=0)
    fall = -100.0 * np.expm1(-fit.parameters.fall_per_h * 24.0)

    def covers(draws: np.ndarray, truth: float) -> bool:
        low, high = np.quantile(draws, (0.05, 0.95))
        return bool(low <= truth <= high)

    return (
        float(np.mean((tank[0] <= week.tank_mg_l) & (week.tank_mg_l <= tank[2]))),
        covers(fall, 100.0 * week.fall_per_day),
        covers(fit.parameters.lag_h, week.lag_h),
        covers(fit.parameters.loss_per_h, week.loss_per_h),
        float(np.median(np.abs(tank[1] / week.tank_mg_l - 1.0))),
        abs(float(np.median(fall)) - 100.0 * week.fall_per_day),
        not is_steady(fit),
    )


def large_batch_table(photos: Sequence[Path]) -> Table:
    """Return the same for the photos enlarged to the 12 megapixels of phones, three times with other bytes."""
    with TemporaryDirectory() as folder:
        enlarged = []
        for photo in photos:
            small = cv2.imread(str(photo))
            factor = 4032.0 / max(small.shape[:2])
            large = cv2.resize(small, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
            for quality in (90, 91, 92):
                enlarged.append(Path(folder) / f"{photo.stem}-{quality}.jpg")
                cv2.imwrite(str(enlarged[-1]), large, [cv2.IMWRITE_JPEG_QUALITY, quality])
        return batch_table(enlarged, "12 megapixels")


def batch_table(photos: Sequence[Path], size: str = "2 to 12 megapixels") -> Table:
    """Return how fast many photos are scored in one and two processes."""
    table = Table(title=f"A batch of {len(photos)} photos of {size}", title_justify="left")
    for name in ("what", "measured", "must"):
        table.add_column(name)
    files = [PhotoFile(path=path, name=path.name) for path in photos]
    one, two = (_batch_seconds(files, jobs) for jobs in (1, 2))
    decode = _decode_seconds(photos)
    table.add_row("two processes against one", f"{one / two:.2f} times ({one:.1f} s / {two:.1f} s)", "1.8")
    table.add_row("two processes against summed decode time", f"{two / decode:.2f} ({decode:.1f} s)", "1.5")
    return table


def _batch_seconds(files: Sequence[PhotoFile], jobs: int) -> float:
    with TemporaryDirectory() as folder, Log(Path(folder) / "log.sqlite") as log:
        log.add_tank(Tank(name="speed"))
        start = time.perf_counter()
        with closing(score_photos(files, log=log, tank=log.tank("speed"), jobs=jobs)) as results:
            n_done = sum(1 for _ in results)
        assert n_done == len(files)
        return time.perf_counter() - start


def _decode_seconds(photos: Sequence[Path]) -> float:
    start = time.perf_counter()
    for photo in photos:
        with open_file(photo) as file:
            data = np.frombuffer(file.read(), np.uint8)
        cv2.imdecode(data, cv2.IMREAD_COLOR)
    return time.perf_counter() - start
