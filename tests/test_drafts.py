"""What becomes of a reading and its photo when it is kept, without a server."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from colorread.errors import Refusal
from colorread.log.store import Log, LogError, photo_path
from colorread.page.drafts import Drafts
from colorread.page.uploads import Upload
from colorread.tank.settings import Tank
from tests.made_log import made_entry, made_log_at
from tests.page_server import SAMPLES

SHA256 = "a" * 64


@pytest.fixture
def drafts(tmp_path: Path) -> Drafts:
    """One reading of the tank ``window`` waits, with its photo; the log holds nothing yet."""
    made_log_at(tmp_path / "log.sqlite").close()
    original = tmp_path / "upload" / "photo"
    original.parent.mkdir()
    shutil.copy(SAMPLES / "front-small.jpg", original)
    made = Drafts(tmp_path / "log.sqlite")
    made.put(Tank(name="window"), made_entry(sha256=SHA256), Upload(path=original, label="a.jpg", sha256=SHA256))
    return made


def test_no_photo_is_left_of_a_tank_that_was_removed_meanwhile(tmp_path: Path, drafts: Drafts) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        log.remove_tank("window")
    with pytest.raises(LogError, match="no tank named window"):
        drafts.keep("window", SHA256, with_photo=True)
    assert not photo_path(tmp_path / "log.sqlite", SHA256).exists()


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
