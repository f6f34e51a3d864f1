"""
A batch that is killed again and again: ``python -m tests.kills N`` kills N of them at any moment.

After each kill the log is whole, holds all that it held before, and no process is left; started again, the batch goes
on until all photos are in the log, once each.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import psutil

from colorread.log.store import Log
from tests.benchmark import ROOT

_PHOTOS = 8
_LONGEST_S = 0.3  # about as long as a photo takes


def kill_batches(count: int, folder: Path, *, seed: int = 1) -> tuple[int, int]:
    """Kill batches and check what they leave behind; return kills of a batch at work, and logs filled to the end."""
    rng = random.Random(seed)
    photos = folder / "photos"
    photos.mkdir()
    for number in range(_PHOTOS):  # bytes behind the picture make another photo of it
        data = (ROOT / "sample_images" / "front-small.jpg").read_bytes()
        (photos / f"{number}.jpg").write_bytes(data + bytes([number]))
    n_killed = n_full = 0
    log = folder / "0" / "log.sqlite"
    before: dict[str, str] = {}
    while n_killed < count:
        is_killed = _batch(photos, log, rng.randrange(_PHOTOS), rng.uniform(0.0, _LONGEST_S))
        n_killed += is_killed
        after = _rows(log)
        assert before.items() <= after.items(), "something was lost or read again"
        left = {path.name for path in log.parent.iterdir()} if log.parent.exists() else set()
        assert left <= {"log.sqlite", "log.sqlite-wal", "log.sqlite-shm"}, left
        before = after
        if not is_killed:
            assert len(after) == _PHOTOS
            n_full += 1
            shutil.rmtree(log.parent)
            log, before = folder / str(n_full) / "log.sqlite", {}
    return n_killed, n_full


def _batch(photos: Path, log: Path, n_kept: int, seconds: float) -> bool:
    """Kill a batch some time after the log holds so many readings; return whether it was still at work."""
    command = [sys.executable, "-m", "colorread", "batch", str(photos), "--log", str(log), "--jobs", "2"]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    ) as batch:
        while batch.poll() is None and _count(log) < n_kept:
            time.sleep(0.02)
        try:
            assert batch.wait(seconds) == 0
            is_killed = False
        except subprocess.TimeoutExpired:
            batch.kill()
            is_killed = True
    until = time.monotonic() + 60.0
    while left := [each.pid for each in psutil.process_iter() if _session_of(each.pid) == batch.pid]:
        assert time.monotonic() < until, f"processes are left: {left}"
        time.sleep(0.05)
    return is_killed


def _session_of(pid: int) -> int:
    try:
        return os.getsid(pid)
    except ProcessLookupError:
        return 0


def _count(log: Path) -> int:
    """Return how many readings a log holds that another process may be making."""
    if not log.exists():
        return 0
    try:
        with closing(sqlite3.connect(f"file:{log}?mode=ro", uri=True)) as connection:
            return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])
    except sqlite3.OperationalError:  # it has no tables yet
        return 0


def _rows(log: Path) -> dict[str, str]:
    """Return what the log holds of each photo, and see that the file is whole."""
    if not log.exists():
        return {}
    with closing(sqlite3.connect(log)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with Log(log) as opened:
        return {entry.sha256: repr(entry) for entry in opened.entries()}


def main(arguments: list[str]) -> None:
    """Kill as many as asked for and say that all is well."""
    with tempfile.TemporaryDirectory() as folder:
        n_killed, n_full = kill_batches(int(arguments[0]), Path(folder))
    print(f"{n_killed} batches killed, {n_full} logs filled: nothing lost, doubled or left behind")


if __name__ == "__main__":
    main(sys.argv[1:])
