"""
Writes what the program says of folders of photos, to compare one state of the code with another.

``python -m tests.outputs OUT FOLDER ...`` fills OUT; run it before and after a change, then ``diff -r BEFORE AFTER``.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
_SETTINGS = (
    "--volume 60 --kh 4 --temperature 25 --lights 8:00-16:00 --gas 7:00-15:00 --source cylinder --source-amount 500 "
    "--source-started 2025-05-01 --valve timer"
)
_RAN_AT = re.compile(r'"(scored_at|at_version|exported_at)": ?"[^"]*"')


def main(arguments: list[str]) -> None:
    """Write the outputs for each folder."""
    out, *folders = map(Path, arguments)
    out.mkdir(parents=True, exist_ok=True)
    for folder in folders:
        print(folder)
        write_folder(folder, out / folder.name)
    write_profiles(out)


def write_folder(folder: Path, out: Path) -> None:
    """Write readings, summary, table, report and log of one folder."""
    out.mkdir(exist_ok=True)
    with TemporaryDirectory() as scratch:
        log = str(Path(scratch) / "log.db")
        _run("tank", "add", "home", *_SETTINGS.split(), "--log", log)
        files = {"--csv": "table.csv", "--summary": "summary.json", "--report": "report.html", "--calendar": "next.ics"}
        named = [part for option, name in files.items() for part in (option, str(out / name))]
        done = _run("batch", str(folder), "--tank", "home", "--log", log, "--json", "--force", *named)
        (out / "readings.jsonl").write_text(done, encoding="utf-8")
        (out / "log.txt").write_text(_run("log", "show", "--tank", "home", "--log", log, "--json"), encoding="utf-8")
        (out / "gas.json").write_text(_run("gas", "--tank", "home", "--log", log, "--json"), encoding="utf-8")
    for path in out.iterdir():
        path.write_text(_RAN_AT.sub(r'"\1": ""', path.read_text(encoding="utf-8")), encoding="utf-8")


def write_profiles(out: Path) -> None:
    """Write a profile of the sample photos."""
    photos = {kind: str(next(SAMPLES.rglob(f"*{kind}*.jpg"))) for kind in ("acid", "base", "known")}
    words = [part for kind, path in photos.items() for part in (f"--{kind}", path)]
    stated = ("--known-ph", "7.0", "--ionic-strength", "0.1", "--out", str(out / "ends.toml"), "--force")
    (out / "ends.txt").write_text(_run("calibrate", "ends", *words, *stated), encoding="utf-8")


def _run(*words: str) -> str:
    done = subprocess.run([sys.executable, "-m", "colorread", *words], capture_output=True, text=True, check=False)
    return f"{done.stdout}\n{done.stderr}\nexit {done.returncode}\n"


if __name__ == "__main__":
    main(sys.argv[1:])
