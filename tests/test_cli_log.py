from __future__ import annotations

import csv
import json
import re
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

import colorread.cli
from colorread.log import database as log_file
from colorread.log.store import Log
from colorread.result import Interval
from colorread.tank.settings import GasSource, Marks, Tank
from tests.fabricated import made_reading
from tests.made_log import made_entry, made_log_at

runner = CliRunner()


@pytest.fixture(autouse=True)
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "log.sqlite"
    monkeypatch.setenv("COLORREAD_LOG", str(path))
    monkeypatch.setenv("COLUMNS", "120")
    return path


@pytest.fixture
def filled(path: Path) -> Path:
    """Two tanks; window has four readings, of which the third was refused, desk has one."""
    with made_log_at(path) as log:
        log.add_tank(Tank(name="desk"))
        for number in (3, 0, 30):
            log.add(made_entry(number))
        log.add(made_entry(20, refused=True))
        log.add(made_entry(7, tank="desk"))
    return path


def run(*arguments: str, code: int = 0, answer: str | None = None) -> str:
    result = runner.invoke(colorread.cli.app, list(arguments), input=answer)
    assert result.exit_code == code, result.output
    assert result.stdout == "" or code == 0 or answer is not None  # what went wrong is said on stderr
    return str(result.output)


def photos(path: Path) -> list[str]:
    with Log(path) as log:
        return [f"{entry.tank} {entry.reading.photo}" for entry in log.entries()]


def test_tank_is_added_as_said(path: Path) -> None:
    options = (
        "--volume 60 --kh 4.2 --tank-kh 6 --temperature 24 --lights 10:00-18:00 --gas 08:00-18:00 --source cylinder "
        "--source-amount 500 --source-started 2025-06-01 --valve timer --sensitive --plants 12-28 --fish-limit 22 "
        "--fluid-renewed 2025-05-20 --light warm-led"
    )
    said = run("tank", "add", "window", *options.split())
    assert "colorread batch FOLDER --tank window" in said
    assert "--valve" not in said
    shown = run("tank", "show", "window")
    for words in ("cylinder", "500 g (17.6 oz)", "2025-06-01", "timer valve"):
        assert words in shown
    assert json.loads(run("tank", "show", "window", "--json")) == {
        "schema": "colorread.tank/1",
        "name": "window",
        "volume_l": 60.0,
        "kh_dkh": 4.2,
        "tank_kh_dkh": 6.0,
        "temperature_c": 24.0,
        "lights": "10:00-18:00",
        "gas": "08:00-18:00",
        "source": {"kind": "cylinder", "amount_g": 500.0, "started": "2025-06-01", "valve": "timer"},
        "sensitive": True,
        "marks": {"plants_low_mg_l": 12.0, "plants_high_mg_l": 28.0, "fish_mg_l": 22.0},
        "fluid_renewed": "2025-05-20",
        "light": "warm-led",
        "profile": None,
        "made_up": False,
        "judged_by": {"plants_low_mg_l": 12.0, "plants_high_mg_l": 28.0, "fish_mg_l": 20.0},
    }


def test_edit_changes_only_what_is_given_and_clears(path: Path) -> None:
    run("tank", "add", "window", "--volume", "60", "--lights", "10:00-18:00", "--sensitive", "--fish-limit", "20")
    with Log(path) as log:
        before = log.tank("window")
    run("tank", "edit", "window", "--kh", "5")
    with Log(path) as log:
        after = log.tank("window")
    assert after.kh_dkh == 5.0
    assert (after.volume_l, after.lights, after.sensitive) == (before.volume_l, before.lights, before.sensitive)
    run("tank", "edit", "window", "--clear", "lights", "--clear", "fish-limit", "--not-sensitive")
    with Log(path) as log:
        assert log.tank("window") == Tank(name="window", volume_l=60.0, kh_dkh=5.0, marks=Marks())


