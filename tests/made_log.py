"""Logs made up for tests."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from typing import Any

from colorread.log.store import Log, LogEntry, LogError
from colorread.tank.settings import Tank
from tests.fabricated import made_reading, made_refusal

START = datetime(2025, 6, 2, 7, 30)


def made_entry(number: int = 0, *, tank: str = "window", refused: bool = False, **changes: Any) -> LogEntry:
    """Return an entry of a photo taken `number` hours after the start, with a picture."""
    make = made_refusal if refused else made_reading
    reading = make(photo=f"IMG_{number:04d}.jpg", taken_at=START + timedelta(hours=number))
    values: dict[str, Any] = {
        "sha256": hashlib.sha256(str(number).encode()).hexdigest(),
        "tank": tank,
        "reading": reading,
        "scored_at": datetime(2025, 6, 9, 8, tzinfo=UTC),
        "software": "0.1.0",
        "settings_id": "settings",
        "profile_id": None,
        "picture": f"picture of {number} ".encode() * 200,
    }
    return LogEntry(**{**values, **changes})


def made_log_at(path: str | os.PathLike[str]) -> Log:
    """Return an open log that has the tank ``window``."""
    log = Log(path)
    with suppress(LogError):
        log.add_tank(Tank(name="window"))
    return log


@contextmanager
def failing_transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Take back all changes at the end, as a disk does that fails with the last write."""
    connection.execute("BEGIN IMMEDIATE")
    yield
    connection.execute("ROLLBACK")
    raise sqlite3.OperationalError("disk I/O error")
