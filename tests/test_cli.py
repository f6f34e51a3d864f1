from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
from typer.testing import CliRunner

import colorread
import colorread.cli
import colorread.reading.pipeline
from colorread import workers
from colorread.log.store import Log
from colorread.reading.interpretation import PhotoInputs
from colorread.result import Interval, Reading, Trace
from colorread.words.gas_care import SENSITIVE_ANIMALS, gas_cautions
from tests.fabricated import made_reading, made_refusal, made_trace
from tests.made_log import made_entry

HEAVY = ("numpy", "cv2", "skimage", "scipy", "PIL", "reportlab", "rich", "sqlite3", "platformdirs")
runner = CliRunner()


def run(*arguments: str) -> Any:
    return runner.invoke(colorread.cli.app, list(arguments))


class FakePipeline:
    """Stands for the reading of photos: names that hold "bad" are refused."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, PhotoInputs]] = []

    def __call__(self, source: Path, inputs: PhotoInputs) -> tuple[Reading, Trace]:
        self.calls.append((str(source), inputs))
        make = made_refusal if "bad" in source.name else made_reading
        return make(photo=str(source)), made_trace()


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch, without_workers: None) -> FakePipeline:
    fake = FakePipeline()
    monkeypatch.setattr(colorread.reading, "read_photo_traced", fake)
    return fake


def child(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=False)


@pytest.fixture
def end_of(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Run the command line as a terminal does, but in this process, and return its exit code."""

    def end_of(*arguments: str) -> Any:
        monkeypatch.setattr(sys, "argv", ["colorread", *arguments])
        with pytest.raises(SystemExit) as stop:
            colorread.cli.main()
        return stop.value.code

    return end_of


def test_help_and_completion_load_nothing_heavy() -> None:
    begun = {"_COLORREAD_COMPLETE": "complete_bash", "COMP_WORDS": "colorread tank a", "COMP_CWORD": "2"}
    result = child(
        "import os, sys, colorread\nfrom colorread.cli import main\n"
        f"for words, told in ((['--help'], {{}}), (['log', '--help'], {{}}), ([], {begun})):\n"
        "    sys.argv = ['colorread', *words]\n    os.environ.update(told)\n"
        "    try: main()\n    except SystemExit as stop: assert not stop.code\n"
        f"print([name for name in {HEAVY} if name in sys.modules], file=sys.stderr)\ncolorread.read_photo"
    )
    assert (result.returncode, result.stderr.strip()) == (0, "[]")
    assert result.stdout.count("Examples:") == 2
    assert result.stdout.endswith("\nadd\n")
    with pytest.raises(AttributeError, match="nothing"):
        _ = colorread.nothing


def test_version() -> None:
    assert run("--version").stdout == f"colorread {colorread.__version__}\n"


def test_options_reach_the_pipeline(pipeline: FakePipeline) -> None:
    arguments = "--kh 3.5 --temperature 24 --fluid reference --tank-kh 6 --light warm-led --vial 10,20.5,30,40"
    assert run("read", "a.jpg", *arguments.split()).exit_code == 0
    assert pipeline.calls == [
        (
            "a.jpg",
            PhotoInputs(
                kh_dkh=3.5,
                temperature_c=24.0,
                fluid="reference",
                tank_kh_dkh=6.0,
                light="warm-led",
                vial_xywh=(10.0, 20.5, 30.0, 40.0),
            ),
        )
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("--kh -1", "between 0.25 and 30 dKH, not -1"),
        ("--kh nan", "--kh"),
        ("--kh 4,5", "point"),
        ("--kh 71", "ppm"),
        ("--tank-kh 0", "--tank-kh"),
        ("--temperature 77", "degrees F"),
        ("--vial 1,2,3", "--vial"),
        ("--vial 1,2,nan,4", "--vial"),
        ("--fluid tank-water", "--tank-kh"),
    ],
)
def test_wrong_use_is_one_sentence(pipeline: FakePipeline, arguments: str, words: str) -> None:
    result = run("read", "a.jpg", *arguments.split())
    assert result.exit_code == 2
    assert words in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert result.stdout == ""
    assert pipeline.calls == []