def test_tank_keeps_its_profile_by_whole_path(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "no.toml").write_text("x", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    seen: list[Path] = []
    monkeypatch.setattr("colorread.cli.common.load_profile", seen.append)
    run("tank", "add", "window", "--profile", "no.toml")
    assert seen == [Path("no.toml")]
    with Log(path) as log:
        assert log.tank("window").profile == str((tmp_path / "no.toml").resolve())


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("add", "window"), "window"),
        (("add", "<b>"), "name"),
        (("add", "x", "--volume", "0"), "between 1 and 100000 L"),
        (("add", "x", "--fish-limit", "100"), "between 5 and 40 mg/L"),
        (("add", "x", "--lights", "ten to six"), "10:00-18:00"),
        (("add", "x", "--plants", "30-15"), "plants' range"),
        (("add", "x", "--fluid-renewed", "soon"), "2025-06-04"),
        (("add", "x", "--source-amount", "200"), "gas source"),
        (("edit", "window", "--fluid-renewed", "2999-01-01"), "2999-01-01"),
        (("add", "x", "--profile", "missing.toml"), "missing.toml"),
        (("edit", "windo", "--kh", "4"), "it has: desk, window"),
        (("edit", "window"), ""),
        (("edit", "window", "--kh", "4", "--clear", "kh"), "--clear"),
        (("edit", "window", "--clear", "name"), "--clear"),
        (("remove", "window"), "--with-readings"),
    ],
)
def test_wrong_use_is_told_and_changes_nothing(filled: Path, arguments: tuple[str, ...], message: str) -> None:
    with Log(filled) as log:
        before = log.tanks()
    said = run("tank", *arguments, code=2)
    assert message in said
    assert len(said.splitlines()) == 1
    with Log(filled) as log:
        assert log.tanks() == before
        assert log.count("window") == 4


def test_hours_of_a_fermenting_bottle_are_asked_back(filled: Path) -> None:
    yeast = ("--source", "fermentation")
    for options in (("--gas", "20:00-06:00"), ("--valve", "timer"), ("--valve", "needle")):
        said = run("tank", "add", "yeasty", *yeast, *options, code=2)
        assert len(said.strip().splitlines()) == 1
    assert "no tank named yeasty" in run("tank", "show", "yeasty", code=2)
    assert "cannot be stopped" in run("tank", "add", "yeasty", *yeast, "--gas", "00:00-24:00", "--valve", "none")
    run("tank", "edit", "yeasty", "--gas", "08:00-18:00", code=2)
    run("tank", "edit", "yeasty", "--source", "cylinder", "--gas", "08:00-18:00", "--valve", "timer")
    run("tank", "edit", "yeasty", *yeast, code=2)
    run("tank", "edit", "yeasty", *yeast, "--clear", "gas")
    with Log(filled) as log:
        assert log.tank("yeasty").source == GasSource(kind="fermentation")


def test_tanks_are_listed_with_their_readings_and_what_is_assumed(filled: Path) -> None:
    # Which valve it has decides on the advice, so it is asked for.
    assert "--valve" in run("tank", "edit", "desk", "--source", "acid-bicarbonate", "--gas", "08:00-18:00")
    lines = run("tank", "list").splitlines()
    assert [line.split() for line in lines if line.strip().startswith(("desk", "window"))] == [
        ["desk", "acid-bicarbonate", "1"],
        ["window", "4"],
    ]
    assert [json.loads(line)["name"] for line in run("tank", "list", "--json").splitlines()] == ["desk", "window"]
    desk = run("tank", "show", "desk")
    for words in ("4 dKH (71.4 mg/L CaCO3, assumed)", "25 °C (77 °F, assumed)", "08:00-18:00"):
        assert words in desk
    assert "08:00-18:00 (assumed)" not in desk
    run("tank", "add", "yeasty", "--source", "fermentation")
    assert "00:00-24:00 (assumed)" in run("tank", "show", "yeasty")
    assert "(20 mg/L)" in run("tank", "edit", "desk", "--plants", "21-30", "--sensitive")  # no CO2 suits both
    run("tank", "remove", "yeasty")
    run("log", "forget", "--tank", "desk", "--yes")
    run("tank", "remove", "desk")
    assert [json.loads(line)["name"] for line in run("tank", "list", "--json").splitlines()] == ["window"]


