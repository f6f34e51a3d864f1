"""The command on real files: what is printed, on which stream, and with which exit code."""

from __future__ import annotations

import ast
import errno
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

import colorread.cli
from tests.scene import Scene, take_photo

ROOT = Path(__file__).resolve().parents[1]
# But for the "safety sheet" of a supplier of dye, which is another matter.
UNSAFE = re.compile(r"\b(safe|safely|unsafe|harmless|no danger)\b", re.IGNORECASE)
runner = CliRunner()


def run(*arguments: str) -> Any:
    return runner.invoke(colorread.cli.app, list(arguments))


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("photos") / "tank.png"
    cv2.imwrite(str(path), take_photo(Scene(ph=6.8)).rgb_u8[..., ::-1])
    return path


@pytest.fixture(scope="module")
def bad_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("bad")
    (folder / "text.jpg").write_text("not a photo", encoding="utf-8")
    (folder / "empty.jpg").write_bytes(b"")
    cv2.imwrite(str(folder / "gray.png"), np.full((480, 640, 3), 128, np.uint8))
    half = cv2.imencode(".jpg", np.random.default_rng(2).integers(0, 255, (400, 400, 3), dtype=np.uint8))[1].tobytes()
    (folder / "half.jpg").write_bytes(half[: len(half) // 2])
    (folder / "folder.jpg").mkdir()
    names = ("text.jpg", "empty.jpg", "gray.png", "half.jpg", "folder.jpg", "missing.jpg")
    return {name: folder / name for name in names}


def test_child_process_prints_json_only(photo: Path, bad_files: dict[str, Path]) -> None:
    command = [sys.executable, "-m", "colorread", "read", str(photo), *map(str, bad_files.values()), "--json"]
    result = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert result.returncode == 3
    assert result.stderr == ""
    readings = [json.loads(line) for line in result.stdout.splitlines()]
    assert [reading["status"] for reading in readings] == ["read"] + ["refused"] * len(bad_files)
    assert readings[0]["ph"]["low"] <= 6.8 <= readings[0]["ph"]["high"]
    # 4 dKH at 25 C and pH 6.8 by PHREEQC with phreeqc.dat.
    assert readings[0]["co2_mg_l"]["low"] <= 21.43 <= readings[0]["co2_mg_l"]["high"]
    assert all(reading["ph"] is reading["co2_mg_l"] is reading["verdict"] is None for reading in readings[1:])


@pytest.mark.usefixtures("without_workers")
def test_bad_files_are_refused_without_a_number_and_do_not_keep_the_others_from_being_read(
    photo: Path, bad_files: dict[str, Path]
) -> None:
    result = run("read", *map(str, bad_files.values()))
    assert result.exit_code == 3
    assert "Traceback" not in result.output
    assert result.stdout.count("Not read.") == len(bad_files)
    assert all(name in result.stdout for name in bad_files)
    assert not re.search(r"(?<!CO)\d mg/L|pH \d", result.stdout)  # "CO2 mg/L" heads a column
    mixed = run("read", str(bad_files["text.jpg"]), str(photo))
    assert mixed.exit_code == 3
    assert mixed.stdout.count("text.jpg") == 2  # by itself, and among all photos
    assert "90 %:" in mixed.stdout
    assert "\x1b" not in mixed.stdout


@pytest.mark.usefixtures("without_workers")
def test_evidence_is_written_for_read_and_refused_alike(
    photo: Path, bad_files: dict[str, Path], tmp_path: Path
) -> None:
    result = run("read", str(photo), str(bad_files["gray.png"]), "--evidence", str(tmp_path / "pictures"))
    assert result.exit_code == 3
    pictures = sorted(path for path in (tmp_path / "pictures").iterdir())
    assert len(pictures) == 2
    for picture in pictures:
        image = cv2.imread(str(picture))
        assert image.std() > 1.0


@pytest.mark.usefixtures("without_workers")
@pytest.mark.parametrize(
    ("error", "words"), [(MemoryError(), "memory ran out"), (OSError(errno.EIO, "Input/output error"), "Input/output")]
)
@pytest.mark.parametrize("command", [("read",), ("calibrate", "ends", "--out", "me.toml", "--acid")])
def test_what_the_machine_runs_into_is_said_in_a_sentence(
    photo: Path, error: Exception, words: str, command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("colorread.photo.load.decoded", broken)
    result = run(*command, str(photo))
    assert result.exit_code == 1
    assert isinstance(result.exception, SystemExit)
    assert f"could not be read: {words}" in result.stderr


@pytest.mark.usefixtures("without_workers")
def test_pointing_outside_the_photo_is_refused(photo: Path) -> None:
    result = run("read", str(photo), "--vial", "9000,9000,50,50")
    assert result.exit_code == 3
    assert "check --vial X,Y,W,H" in " ".join(result.stdout.split())


def spoken_texts(path: Path) -> list[str]:
    """Return what a file may say to people: the texts of a module but its docstrings, the lines of another file."""
    source = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return source.splitlines()
    tree = ast.parse(source)
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    texts = (node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str))
    return [node.value for node in texts if id(node) not in docstrings]


def test_nothing_the_program_can_say_calls_anything_safe() -> None:
    files = [path for package in ("colorread", "calibration") for path in (ROOT / package).rglob("*.*")]
    files = [path for path in files if path.suffix in (".py", ".html", ".js", ".toml")]
    texts = [text for path in files for text in spoken_texts(path)]
    assert len(texts) > 3000
    # "default-src" begins a policy for browsers.
    assert [text for text in texts if UNSAFE.search(text) and "default-src" not in text] == []
