from __future__ import annotations

import hashlib
import json
import shutil
import unicodedata
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from typer.testing import CliRunner

from calibration.inversion import Evidence, SignalSamples
from calibration.profile import KnownSample, Profile, read_profile, write_profile
from colorread.cli import app
from colorread.log.store import Log
from colorread.page.tasks import score_photo
from colorread.page.uploads import Upload
from colorread.photo.file import camera_model_of
from colorread.profiles.defaults import default_profile, drop_default, has_defaults, make_default, read_defaults
from colorread.tank.settings import Tank

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
PHOTO = SAMPLES / "week" / "week-01.jpg"
PHONE = "Phone A"  # which took it
pytestmark = pytest.mark.usefixtures("without_workers")


def upload(sha256: str) -> Upload:
    return Upload(path=PHOTO, label="photo", sha256=sha256)


@pytest.fixture(autouse=True)
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COLORREAD_LOG", str(tmp_path / "log.sqlite"))
    return tmp_path / "log.sqlite"


def profile_file(path: Path, phone: str, red: float = 0.3) -> Path:
    samples = SignalSamples(density=np.array([[red, 0.1, 0.05]]), density_std=np.full((1, 3), 0.02))
    evidence = Evidence(samples=samples, space="srgb", state="known", ph=7.2, ph_std=0.05, pka=7.23)
    sample = KnownSample(evidence=evidence, photo="a.jpg", sha256="0" * 64, taken_at="", camera_model=phone)
    write_profile(Profile(samples=(sample,), light="unknown", made_at="2026-01-01T00:00:00+00:00"), path)
    return path


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, list(map(str, arguments)))
    assert result.exit_code == 0, result.output
    return result


def read(*arguments: object) -> dict[str, object]:
    return dict(json.loads(run("read", "--json", *arguments).stdout))


def profile_of_folder(tmp_path: Path, *arguments: object) -> str | None:
    """Return the profile that a folder with the photo was read with."""
    folder = tmp_path / "photos"
    folder.mkdir(exist_ok=True)
    shutil.copy(PHOTO, folder)
    return json.loads(run("batch", folder, "--json", "--jobs", 1, *arguments).stdout.splitlines()[0])["profile"]


def test_a_default_is_found_by_its_phone_only_until_it_is_dropped(tmp_path: Path, log: Path) -> None:
    path = profile_file(tmp_path / "me.toml", "Phone A")
    assert make_default(path, log) == ("Phone A",)
    assert default_profile("Phone A", log).name.startswith("me-")
    assert default_profile("Phone B", log) is None
    assert default_profile(None, log) is None
    assert [drop_default(path, log) for _ in range(2)] == [True, False]
    assert default_profile("Phone A", log) is None
    assert path.exists()


