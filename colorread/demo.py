"""The demonstration: three made-up tanks from rendered photos, through the same steps as a keeper's own."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from calibration import write_profile
from colorread.batch import PhotoFile, kept, score_photos
from colorread.chemistry import ionic_strength
from colorread.log import Log
from colorread.profiles import buffer_photo, end_photo, make_profile
from colorread.report import write_report
from colorread.tank import Tank, TankSummary, changed_tank, summarize

DEMO_LOG = "demo.sqlite"
"""Name of the log of the demonstration, by which its folder is known: never that of a keeper's own log."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoTank:
    """
    One tank of the demonstration and what came of it.

    Parameters
    ----------
    summary : TankSummary
        What its photos tell.
    report : Path
        Its report.
    """

    summary: TankSummary
    report: Path


def find_images() -> Path:
    """
    Return the folder of the sample images.

    Returns
    -------
    Path
        Within the installed package, or beside it in a checkout.

    Raises
    ------
    FileNotFoundError
        If neither is there.
    """
    package = Path(__file__).parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        if (folder / "demo.toml").is_file():
            return folder
    raise FileNotFoundError("The sample images are not installed.")


def run_demo(folder: Path, images: Path, *, on_step: Callable[[str], None]) -> list[DemoTank]:
    """
    Calibrate, read, keep and report three made-up tanks.

    Parameters
    ----------
    folder : Path
        Where log, profile and reports are written; must exist.
    images : Path
        Folder of the sample images.
    on_step : callable
        Is told of each step in words.

    Returns
    -------
    list of DemoTank
        In the order of ``demo.toml``.

    Raises
    ------
    OSError, ValueError
        If a file cannot be read or written.
    """
    entries = tomllib.loads((images / "demo.toml").read_text(encoding="utf-8"))["tank"]
    with Log(folder / DEMO_LOG) as log:
        return [_run_tank(entry, folder, images, log, on_step) for entry in entries]


def _run_tank(
    entry: Mapping[str, Any], folder: Path, images: Path, log: Log, on_step: Callable[[str], None]
) -> DemoTank:
    stem = entry["name"].replace(" ", "-")
    profile = None
    if "calibration" in entry:
        profile = folder / f"{stem}.toml"
        on_step(f"{entry['name']}: calibrating")
        _calibrate(entry["calibration"], images, float(entry["settings"]["kh"]), profile)
    made = changed_tank(Tank(name=entry["name"], made_up=True), entry["settings"])
    tank = replace(made, profile=None if profile is None else str(profile))
    log.put_tank(tank)
    paths = sorted(path for pattern in entry["photos"] for path in images.glob(pattern))
    photos = [PhotoFile(path=path, name=path.relative_to(images).as_posix()) for path in paths]
    names = {}
    with closing(score_photos(photos, log=log, tank=tank)) as results:
        for number, scored in enumerate(results, 1):
            on_step(f"{tank.name}: photo {number} of {len(photos)}")
            names[scored.sha256] = scored.photo.name
    summary = summarize(tank, [logged.reading for logged in kept(log, tank, names)])
    report = folder / f"{stem}.html"
    write_report(report, summary, kept(log, tank, names, with_pictures=True))
    return DemoTank(summary=summary, report=report)


def _calibrate(photos: Mapping[str, Any], images: Path, kh_dkh: float, out: Path) -> None:
    strength = float(ionic_strength(kh_dkh))
    known = [
        end_photo(images / photos["acid"], "acid"),
        end_photo(images / photos["base"], "base"),
        buffer_photo(images / photos["known"], float(photos["known_ph"]), ionic_strength_mol_kg=strength),
    ]
    write_profile(make_profile(known), out, overwrite=True)
