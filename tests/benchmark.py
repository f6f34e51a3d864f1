"""
Accuracy and speed of the reading, printed as tables: ``python -m tests.benchmark [FOLDER ...]``.

Each FOLDER holds photos with their truth, either in ``manifest.toml`` or in a JSON file beside each photo. Without one
the development photos beside the repository are used where present, and otherwise ``sample_images``.
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
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

from calibration.profile import Profile
from colorread.chemistry.carbonate import ionic_strength
from colorread.profiles.make import CalibrationError, buffer_photo, end_photo, make_profile
from colorread.reading.pipeline import read_photo
from colorread.result import Reading
from tests.benchmark_weeks import batch_table, large_batch_table, simulated_table, weeks_table

ROOT = Path(__file__).resolve().parent.parent
SCENES = ("front", "submerged", "tag", "beside")
READABLE = ("front", "submerged", "tag")
LEARNED_PHONES = frozenset(("phone01m", "phone05m", "phone08m", "phone12p", "phone14p", "phone17p"))
"""Phones whose photos trained the network; the others are strangers to it."""
_TIMED_PHOTOS = 10
_ACID_PH = 6.3  # more than 70 mg/L at 4 dKH
_DYE_ENDS = 0.45, 1.4  # amounts up to which it is little, and from which on much
_NEAR_PH = 0.15  # a photo so near pH 6.9 may stand for that of the buffer


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is known of one photo; `ph` is None where there is no fluid."""

    path: Path
    scene: str  # of SCENES, or refuse
    ph: float | None
    kh_dkh: float
    temperature_c: float
    why: str
    traits: dict[str, str]  # phone, vial, lamp and dye, by which results are told apart


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
    def true_ph(self) -> float:
        """True pH of the fluid."""
        return self.truth.ph

    @property
    def error(self) -> float:
        """Error of the pH, for points only."""
        return self.reading.ph.value - self.true_ph

    @property
    def low_ph(self) -> float:
        """Lower end of the interval, of readings."""
        return -np.inf if self.reading.ph.low is None else self.reading.ph.low

    @property
    def high_ph(self) -> float:
        """Upper end of the interval, of readings."""
        return np.inf if self.reading.ph.high is None else self.reading.ph.high

    @property
    def covers(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low_ph <= self.true_ph <= self.high_ph

    @property
    def width(self) -> float:
        """Width of the interval, infinite where it is one-sided."""
        return self.high_ph - self.low_ph


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
                traits={},
            )
            for entry in entries
        ]
    scenes = {"A": "front", "B": "submerged", "C": "beside", "T": "tag"}
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
                traits=_traits(data),
            )
        )
    return truths


def _traits(data: dict[str, Any]) -> dict[str, str]:
    """Return by what the results of a photo are told apart."""
    lamps = {lamp.rstrip("0123456789 .K").split(" FL")[0].split(" + ")[0] for lamp in data["lights"]}
    little, much = _DYE_ENDS
    dye = data["dye_load"] or 0.0
    return {
        "phone": "of training" if data["camera"] in LEARNED_PHONES else "stranger",
        "vial": data.get("vial", {}).get("kind", "none"),
        "lamp": lamps.pop().rstrip("0123456789 .K") if len(lamps) == 1 else "mixed",
        "dye": "little" if dye < little else "much" if dye > much else "usual",
    }


def read_all(truths: Iterable[Truth]) -> list[Outcome]:
    """Read every photo with its KH and temperature stated, as a keeper would."""
    with ProcessPoolExecutor() as pool:
        return list(pool.map(_outcome, truths, chunksize=4))


def _outcome(truth: Truth) -> Outcome:
    return Outcome(truth=truth, reading=read_photo(truth.path, kh_dkh=truth.kh_dkh, temperature_c=truth.temperature_c))


