"""
How often readings of rendered weeks alarm, and how often the advice changes; not part of the tests.

``python -m tests.benchmark_levels FOLDER...``: each folder holds photos with their truth in JSON files beside them: of
a week, among them three of the same vial for calibration, or single ones, which are read without a profile.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from datetime import time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from calibration.profile import Profile
from colorread import read_photo
from colorread.chemistry.carbonate import ionic_strength
from colorread.limits import USUAL_FISH_LIMIT_MG_L
from colorread.profiles.make import buffer_photo, end_photo, make_profile
from colorread.result import LEVELS, Reading, level_of
from colorread.tank.settings import DailySpan, Tank
from colorread.tank.summary import summarize

_BANDS = ((0.0, 15.0), (15.0, 25.0), (25.0, 45.0), (45.0, 60.0), (60.0, 9999.0))
_TANK = Tank(
    name="week",
    kh_dkh=4.0,
    temperature_c=25.0,
    lights=DailySpan(on=time(10), off=time(18)),
    gas=DailySpan(on=time(8), off=time(18)),
)


def profile_of(truth: dict[Path, dict[str, Any]]) -> Profile:
    """Return a profile of the photos for calibration that can be used, most of them first."""
    photos = []
    for path, known in truth.items():
        if known.get("role") in ("acid", "base"):
            photos.append(end_photo(path, known["role"]))
        elif known.get("role") == "mid":
            strength = float(ionic_strength(known["dKH"]))
            photos.append(buffer_photo(path, known["pH"], ionic_strength_mol_kg=strength, temperature_c=25.0))
    for used in (photos, photos[1:], photos[:1] + photos[2:], photos[:2], photos[2:]):
        try:
            return make_profile(used, light="unknown")
        except ValueError as error:
            print(f"  {error}")
    raise SystemExit("No profile can be made of these photos.")


def changes_of_advice(readings: list[Reading]) -> int:
    """Return how often the kind of advice changes from photo to photo once there is a course."""
    kinds = []
    for count in range(1, len(readings) + 1):
        times = [reading.taken_at for reading in readings[:count] if reading.taken_at is not None]
        summary = summarize(_TANK, readings[:count], now=max(times) + timedelta(minutes=5))
        if summary.findings is not None and summary.now is not None:
            today, change = summary.findings.advice.today, summary.findings.advice.recommended
            more = change is not None and change.co2_mg_l[1].mean() > today.co2_mg_l[1].mean()
            direction = 0 if change is None else 1 if more else -1
            kinds.append((summary.now.verdict.fish, direction))
    return sum(before != after for before, after in pairwise(kinds))


def main(folders: list[str]) -> None:
    """Print a table for each folder and one of all."""
    total: dict[tuple[bool, tuple[float, float]], Counter[str]] = {}
    for folder in map(Path, folders):
        truth = {path: json.loads(path.with_suffix(".json").read_text()) for path in sorted(folder.glob("*.jpg"))}
        is_week = any(known.get("role") for known in truth.values())
        for profile in (None, profile_of(truth)) if is_week else (None,):
            rows = [
                (
                    read_photo(path, kh_dkh=known["dKH"], temperature_c=known["temperature_C"], profile=profile),
                    known["co2_mg_l"],
                )
                for path, known in truth.items()
                if known["usable"] and not known.get("role")
            ]
            for reading, true_mg_l in rows:
                if reading.co2_mg_l is not None:
                    band = next(band for band in _BANDS if band[0] <= true_mg_l <= band[1])
                    counter = total.setdefault((profile is not None, band), Counter())
                    counter[level_of(reading.co2_mg_l, USUAL_FISH_LIMIT_MG_L)] += 1
            if not is_week:
                continue
            n_changes = changes_of_advice([reading for reading, _ in rows])
            print(f"{folder.name}, {'without' if profile is None else 'with'} a profile: advice changes {n_changes}")
    for (profiled, (low, high)), counter in sorted(total.items()):
        levels = ", ".join(f"{level} {counter[level]}" for level in LEVELS)
        print(f"{'with' if profiled else 'without'} a profile, {low:g} to {high:g} mg/L: {levels}")


if __name__ == "__main__":
    main(sys.argv[1:])