@pytest.mark.parametrize(
    "arguments", ["read", "batch . --jobs 1.5", "fluid --kh 99", "fluid --vial-volume nan", "fluid --scale-error 0"]
)
def test_what_lies_out_of_its_range_or_is_missing_is_wrong_use(arguments: str) -> None:
    assert run(*arguments.split()).exit_code == 2


def test_tank_water_in_the_vial_has_the_kh_of_the_tank_and_not_that_of_its_fluid(
    pipeline: FakePipeline, tmp_path: Path
) -> None:
    log = str(tmp_path / "log.sqlite")
    for option in ("--tank-kh", "--kh"):  # one of the two is enough
        assert run("read", "a.jpg", "--fluid", "tank-water", option, "5").exit_code == 0
    pipeline.calls.clear()
    assert run("tank", "add", "home", "--kh", "4", "--tank-kh", "8", "--log", log).exit_code == 0
    for arguments in (("--fluid", "tank-water"), (), ("--kh", "3")):
        assert run("read", "a.jpg", "--tank", "home", "--log", log, *arguments).exit_code == 0
    assert [inputs.fluid_kh_dkh for _, inputs in pipeline.calls] == [8.0, 4.0, 3.0]


def test_photos_of_a_tank_are_judged_by_its_limits_and_warned_of_by_what_makes_its_gas(
    pipeline: FakePipeline, tmp_path: Path
) -> None:
    log = ("--log", str(tmp_path / "log.sqlite"))
    run("tank", "add", "window", "--source", "fermentation", "--plants", "10-20", *log)
    shown = {name: run("read", "a.jpg", "--details", *log, *name).stdout for name in ((), ("--tank", "window"))}
    assert pipeline.calls[-1][1].marks.source == "fermentation"
    for name, text in shown.items():
        lines = text.splitlines()
        labels = lines[next(i for i, line in enumerate(lines) if "●" in line) + 1]
        assert re.findall(r"\d+", labels) == (["0", "10", "20", "30", "60"] if name else ["0", "15", "30", "60"])
        assert ("trap bottle" in " ".join(text.replace("│", " ").split())) == bool(name)
        assert "upright" not in text  # which is for cylinders


def test_sensitive_animals_have_a_lower_limit(pipeline: FakePipeline, tmp_path: Path) -> None:
    log = str(tmp_path / "log.sqlite")
    assert run("tank", "add", "window", "--fish-limit", "12", "--log", log).exit_code == 0
    limits = []
    for arguments in ((), ("--sensitive",), ("--tank", "window", "--sensitive", "--log", log)):
        assert run("read", "a.jpg", *arguments).exit_code == 0
        limits.append(pipeline.calls[-1][1].marks.fish_mg_l)
    assert limits == [30.0, 20.0, 12.0]
    assert run("tank", "add", "shrimp", "--sensitive", "--log", log).exit_code == 0
    for arguments, limit in (((), 20.0), (("--not-sensitive",), 30.0)):
        assert run("read", "a.jpg", "--tank", "shrimp", "--log", log, *arguments).exit_code == 0
        assert pipeline.calls[-1][1].marks.fish_mg_l == limit


