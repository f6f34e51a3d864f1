"""The demonstration: three made-up tanks from rendered photos, through the same steps as a keeper's own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

import calibration
from colorread import (
    batch as batch_room,
    chemistry,
    log as log_room,
    profiles,
    report as report_room,
    tank as tank_room,
)
from colorread.cli import common, screen

LOG_NAME = "demo.sqlite"  # marks a folder as one of the demonstration; never the name of a keeper's own log


def demo(
    out: Annotated[
        Path, typer.Option(help="Folder for log, profile and reports; made if missing.", metavar="DIR")
    ] = Path("colorread-demo"),
) -> None:
    """
    Show the tool on three made-up tanks with rendered photos, and print where the reports are.

    Examples
    --------
    colorread demo --out demo
    """
    import tomllib

    from rich.console import Console

    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / LOG_NAME).exists())):
        common.fail(f"{out} is not empty; choose an empty or new folder with --out.")
    with (
        common.exit_on(OSError, what=f"Could not write the demo to {out}", code=common.EXIT_FAILED),
        common.exit_on(log_room.LogError, code=common.EXIT_FAILED),
        Console(stderr=True).status("Starting") as status,
    ):
        images = find_images()
        entries = tomllib.loads((images / "demo.toml").read_text(encoding="utf-8"))["tank"]
        out.mkdir(parents=True, exist_ok=True)
        with log_room.Log(out / LOG_NAME) as log:
            made = [_make_tank(entry, out, images, log, status.update) for entry in entries]
    terminal = screen.Terminal()
    terminal.print("Made-up data: three tanks in a library reading room, with rendered photos.")
    for summary, report in made:
        terminal.print()
        screen.print_now(terminal, summary, where="the report")
        terminal.print(f"Report    {report}", soft_wrap=True)


def find_images() -> Path:
    """Return the folder of the sample images: in the installed package, or beside it in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "sample_images"
    return installed if installed.is_dir() else package.parent / "sample_images"


def _make_tank(
    entry: Mapping[str, Any], folder: Path, images: Path, log: log_room.Log, tell: Callable[[str], None]
) -> tuple[tank_room.TankSummary, Path]:
    """Calibrate, read, log and report one tank of ``demo.toml``; return its summary and its report."""
    name, settings = entry["name"], entry["settings"]
    stem = folder / name.replace(" ", "-")
    tank = tank_room.changed_tank(tank_room.Tank(name=name, made_up=True), settings)
    if "calibration" in entry:
        tell(f"{name}: calibrating")
        tank = replace(tank, profile=str(stem.with_suffix(".toml")))
        profile = _calibrate(entry["calibration"], images, float(settings["kh"]))
        calibration.write_profile(profile, stem.with_suffix(".toml"), overwrite=True)
    log.put_tank(tank)
    paths = sorted(path for pattern in entry["photos"] for path in images.glob(pattern))
    photos = [batch_room.PhotoFile(path=path, name=path.relative_to(images).as_posix()) for path in paths]
    names = {}
    with closing(batch_room.score_photos(photos, log=log, tank=tank)) as results:
        for number, scored in enumerate(results, 1):
            tell(f"{name}: photo {number} of {len(photos)}")
            names[scored.sha256] = scored.photo.name
    summary = tank_room.summarize(tank, [logged.reading for logged in batch_room.kept(log, tank, names)])
    report = stem.with_suffix(".html")
    report_room.write_report(report, summary, batch_room.kept(log, tank, names, with_pictures=True))
    return summary, report


def _calibrate(photos: Mapping[str, Any], images: Path, kh_dkh: float) -> calibration.Profile:
    strength = float(chemistry.ionic_strength(kh_dkh))
    return profiles.make_profile(
        [
            profiles.end_photo(images / photos["acid"], "acid"),
            profiles.end_photo(images / photos["base"], "base"),
            profiles.buffer_photo(images / photos["known"], float(photos["known_ph"]), ionic_strength_mol_kg=strength),
        ]
    )