def accuracy_table(outcomes: list[Outcome]) -> Table:
    """Return the accuracy of the usable photos: by scene, then of the readable ones by phone, vial, lamp and dye."""
    table = Table(title="Accuracy without a profile", title_justify="left")
    for name in ("photos of", "photos", "read", "points", "median error", "90th pct.", "covered", "median width"):
        table.add_column(name, justify="left" if name == "photos of" else "right")
    for scene in SCENES:
        table.add_row(scene, *_accuracy_cells([o for o in outcomes if o.truth.scene == scene]))
    readable = [o for o in outcomes if o.truth.scene in READABLE]
    table.add_row("all to be read", *_accuracy_cells(readable), end_section=True)
    for trait in readable[0].truth.traits if readable else ():
        for value in sorted({o.truth.traits[trait] for o in readable}):
            group = [o for o in readable if o.truth.traits[trait] == value]
            table.add_row(f"{trait}: {value}", *_accuracy_cells(group))
        table.add_section()
    return table


def acid_table(outcomes: list[Outcome]) -> Table:
    """Return what is said of fluid far in the yellow, where an interval above the true pH suffocates fish."""
    table = Table(title=f"Photos below pH {_ACID_PH}", title_justify="left")
    for name in ("read", "with two sides", "tell of too little CO2"):
        table.add_column(name, justify="right")
    acid = [o for o in outcomes if o.truth.scene in READABLE and o.reading.status == "read" and o.true_ph < _ACID_PH]
    table.add_row(str(len(acid)), str(sum(o.is_point for o in acid)), str(sum(o.low_ph > o.true_ph for o in acid)))
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
    """Return the ten points of largest error with what the reading says of itself."""
    points = [o for o in outcomes if o.truth.scene in SCENES and o.reading.status == "read" and o.is_point]
    table = Table(title="Worst ten points", title_justify="left")
    for name in ("photo", "scene", "true pH", "read", "90 % interval", "covered", "why: flags; largest uncertainty"):
        table.add_column(name)
    for outcome in sorted(points, key=lambda o: -abs(o.error))[:10]:
        reading = outcome.reading
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
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "photo.jpg"
        for reference, scenes, must in (("card", {"front", "submerged"}, "1.5"), ("tag", {"tag"}, "1.3")):
            paths = [t.path for t in truths if t.scene in scenes and t.path.suffix == ".jpg"]
            ratios = []
            for path in paths[:: max(1, len(paths) // _TIMED_PHOTOS)]:
                _twelve_megapixels(path, photo)
                decode = _median_seconds(lambda: cv2.imread(str(photo), cv2.IMREAD_COLOR))
                if read_photo(photo).status == "read":  # all steps, not those up to a refusal
                    ratios.append(_median_seconds(lambda: read_photo(photo)) / decode)
            if ratios:
                table.add_row(
                    f"12-megapixel JPEG of the {reference}: read / plain full decode, {len(ratios)} photos",
                    f"{statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})",
                    must,
                )
        script = (
            f"from colorread import read_photo; read_photo({str(photo)!r})\n"
            # Of this process alone: `ru_maxrss` counts what its parent took too.
            "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
        )
        peak_kib = int(subprocess.run([sys.executable, "-c", script], capture_output=True, check=True).stdout)
        table.add_row("peak memory of one such read, whole process (Linux)", f"{peak_kib / 1024:.0f} MB", "250 MB")
    start = _median_seconds(
        lambda: subprocess.run([sys.executable, "-m", "colorread", "--help"], capture_output=True, check=True), 7
    )
    table.add_row("colorread --help, whole process", f"{start * 1e3:.0f} ms", "250 ms")
    return table


def _twelve_megapixels(source: Path, target: Path) -> None:
    """Write the photo at 4032 x 3024, or copy it where it has that size."""
    image = cv2.imread(str(source), cv2.IMREAD_COLOR)
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
    folders = [Path(name) for name in sys.argv[1:]] or [default_folder()]
    console = Console(width=140)
    all_truths = []
    for folder in folders:
        truths = load_truths(folder)
        all_truths += truths
        console.print(f"\n{len(truths)} rendered photos of {folder.name}/, KH and temperature stated, light unknown\n")
        outcomes = read_all(truths)
        for table in (accuracy_table, acid_table, worst_table, refusal_table):
            console.print(table(outcomes))
    console.print(speed_table(all_truths))
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