@pytest.mark.usefixtures("pipeline")
def test_of_a_tank_there_is_one_verdict_and_it_counts_what_the_log_holds(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    assert run("tank", "add", "window", "--log", str(log)).exit_code == 0
    reading = made_reading()
    high = Interval(value=70.0, low=60.0, high=80.0)
    with Log(log) as opened:
        evening = replace(reading, taken_at=reading.taken_at - timedelta(hours=12), co2_mg_l=high)
        opened.add(replace(made_entry(1, tank="window"), reading=evening))
    text = run("read", "a.jpg", "--tank", "window", "--log", str(log)).stdout
    assert text.count("\nFish  ") == 1
    assert "Act." in text
    assert "70 mg/L" in text


def test_help_for_a_tank_tells_the_cautions_of_its_gas() -> None:
    text = " ".join(run("tank", "add", "--help").stdout.split())
    assert all(caution in text for caution in (*gas_cautions(None), SENSITIVE_ANIMALS))


@pytest.mark.parametrize("folder", ["file", "file/in/it"])
def test_evidence_that_cannot_be_written_is_said_before_the_work(
    pipeline: FakePipeline, tmp_path: Path, folder: str
) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    result = run("read", "a.jpg", "--evidence", str(tmp_path / folder))
    assert result.exit_code == 2
    assert "--evidence must be a folder" in result.stderr
    assert pipeline.calls == []


@pytest.mark.usefixtures("pipeline")
def test_evidence_on_a_full_disk_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("colorread.evidence.write_evidence", full)
    result = run("read", "a.jpg", "--evidence", str(tmp_path))
    assert result.exit_code == 1
    assert "could not be written" in result.stderr


@pytest.mark.usefixtures("pipeline")
def test_photo_that_takes_too_long_is_given_up_and_the_others_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    here = workers.run_in_workers

    def slow_at_first(task: Any, jobs: Any, **options: Any) -> Iterator[workers.Done[Any, Any]]:
        first, *others = jobs
        yield workers.Done(job=first, result=None, trouble="it took too long")
        yield from here(task, others, **options)

    monkeypatch.setattr(workers, "run_in_workers", slow_at_first)
    result = run("read", "slow.jpg", "bad.jpg", "--json")
    assert result.exit_code == 3
    first, second = map(json.loads, result.stdout.splitlines())
    assert first["reason"]["code"] == "broke-off"
    assert "took too long" in first["reason"]["message"]
    assert second["reason"]["code"] == "no-card"


def test_no_process_to_read_in_is_told_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: Any, **__: Any) -> Iterator[Any]:
        raise RuntimeError("Worker processes cannot start.")
        yield

    monkeypatch.setattr(workers, "run_in_workers", none)
    result = run("read", "a.jpg")
    assert (result.exit_code, result.stderr) == (1, "Worker processes cannot start. Close other programs.\n")