def test_in_a_narrow_window_no_number_is_cut_off(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def digits(columns: int, *command: str) -> Counter[str]:
        monkeypatch.setenv("COLUMNS", str(columns))
        lines = [line for line in run(*command).splitlines() if not line.startswith("Log: ")]
        # Labels of numbers come once in a table, and once a reading where there is no room for one.
        text = "".join(lines).replace("CO2", "").replace("90\N{NO-BREAK SPACE}%", "").replace("90 %", "")
        return Counter(sign for sign in text if sign.isdigit())

    run("tank", "edit", "window", "--volume", "60", "--lights", "10:00-18:00", "--source", "acid-bicarbonate")
    with made_log_at(filled) as log:
        log.add(made_entry(40, reading=made_reading(photo="week-01/PXL_20250602_073000.jpg")))
    for command in (("tank", "list"), ("log", "show")):
        assert digits(50, *command) == digits(80, *command) == digits(200, *command)


@pytest.mark.parametrize(
    "arguments",
    [
        "tank show window",
        "tank edit window --kh 4",
        "log show --tank window",
        "log export x.jsonl",
        "log forget --refused",
    ],
)
def test_where_there_is_no_log_none_is_made(path: Path, arguments: str) -> None:
    assert "No log at" in run(*arguments.split(), code=2)
    assert not path.exists()


def test_on_a_fresh_machine_there_is_nothing_yet(path: Path, tmp_path: Path) -> None:
    for command in (("tank", "list"), ("log", "show")):
        assert str(path) in run(*command)
        assert run(*command, "--json") == ""
        run(*command, "--log", str(tmp_path / "misspelt"), code=2)
    run("tank", "add", "window")
    run("log", "show")
    assert "it has: window" in run("log", "show", "--tank", "windo", code=2)


def test_printed_commands_name_tank_and_log_as_a_shell_takes_them(tmp_path: Path) -> None:
    log = tmp_path / "my logs" / "o2.sqlite"
    log.parent.mkdir()
    named = ("--log", str(log))
    for command in (("log", "forget", "--tank"), ("tank", "show")):
        assert f"colorread tank add 'le bleu' --log '{log}'\n" in run(*command, "le bleu", *named, code=2)
    for command in (("tank", "add"), ("log", "show", "--tank")):
        said = run(*command, "le bleu", *named)
        assert f"colorread batch FOLDER --tank 'le bleu' --log '{log}'\n" in said


def test_option_goes_before_environment(path: Path, tmp_path: Path) -> None:
    run("tank", "add", "window", "--log", str(tmp_path / "other.sqlite"))
    assert not path.exists()
    with Log(tmp_path / "other.sqlite") as log:
        assert log.tanks() == (Tank(name="window"),)


def test_show_prints_all_in_order_and_says_why_one_was_refused(filled: Path) -> None:
    text = run("log", "show")
    lines = [line for line in text.splitlines() if "IMG" in line]
    assert [line.split()[3] for line in lines] == [f"IMG_{number:04d}.jpg" for number in (0, 3, 7, 20, 30)]
    assert [line.split()[0] for line in lines] == ["window", "window", "desk", "window", "window"]
    assert "2025-06-02 07:30" in lines[0]
    assert "18 12 to 27 ○ no concern" in " ".join(lines[0].split())
    assert "not read:" in lines[3]
    assert "No card was found." in " ".join(text.split())
    assert "no-card" not in text
    assert "4 read, 1 not read." in text
    assert "IMG_0007" not in run("log", "show", "--tank", "window")


def test_show_of_one_sided_readings_hostile_names_and_unknown_times(path: Path) -> None:
    with made_log_at(path) as log:
        reading = made_reading(
            photo="a\x1b[31m[bold]\udcff.jpg",
            taken_at=None,
            co2_mg_l=Interval(value=None, low=61.0, high=None),
            limit="below",
        )
        log.add(made_entry(1, reading=reading))
    text = run("log", "show")
    assert "a?[31m[bold]?.jpg" in text
    assert "above 61" in text
    assert "\x1b" not in text


def test_show_as_json_holds_everything_but_the_picture(filled: Path) -> None:
    rows = [json.loads(line) for line in run("log", "show", "--tank", "window", "--json").splitlines()]
    assert [row["reading"]["status"] for row in rows] == ["read", "read", "refused", "read"]
    assert {row["schema"] for row in rows} == {"colorread.log-entry/1"}
    assert set(rows[0]) == {"schema", "tank", "sha256", "scored_at", "software", "settings_id", "profile_id", "reading"}
    assert rows[0]["reading"]["schema"] == "colorread.reading/1"


def test_screen_and_table_judge_by_the_marks_of_now_and_export_keeps_what_was_said(
    filled: Path, tmp_path: Path
) -> None:
    run("tank", "edit", "window", "--fish-limit", "10")
    rows = [json.loads(line)["reading"] for line in run("log", "show", "--tank", "window", "--json").splitlines()]
    assert [row["verdict"] and row["verdict"]["fish"] for row in rows] == ["act", "act", None, "act"]
    assert run("log", "show", "--tank", "window").count("act") == 3
    table = tmp_path / "window.csv"
    run("log", "show", "--tank", "window", "--csv", str(table))
    with table.open(encoding="utf-8-sig", newline="") as file:
        told = [(row["photo"], row["fish"]) for row in csv.DictReader(file)]
    assert told == [(f"IMG_{number:04d}.jpg", fish) for number, fish in ((0, "act"), (3, "act"), (20, ""), (30, "act"))]
    for wrong in (str(table), "x.ods", str(tmp_path / "no" / "x.csv")):
        run("log", "show", "--tank", "window", "--csv", wrong, code=2)
    assert "--tank" in run("log", "show", "--csv", "of-all.csv", code=2)
    assert "no concern" in run("log", "show", "--tank", "desk")
    run("log", "export", str(tmp_path / "all.jsonl"))
    assert '"fish": "act"' not in (tmp_path / "all.jsonl").read_text(encoding="ascii")


@pytest.mark.parametrize("arguments", [("show", "--tank", "desk", "--csv"), ("export",)])
def test_the_log_is_not_written_over(filled: Path, arguments: tuple[str, ...]) -> None:
    before = filled.read_bytes()
    link = filled.with_name("table.csv")
    link.symlink_to(filled)
    assert "is the log itself" in run("log", *arguments, str(link), "--force", code=2)
    assert filled.read_bytes() == before


def test_export_and_import(filled: Path, tmp_path: Path) -> None:
    copy, backup = tmp_path / "copy.sqlite", tmp_path / "backup.jsonl"
    assert "5 readings and 2 tanks" in run("log", "export", str(backup))
    assert "--force" in run("log", "export", str(backup), code=2)
    assert "5 readings and 2 tanks" in run("log", "import", str(backup), "--log", str(copy))
    run("tank", "edit", "desk", "--kh", "5", "--log", str(copy))
    again = run("log", "import", str(backup), "--log", str(copy))
    assert re.findall(r"\d+", again) == ["5"]
    assert again.endswith(": desk.\n")
    with Log(filled) as one, Log(copy) as two:
        assert list(one.entries(with_pictures=True)) == list(two.entries(with_pictures=True))
    lines = backup.read_text(encoding="ascii").splitlines()
    backup.write_text("\n".join([*lines[:4], lines[4][:50], *lines[5:]]), encoding="ascii")
    fresh = tmp_path / "fresh.sqlite"
    assert "line 5 is damaged" in run("log", "import", str(backup), "--log", str(fresh), code=2)
    assert not fresh.exists()
    (tmp_path / "card.pdf").write_bytes(b"%PDF-1.4\n")
    assert "not written by log export" in run("log", "import", str(tmp_path / "card.pdf"), code=2)
    run("log", "import", str(tmp_path / "none"), code=2)


def test_damage_is_shown_counted_and_removed(filled: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(filled)) as connection, connection:
        connection.execute("UPDATE reading SET scored_at = x'00' WHERE sha256 = ?", (HASH_OF_3,))
    backup = tmp_path / "backup.jsonl"
    for command in (["show"], ["show", "--json"], ["export", str(backup)]):
        result = runner.invoke(colorread.cli.app, ["log", *command])
        assert result.exit_code == 1
        assert "IMG_0003.jpg in window" in result.stderr
        assert "IMG_0030.jpg" in (backup.read_text() if command[0] == "export" else result.stdout)
    cure = result.stderr.rsplit("colorread ", 1)[1].split()
    run(*cure, "--yes")
    assert len(photos(filled)) == 4
    assert "0003" not in run("log", "show")


def test_a_damaged_tank_is_told_and_removed(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as connection, connection:
        connection.execute("UPDATE tank SET settings = x'00' WHERE name = 'desk'")
    result = runner.invoke(colorread.cli.app, ["log", "show"])
    assert result.exit_code == 1
    assert "IMG_0030.jpg" in result.stdout
    assert "tank remove desk --with-readings" in result.stderr
    run("tank", "remove", "desk", "--with-readings", "--yes")
    assert photos(filled) == WINDOW
    run("log", "show")


WINDOW = [f"window IMG_{number:04d}.jpg" for number in (0, 3, 20, 30)]
DESK = ["desk IMG_0007.jpg"]
HASH_OF_3 = "4e07408562bedb8b60ce05c1decfe3ad16b72230967de01f640b7e4729b49fce"  # SHA-256 of "3"


@pytest.mark.parametrize(
    ("arguments", "forgotten"),
    [
        (("--tank", "desk"), DESK),
        (("--refused",), WINDOW[2:3]),
        (("--photo", HASH_OF_3[:6].upper()), WINDOW[1:2]),
        (("--photo", HASH_OF_3, "--photo", "IMG_0007.jpg"), [*WINDOW[1:2], *DESK]),
        (("--photo", HASH_OF_3[:3]), []),
        (("--before", "2025-06-03"), [*WINDOW[:2], *DESK]),
        (("--before", "2025-06-02", "--tank", "window"), []),
        (("--before", "2025-06-03", "--tank", "window"), WINDOW[:2]),
        (("--before", "2025-06-03", "--refused"), []),
    ],
)
def test_forget_deletes_what_all_options_say(filled: Path, arguments: tuple[str, ...], forgotten: list[str]) -> None:
    said = run("log", "forget", *arguments, "--yes")
    assert said.startswith("Forgot" if forgotten else "No matching reading")
    assert sorted(photos(filled)) == sorted({*WINDOW, *DESK} - set(forgotten))


@pytest.mark.parametrize(
    ("command", "n_left"),
    [(("log", "forget", "--tank", "desk"), 4), (("tank", "remove", "window", "--with-readings"), 1)],
)
def test_nothing_is_deleted_without_a_yes(filled: Path, command: tuple[str, ...], n_left: int) -> None:
    assert str(5 - n_left) in run(*command, answer="n\n").partition("?")[0]
    assert len(photos(filled)) == 5
    run(*command, answer="y\n")
    assert len(photos(filled)) == n_left


def test_what_to_forget_must_be_chosen(filled: Path) -> None:
    for wrong in (("--yes",), ("--before", "June"), ("--tank", "windo", "--yes")):
        run("log", "forget", *wrong, code=2)
    assert len(photos(filled)) == 5


def test_trouble_with_the_file_is_one_sentence(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.write_text("no log", encoding="ascii")
    assert run("log", "show", code=1).startswith(f"The log {path} ")
    path.unlink()
    monkeypatch.setattr(log_file, "_WAIT_S", 0.05)
    with made_log_at(path) as log, log.transaction():
        assert "in use by another program" in run("tank", "add", "desk", code=1)


def test_a_tank_with_notes_alone_can_be_removed() -> None:
    run("tank", "add", "noted")
    run("log", "note", "moved the lamp", "--tank", "noted")
    assert "1 note" in run("tank", "remove", "noted", code=2)
    assert "1 note" in run("tank", "remove", "noted", "--with-readings", "--yes")
    assert "noted" not in run("tank", "list")
