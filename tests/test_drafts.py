"""What becomes of a reading and its photo when it is kept, without a server."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from colorread.batch.photo_settings import settings_of
from colorread.errors import Refusal
from colorread.log.forget import forget_tank
from colorread.log.paths import photo_path
from colorread.log.store import Log, LogEntry, LogError, LogFailure
from colorread.page.drafts import Drafts, OutOfDate
from colorread.page.kept_photo import keep_photo
from colorread.page.uploads import Upload
from colorread.tank.settings import Tank
from tests.made_log import failing_transaction, made_entry, made_log_at
from tests.page_server import SAMPLES
from tests.test_batch import made_profile

SHA256 = "a" * 64
WINDOW = Tank(name="window")


@pytest.fixture
def drafts(tmp_path: Path) -> Drafts:
    """One reading of the tank ``window`` waits, with its photo; the log holds nothing yet."""
    made_log_at(tmp_path / "log.sqlite").close()
    original = tmp_path / "upload" / "photo"
    original.parent.mkdir()
    shutil.copy(SAMPLES / "front-small.jpg", original)
    made = Drafts(tmp_path / "log.sqlite")
    entry = made_entry(sha256=SHA256, settings_id=settings_of(WINDOW, None).settings_id)
    made.put(WINDOW, entry, Upload(path=original, label="a.jpg", sha256=SHA256))
    return made


def in_log(tmp_path: Path) -> list[LogEntry]:
    with Log(tmp_path / "log.sqlite") as log:
        return list(log.entries())


def test_a_reading_goes_with_its_tank(tmp_path: Path, drafts: Drafts) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        forget_tank(log, "window")
        assert b"picture of" not in drafts.path.read_bytes()
        log.add_tank(replace(WINDOW, kh_dkh=8.0))
    assert drafts.keep("window", SHA256, with_photo=True) is None
    assert in_log(tmp_path) == []
    assert not photo_path(tmp_path / "log.sqlite", SHA256).exists()


def test_a_reading_that_came_after_its_tank_went_is_not_kept(tmp_path: Path, drafts: Drafts) -> None:
    waiting = drafts.entry("window", SHA256)
    assert waiting is not None
    with Log(tmp_path / "log.sqlite") as log:
        forget_tank(log, "window")
    drafts.put(WINDOW, waiting, Upload(path=tmp_path / "upload" / "photo", label="a.jpg", sha256=SHA256))
    with pytest.raises(LogError, match="no tank named window"):
        drafts.keep("window", SHA256, with_photo=True)
    assert not photo_path(tmp_path / "log.sqlite", SHA256).exists()


@pytest.mark.parametrize("change", [{"kh_dkh": 8.0}, {"temperature_c": 20.0}, {"profile": "/lost.toml"}])
def test_a_reading_with_other_settings_than_the_tank_has_now_is_not_kept(
    tmp_path: Path, drafts: Drafts, change: dict[str, Any]
) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        log.put_tank(replace(WINDOW, **change))
    with pytest.raises(OutOfDate, match="the settings or the profile of window"):
        drafts.keep("window", SHA256, with_photo=True)
    assert in_log(tmp_path) == []
    assert not photo_path(tmp_path / "log.sqlite", SHA256).exists()
    with Log(tmp_path / "log.sqlite") as log:
        log.put_tank(replace(WINDOW, volume_l=54.0))  # no photo is read otherwise for that
    assert drafts.keep("window", SHA256, with_photo=False) is not None


def test_a_reading_with_the_profile_of_a_phone_is_kept(
    tmp_path: Path, drafts: Drafts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLORREAD_LOG", str(tmp_path / "log.sqlite"))
    folder = tmp_path / "log-phones"
    folder.mkdir()
    profile = made_profile(folder / "phone.toml", "2025-06-01")
    by_phone = made_entry(sha256="b" * 64, settings_id=settings_of(WINDOW, profile).settings_id)
    drafts.put(WINDOW, by_phone, Upload(path=tmp_path / "none" / "photo", label="b.jpg", sha256="b" * 64))
    assert drafts.keep("window", "b" * 64, with_photo=False) is not None


def test_a_later_reading_in_the_log_stays(tmp_path: Path, drafts: Drafts) -> None:
    later = made_entry(sha256=SHA256, scored_at=datetime(2026, 1, 1, tzinfo=UTC), picture=None)
    with Log(tmp_path / "log.sqlite") as log:
        log.add(later)
    drafts.keep("window", SHA256, with_photo=False)
    assert [entry.scored_at for entry in in_log(tmp_path)] == [later.scored_at]
    assert drafts.entries("window") == []


def test_a_photo_that_cannot_be_kept_leaves_the_reading_undecided(tmp_path: Path, drafts: Drafts) -> None:
    (tmp_path / "upload" / "photo").write_bytes(b"lost on the disk")
    with pytest.raises(Refusal):
        drafts.keep("window", SHA256, with_photo=True)
    with Log(tmp_path / "log.sqlite") as log:
        assert log.count("window") == 0
    assert drafts.entry("window", SHA256) is not None
    assert drafts.keep("window", SHA256, with_photo=False) is not None
    with Log(tmp_path / "log.sqlite") as log:
        assert log.count("window") == 1


@pytest.mark.parametrize("was_there", [False, True])
def test_no_photo_stays_of_a_reading_that_could_not_be_kept(
    tmp_path: Path, drafts: Drafts, monkeypatch: pytest.MonkeyPatch, was_there: bool
) -> None:
    path = photo_path(tmp_path / "log.sqlite", SHA256)
    if was_there:  # as of another tank
        keep_photo(tmp_path / "upload" / "photo", tmp_path / "log.sqlite", SHA256)
    with monkeypatch.context() as patch:
        patch.setattr("colorread.log.store.transaction", failing_transaction)
        with pytest.raises(LogFailure, match="disk I/O error"):
            drafts.keep("window", SHA256, with_photo=True)
    assert path.exists() == was_there
    assert in_log(tmp_path) == []
    assert drafts.keep("window", SHA256, with_photo=True) is not None
    assert path.exists()