def test_name_too_long_for_any_file_is_told_in_words(
    end_of: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert end_of("read", f"{'a' * 300}.jpg") == 3
    assert "cannot be opened" in capsys.readouterr().out
    assert end_of("card", "--out", f"{'a' * 300}.pdf") in (1, 2)
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_folder_is_sent_to_the_command_for_folders(pipeline: FakePipeline, tmp_path: Path) -> None:
    (tmp_path / "my photos").mkdir()
    result = run("read", str(tmp_path / "my photos"))
    assert result.exit_code == 2
    assert f"colorread batch '{tmp_path / 'my photos'}'" in result.stderr
    assert pipeline.calls == []


@pytest.mark.parametrize(("sheet", "name"), [("card", "card"), ("card --tag", "tag"), ("chart", "chart")])
def test_a_sheet_is_written_once_and_replaced_only_on_demand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sheet: str, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    out = tmp_path / f"{name}.pdf"
    assert run(*sheet.split(), "--paper", "letter").exit_code == 0
    assert out.read_bytes().startswith(b"%PDF")
    out.write_bytes(b"mine")
    again = run(*sheet.split())
    assert (again.exit_code, len(again.stderr.splitlines())) == (2, 1)
    assert "--force" in again.stderr
    assert out.read_bytes() == b"mine"
    assert run(*sheet.split(), "--force").exit_code == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert run(*sheet.split(), "--out", "x.png").exit_code == 2
    assert run(*sheet.split(), "--out", str(tmp_path / "none" / "x.pdf")).exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == [out.name]


def test_fluid_as_json() -> None:
    data = json.loads(run("fluid", "--kh", "4", "--volume", "500", "--json").stdout)
    assert data["schema"] == "colorread.fluid/1"
    assert data["recipe"]["kh_dkh"] == pytest.approx(4.0, rel=0.01)
    assert data["dye"]["drops"] >= 1


def test_opencv_that_cannot_be_loaded_names_the_fix_and_other_modules_do_not(
    end_of: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for error in (ImportError("libGL.so.1: cannot open shared object file"), ModuleNotFoundError("", name="cv2")):
        monkeypatch.setattr("colorread.batch.settings_by_phone", Mock(side_effect=error))
        assert end_of("read", "a.jpg") == 1
        text = capsys.readouterr().err
        assert "pip install --force-reinstall opencv-python-headless" in text
        assert len(text.splitlines()) == 1
    monkeypatch.setattr("colorread.batch.settings_by_phone", Mock(side_effect=ModuleNotFoundError("", name="nothing")))
    with pytest.raises(ModuleNotFoundError):
        end_of("read", "a.jpg")


def test_a_folder_without_rights_or_a_drive_that_is_gone_is_one_sentence(
    end_of: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Path, "exists", Mock(side_effect=OSError(112, "Host is down", "closed/log.sqlite")))
    assert end_of("log", "show", "--log", "closed/log") == 1
    assert capsys.readouterr().err == "closed/log.sqlite cannot be used: Host is down.\n"


def test_a_name_that_the_output_cannot_show_is_no_traceback(
    end_of: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="cp1252"))
    assert end_of("card", "--out", str(tmp_path / "карта.pdf")) == 0
    sys.stdout.flush()
    assert b"\\u043a" in sys.stdout.buffer.getvalue()


def test_a_terminal_of_unknown_width_shows_something(
    end_of: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "0")
    end_of("fluid")
    assert "baking soda" in capsys.readouterr().out


def test_packages_that_the_page_lacks_are_named_as_the_checkout_has_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    result = run("serve")
    assert result.exit_code == 1
    assert 'pip install ".[page]"' in result.stderr
    assert "colorread[page]" not in result.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT")
def test_interrupt_is_quiet() -> None:
    code = (
        "import signal, sys, colorread.workers\nfrom colorread.cli import main\n"
        "def stopped(*a, **k): yield signal.raise_signal(signal.SIGINT)\n"
        "colorread.workers.run_in_workers = stopped\nsys.argv = ['colorread', 'read', 'a.jpg', 'b.jpg']\nmain()"
    )
    result = child(code)
    assert result.returncode == 128 + signal.SIGINT
    assert "Traceback" not in result.stderr
    assert result.stdout == ""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_bar_goes_to_stderr_and_readings_to_stdout() -> None:
    import pty

    code = (
        "import sys, time, colorread.workers as workers\nfrom colorread.cli import main\n"
        "from tests.fabricated import made_reading\n"
        "def read(task, jobs, count):\n    for job in jobs:\n        time.sleep(0.2)\n"
        "        yield workers.Done(job=job, result=(made_reading(photo=str(job[0])), None))\n"
        "workers.run_in_workers = read\nsys.argv = ['colorread', 'read', 'a.jpg', 'b.jpg']\nmain()"
    )
    parent, terminal = pty.openpty()
    environment = {"TERM": "xterm", "PATH": "", "PYTHONPATH": str(Path(__file__).resolve().parents[1])}
    result = subprocess.run(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=terminal, env=environment, timeout=300, check=False
    )
    os.close(terminal)
    shown = os.read(parent, 100_000).decode()
    os.close(parent)
    assert result.returncode == 0
    assert "Reading photos" in shown
    printed = result.stdout.decode()
    assert "a.jpg" in printed
    assert "b.jpg" in printed
    assert "\x1b" not in printed
    assert "mg/L" not in shown
