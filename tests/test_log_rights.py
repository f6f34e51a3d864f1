"""Who may read a log, and by which name its tank goes."""

from __future__ import annotations

from pathlib import Path

import pytest

from colorread.log.store import Log, LogError
from colorread.tank.settings import Tank
from tests.made_log import made_entry, made_log_at


def test_nobody_else_on_the_machine_may_read_a_log(tmp_path: Path) -> None:
    path = tmp_path / "home" / "log.sqlite"
    with Log(path) as log:
        log.add_tank(Tank(name="window"))
        rights = {file.name: file.stat().st_mode & 0o777 for file in path.parent.iterdir()}
    assert set(rights.values()) == {0o600}
    assert len(rights) == 3  # the two files of write-ahead logging too
    assert path.parent.stat().st_mode & 0o777 == 0o700


def test_a_tank_takes_its_readings_along_to_another_name(tmp_path: Path) -> None:
    with made_log_at(tmp_path / "log.sqlite") as log:
        log.add_tank(Tank(name="desk"))
        log.add(made_entry())
        with pytest.raises(LogError, match="named desk"):
            log.rename_tank("window", "desk")
        with pytest.raises(ValueError):
            log.rename_tank("window", "a\nb")
        log.rename_tank("window", "Küche")
        assert [tank.name for tank in log.tanks()] == ["Küche", "desk"]
        assert [entry.sha256 for entry in log.entries("Küche")] == [made_entry().sha256]