def test_a_default_stays_where_the_disk_writes_its_name_in_another_way(
    tmp_path: Path, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def write_decomposed(path: Path, data: bytes) -> None:  # as disks of older Macs do
        written = path.with_name(unicodedata.normalize("NFD", path.name))
        written.write_bytes(data)
        path.symlink_to(written)  # found under both names, but listed under one

    glob = Path.glob
    monkeypatch.setattr(Path, "glob", lambda folder, pattern: (p for p in glob(folder, pattern) if not p.is_symlink()))
    monkeypatch.setattr("colorread.profiles.defaults.write_atomic", write_decomposed)
    make_default(profile_file(tmp_path / "K\N{LATIN SMALL LETTER U WITH DIAERESIS}che.toml", "Phone A"), log)
    assert default_profile("Phone A", log) is not None


def test_a_later_default_of_the_same_phone_takes_over(tmp_path: Path, log: Path) -> None:
    make_default(profile_file(tmp_path / "old.toml", "Phone A", 0.3), log)
    make_default(profile_file(tmp_path / "other.toml", "Phone B", 0.3), log)
    make_default(profile_file(tmp_path / "new.toml", "Phone A", 0.4), log)
    found, other = default_profile("Phone A", log), default_profile("Phone B", log)
    assert (found.name.split("-")[0], other.name.split("-")[0]) == ("new", "other")


def test_of_two_defaults_of_one_phone_none_is_guessed(tmp_path: Path, log: Path) -> None:
    make_default(profile_file(tmp_path / "me.toml", "Phone A"), log)
    profile_file(tmp_path / "log-phones" / "copied.toml", "Phone A", 0.4)  # put there by hand
    assert default_profile("Phone A", log) is None


def test_a_profile_that_names_no_phone_is_no_default(tmp_path: Path, log: Path) -> None:
    with pytest.raises(ValueError, match="do not name their phone"):
        make_default(profile_file(tmp_path / "me.toml", ""), log)
    assert not has_defaults(log)


def test_read_says_which_profile_it_used(tmp_path: Path) -> None:
    path = profile_file(tmp_path / "me.toml", PHONE)
    assert PHONE in run("profile", path, "--default").output
    assert read(PHOTO)["profile"] == "me.toml (default of the phone)"
    assert read(PHOTO, "--no-profile")["profile"] is None
    assert read(PHOTO, "--profile", path)["profile"] == "me.toml"
    other = SAMPLES / "front-green.jpg"
    assert camera_model_of(other) != PHONE
    assert read(other)["profile"] is None


def test_a_folder_is_read_with_the_default_of_each_phone_until_a_profile_is_stated(tmp_path: Path, log: Path) -> None:
    make_default(profile_file(tmp_path / "me.toml", PHONE), log)
    own = profile_file(tmp_path / "own.toml", PHONE, 0.35)
    for _ in range(2):  # the second time it is known from the log
        assert profile_of_folder(tmp_path) == "me.toml (default of the phone)"
    assert profile_of_folder(tmp_path, "--profile", own) == "own.toml"


def test_defaults_belong_to_a_log(tmp_path: Path) -> None:
    home, away = tmp_path / "home" / "log.sqlite", tmp_path / "away.sqlite"
    path = profile_file(tmp_path / "me.toml", PHONE)
    run("profile", path, "--default", "--log", home)

    def used(log: Path) -> set[object]:
        scored = score_photo(upload("1" * 64), Tank(name="window"), log)
        of_folder = profile_of_folder(tmp_path, "--log", log)
        return {of_folder, scored.reading.profile, read(PHOTO, "--log", log)["profile"]}

    assert used(home) == {"me.toml (default of the phone)"}
    assert used(away) == {None}
    assert (tmp_path / "home" / "log-phones").stat().st_mode & 0o777 == 0o700
    run("profile", path, "--no-default", "--log", home)
    assert used(home) == {None}


def test_a_log_takes_over_the_defaults_that_it_was_read_with(tmp_path: Path, log: Path) -> None:
    old, other = tmp_path / "old.sqlite", tmp_path / "other.sqlite"
    make_default(profile_file(tmp_path / "me.toml", PHONE), log)
    (kept,) = (tmp_path / "log-phones").iterdir()
    scored = score_photo(upload("1" * 64), Tank(name="window"), log)
    assert scored.profile_id == hashlib.sha256(kept.read_bytes()).hexdigest()
    for path, entries in ((old, [scored]), (other, [])):
        with Log(path) as opened:
            opened.add_tank(Tank(name="window"))
            for entry in entries:
                opened.add(entry)
    for _ in range(2):
        assert read(PHOTO, "--log", old)["profile"] == "me.toml (default of the phone)"
        assert read(PHOTO, "--log", other)["profile"] is None
        drop_default(tmp_path / "me.toml", log)  # each has its own now
    assert CliRunner().invoke(app, ["profile", str(kept), "--no-default"]).exit_code == 2
    assert "no longer" in run("profile", tmp_path / "me.toml", "--no-default", "--log", old).output
    make_default(tmp_path / "me.toml", log)
    assert read(PHOTO, "--log", old)["profile"] is None  # once: what was dropped does not come back


def test_read_takes_the_settings_of_a_tank(tmp_path: Path) -> None:
    own = profile_file(tmp_path / "own.toml", "Phone Z")
    run("tank", "add", "window", "--kh", 5, "--temperature", 23, "--tank-kh", 7, "--profile", own)
    reading = read(PHOTO, "--tank", "window")
    assert (reading["kh_dkh"], reading["temperature_c"], reading["tank_kh_dkh"]) == (5.0, 23.0, 7.0)
    assert reading["profile"] == "own.toml"
    assert read(PHOTO, "--tank", "window", "--kh", 4)["kh_dkh"] == 4.0
    unknown = CliRunner().invoke(app, ["read", str(PHOTO), "--tank", "cellar"])
    assert unknown.exit_code == 2
    assert "window" in unknown.output


def test_a_damaged_default_is_passed_over_and_named(tmp_path: Path, log: Path) -> None:
    me = profile_file(tmp_path / "me.toml", PHONE)
    make_default(me, log)
    damaged = tmp_path / "log-phones" / "damaged.toml"
    damaged.write_text("not a profile")
    (tmp_path / "photos").mkdir()
    shutil.copy(PHOTO, tmp_path / "photos")
    for command in (
        ("read", PHOTO, "--json"),
        ("batch", tmp_path / "photos", "--json", "--jobs", 1),
        ("profile", me, "--no-default"),
        ("profile", me, "--default"),
    ):
        result = run(*command)
        assert f"{damaged} is not a colorread profile" in result.stderr, command
        if "--json" in command:
            assert json.loads(result.stdout)["profile"] == "me.toml (default of the phone)"
    assert len(read_defaults(log)[0]) == 1


def test_a_page_reads_photos_beside_a_damaged_default(tmp_path: Path, log: Path) -> None:
    make_default(profile_file(tmp_path / "me.toml", "Phone A"), log)
    next((tmp_path / "log-phones").glob("*.toml")).write_text("not a profile")
    scored = score_photo(upload("0" * 64), Tank(name="window"), log)
    assert scored.profile_id is None


def test_a_page_takes_no_photo_that_the_profile_was_made_of(tmp_path: Path, log: Path) -> None:
    profile = profile_file(tmp_path / "me.toml", "")
    sha256 = read_profile(profile).samples[0].sha256
    told = score_photo(upload(sha256), Tank(name="window", profile=str(profile)), log)
    assert told.code == "of-profile"
