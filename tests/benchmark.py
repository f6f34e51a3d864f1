"""
Accuracy and speed of the reading, printed as tables: ``python -m tests.benchmark [FOLDER]``.

FOLDER holds photos with their truth, either in ``manifest.toml`` or in a JSON file beside each photo. Without it the
development photos beside the repository are used where present, and otherwise ``sample_images``.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

from calibration.profile import Profile
from colorread.carbonate import ionic_strength
from colorread.pipeline import read_photo
from colorread.profile.checks import CalibrationError
from colorread.profile.known_photo import buffer_photo, end_photo
from colorread.profile.make import make_profile
from colorread.reading import Reading
from tests.benchmark_weeks import batch_table, large_batch_table, simulated_table, weeks_table

ROOT = Path(__file__).resolve().parent.parent
SCENES = ("front", "submerged", "tag", "beside")
_NEAR_PH = 0.15  # a photo so near pH 6.9 may stand for that of the buffer


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is known of one photo; `ph` is None where there is no fluid."""

    path: Path
    scene: str  # front, submerged, tag, beside or refuse
    ph: float | None
    kh_dkh: float
    temperature_c: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One photo read."""

    truth: Truth
    reading: Reading

    @property
    def is_point(self) -> bool:
        """Whether it has a two-sided value."""
        return self.reading.ph is not None and self.reading.ph.value is not None

    @property
    def error(self) -> float:
        """Error of the pH, for points only."""
        assert self.reading.ph is not None
        assert self.reading.ph.value is not None
        assert self.truth.ph is not None
        return self.reading.ph.value - self.truth.ph

    @property
    def covers(self) -> bool:
        """Whether the interval holds the truth."""
        assert self.reading.ph is not None
        assert self.truth.ph is not None
        low = -np.inf if self.reading.ph.low is None else self.reading.ph.low
        high = np.inf if self.reading.ph.high is None else self.reading.ph.high
        return bool(low <= self.truth.ph <= high)

    @property
    def width(self) -> float:
        """Width of the interval, infinite where it is one-sided."""
        assert self.reading.ph is not None
        if self.reading.ph.low is None or self.reading.ph.high is None:
            return float(np.inf)
        return self.reading.ph.high - self.reading.ph.low


def default_folder() -> Path:
    """Return the folder of photos to read when none is named."""
    beside = ROOT.parent / "shared" / "photos" / "dev"
    return beside if beside.is_dir() else ROOT / "sample_images"


def load_truths(folder: Path) -> list[Truth]:
    """Read the truth of all photos of a folder, sorted by name."""
    manifest = folder / "manifest.toml"
    if manifest.exists():
        entries = tomllib.loads(manifest.read_text(encoding="utf-8"))["photo"]
        return [
            Truth(
                path=folder / entry["file"],
                scene=entry["scene"],
                ph=entry.get("ph"),
                kh_dkh=entry.get("kh_dkh", 4.0),
                temperature_c=entry.get("temperature_c", 25.0),
                why=entry.get("why", ""),
            )
            for entry in entries
        ]
    scenes = {"A": "front", "B": "submerged", "T": "tag", "C": "beside"}
    truths = []
    for sidecar in sorted(folder.glob("*.json")):
        data = json.loads(sidecar.read_text(encoding="utf-8"))
        if "file" not in data:
            continue
        truths.append(
            Truth(
                path=folder / data["file"],
                scene=scenes.get(data["scene"], "refuse") if data["usable"] else "refuse",
                ph=data["pH"],
                kh_dkh=data["dKH"] or 4.0,
                temperature_c=data["temperature_C"] or 25.0,
                why=data["why_not"] or "",
            )
        )
    return truths


def read_all(truths: Iterable[Truth]) -> list[Outcome]:
    """Read every photo with its KH and temperature stated, as a keeper would."""
    return [
        Outcome(
            truth=truth,
            reading=read_photo(truth.path, kh_dkh=truth.kh_dkh, temperature_c=truth.temperature_c),
        )
        for truth in truths
    ]


def accuracy_table(outcomes: list[Outcome]) -> Table:
    """Return the accuracy of the usable photos, a row a scene."""
    table = Table(title="Accuracy without a profile", title_justify="left")
    for name in ("scene", "photos", "read", "points", "median error", "90th pct.", "covered", "median width"):
        table.add_column(name, justify="left" if name == "scene" else "right")
    groups = {name: [o for o in outcomes if o.truth.scene == name] for name in SCENES}
    groups["front + submerged"] = groups["front"] + groups["submerged"]
    for name, group in groups.items():
        table.add_row(name, *_accuracy_cells(group))
    return table


def _accuracy_cells(group: list[Outcome]) -> list[str]:
    read = [o for o in group if o.reading.status == "read"]
    points = [o for o in read if o.is_point]
    errors = np.array([abs(o.error) for o in points])
    return [
        str(len(group)),
        _share(len(read), len(group)),
        str(len(points)),
        _number(np.median(errors)) if len(errors) else "-",
        _number(np.percentile(errors, 90)) if len(errors) else "-",
        _share(sum(o.covers for o in read), len(read)),
        _number(np.median([o.width for o in points])) if points else "-",
    ]


def worst_table(outcomes: list[Outcome]) -> Table:
    """Return the five points of largest error with what the reading says of itself."""
    points = [o for o in outcomes if o.truth.scene in SCENES and o.reading.status == "read" and o.is_point]
    table = Table(title="Worst five points", title_justify="left")
    for name in ("photo", "scene", "true pH", "read", "90 % interval", "covered", "why: flags; largest uncertainty"):
        table.add_column(name)
    for outcome in sorted(points, key=lambda o: -abs(o.error))[:5]:
        reading = outcome.reading
        assert reading.ph is not None
        largest = max(reading.budget, key=lambda key: reading.budget[key])
        table.add_row(
            outcome.truth.path.name,
            outcome.truth.scene,
            _number(outcome.truth.ph),
            _number(reading.ph.value),
            f"{_number(reading.ph.low)} to {_number(reading.ph.high)}",
            "yes" if outcome.covers else "NO",
            f"{', '.join(reading.flags) or 'no flag'}; {largest} {reading.budget[largest]:.2f}",
        )
    return table


def refusal_table(outcomes: list[Outcome]) -> Table:
    """Return what was refused, and what should have been."""
    table = Table(title="Refused, or to be refused", title_justify="left")
    for name in ("photo", "scene", "why it should be refused", "result"):
        table.add_column(name)
    for outcome in outcomes:
        if outcome.truth.scene != "refuse" and outcome.reading.status == "read":
            continue
        if outcome.reading.reason is not None:
            result = f"refused: {outcome.reading.reason.code}"
        else:
            result = f"READ, width {outcome.width:.2f}{' - CONFIDENT WRONG NUMBER' if outcome.width < 1.0 else ''}"
        table.add_row(outcome.truth.path.name, outcome.truth.scene, outcome.truth.why or "-", result)
    return table


def calibration_table(folder: Path) -> Table:
    """
    Return the readings of calibrated vials without and with a profile of their acid, base and known photos.

    The known photo is that made for it and, for more readings to count than a few, every other one near its pH in turn.
    """
    groups: list[list[dict[str, Any]]] = []
    for sidecar in sorted(folder.glob("*.json")):
        data = json.loads(sidecar.read_text(encoding="utf-8"))
        if data["role"] == "acid":
            groups.append([])
        groups[-1].append(data)
    table = Table(title="Accuracy without and with a profile (end points and known point)", title_justify="left")
    for name in ("", "readings", "read", "points", "median error", "90th pct.", "covered", "median width"):
        table.add_column(name, justify="left" if not name else "right")
    truths = {truth.path.name: truth for truth in load_truths(folder)}
    outcomes: dict[str, list[Outcome]] = {"without": [], "with": [], "with, known photos in turn": []}
    refused: list[str] = []
    for group in groups:
        ends = {data["role"]: folder / data["file"] for data in group if data["role"] in ("acid", "base")}
        fluids = [data for data in group if data["role"] in ("mid", "reading")]
        outcomes["without"] += _read_others(truths, fluids, fluids[0], None)
        for known in fluids:
            if abs(known["pH"] - 6.9) > _NEAR_PH:
                continue
            ionic = float(ionic_strength(known["dKH"]))
            photo = buffer_photo(folder / known["file"], known["pH"], ionic_strength_mol_kg=ionic)
            try:
                profile = make_profile([end_photo(ends["acid"], "acid"), end_photo(ends["base"], "base"), photo])
            except CalibrationError as error:
                refused.append(f"{known['file']}: {error}")
                continue
            read = _read_others(truths, fluids, known, profile)
            outcomes["with, known photos in turn"] += read
            if known["role"] == "mid":
                outcomes["with"] += read
    for name, group_outcomes in outcomes.items():
        if group_outcomes:
            table.add_row(name, *_accuracy_cells(group_outcomes))
    table.caption = "\n".join(refused)
    return table


def _read_others(
    truths: dict[str, Truth], fluids: list[dict[str, Any]], known: dict[str, Any], profile: Profile | None
) -> list[Outcome]:
    """Read the photos of a vial but the known one."""
    outcomes = []
    for data in fluids:
        if data is not known:
            truth = truths[data["file"]]
            reading = read_photo(truth.path, kh_dkh=truth.kh_dkh, temperature_c=truth.temperature_c, profile=profile)
            outcomes.append(Outcome(truth=truth, reading=reading))
    return outcomes


def speed_table(truths: list[Truth]) -> Table:
    """Return wall times as ratios, and memory."""
    table = Table(title="Speed and memory", title_justify="left")
    for name in ("what", "measured", "must"):
        table.add_column(name)
    jpegs = [t.path for t in truths if t.path.suffix.lower() in {".jpg", ".jpeg"}]
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "photo.jpg"
        _twelve_megapixels(max(jpegs, key=_pixels), photo)
        decode = _median_seconds(lambda: cv2.imread(str(photo), cv2.IMREAD_COLOR))
        read = _median_seconds(lambda: read_photo(photo))
        table.add_row(
            "12-megapixel JPEG: read / plain full decode",
            f"{read / decode:.2f} ({read * 1e3:.0f} ms / {decode * 1e3:.0f} ms)",
            "4 (aim 2)",
        )
        script = (
            "import resource; from colorread import read_photo; "
            f"read_photo({str(photo)!r}); print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
        )
        peak_kib = int(subprocess.run([sys.executable, "-c", script], capture_output=True, check=True).stdout)
        table.add_row("peak memory of one such read, whole process", f"{peak_kib / 1024:.0f} MB", "350 MB")
    start = _median_seconds(
        lambda: subprocess.run([sys.executable, "-m", "colorread", "--help"], capture_output=True, check=True), 7
    )
    table.add_row("colorread --help, whole process", f"{start * 1e3:.0f} ms", "250 ms")
    return table


def _pixels(path: Path) -> int:
    image = cv2.imread(str(path), cv2.IMREAD_REDUCED_GRAYSCALE_8)
    return 0 if image is None else image.size


def _twelve_megapixels(source: Path, target: Path) -> None:
    """Write the photo at 4032 x 3024, or copy it where it has that size."""
    image = cv2.imread(str(source), cv2.IMREAD_COLOR)
    assert image is not None
    height, width = image.shape[:2]
    if max(height, width) == 4032:
        target.write_bytes(source.read_bytes())
        return
    scale = 4032 / max(height, width)
    cv2.imwrite(str(target), cv2.resize(image, (round(width * scale), round(height * scale))))


def _median_seconds(action: Callable[[], object], repeats: int = 9) -> float:
    action()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def _share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.0f} % ({part}/{whole})" if whole else "-"


def _number(value: float | np.floating | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def main() -> None:
    """Print all tables."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else default_folder()
    truths = load_truths(folder)
    console = Console(width=140)
    console.print(f"{len(truths)} rendered photos of {folder.name}/, KH and temperature stated, light unknown\n")
    outcomes = read_all(truths)
    for table in (accuracy_table(outcomes), worst_table(outcomes), refusal_table(outcomes), speed_table(truths)):
        console.print(table)
    calibrated = folder.parent / "calib"
    if calibrated.is_dir():
        console.print(calibration_table(calibrated))
    weeks = sorted(folder.parent.glob("week*"))
    if weeks:
        console.print(weeks_table(weeks))
        photos = [truth.path for truth in truths if truth.path.suffix == ".jpg"]
        console.print(batch_table(photos))
        console.print(large_batch_table(photos))
    console.print(simulated_table())


if __name__ == "__main__":
    main()
