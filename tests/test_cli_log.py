from __future__ import annotations

import csv
import json
import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import colorread.cli
from colorread.log import database as log_file
from colorread.log.store import Log
from colorread.result import Interval, Reading
from colorread.tank.events import Event
from colorread.tank.results import PhotoPoint, TankSummary
from colorread.tank.settings import GasSource, Marks, Tank
from colorread.tank.summary import summarize
from tests.fabricated import made_reading, made_refusal
from tests.fabricated_week import made_told
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
    said = run(
        *("tank", "add", "window", "--volume", "60", "--kh", "4.2", "--tank-kh", "6", "--temperature", "24"),
        *("--lights", "10:00-18:00", "--gas", "08:00-18:00", "--source", "cylinder", "--source-amount", "500"),
        *(
            "--source-started",
            "2025-06-01",
            "--valve",
            "timer",
            "--sensitive",
            "--plants",
            "12-28",
            "--fish-limit",
            "22",
        ),
        *("--fluid-renewed", "2025-05-20", "--light", "warm-led"),
    )
    assert said.splitlines() == [
        "Added window. Read its photos with: colorread batch FOLDER --tank window",
        "Plan its gas and its first days with: colorread gas --tank window",
    ]
    shown = run("tank", "show", "window")
    for words in ("cylinder", "500 g (17.6 oz)", "2025-06-01", "needle and timer valve"):
        assert words in shown
    data = json.loads(run("tank", "show", "window", "--json"))
    assert data == {
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


def test_bare_tank_has_the_defaults(path: Path) -> None:
    run("tank", "add", "left tank")
    with Log(path) as log:
        assert log.tanks() == (Tank(name="left tank"),)


def test_edit_changes_only_what_is_given_and_clears(path: Path) -> None:
    run("tank", "add", "window", "--volume", "60", "--lights", "10:00-18:00", "--sensitive", "--fish-limit", "20")
    with Log(path) as log:
        before = log.tank("window")
    assert run("tank", "edit", "window", "--kh", "5") == "Changed window.\n"
    assert run("tank", "edit", "window", "--kh", "5") == "window already has these settings.\n"
    with Log(path) as log:
        after = log.tank("window")
    assert after.kh_dkh == 5.0
    assert (after.volume_l, after.lights, after.sensitive) == (before.volume_l, before.lights, before.sensitive)
    run("tank", "edit", "window", "--clear", "lights", "--clear", "fish-limit", "--not-sensitive")
    with Log(path) as log:
        assert log.tank("window") == Tank(name="window", volume_l=60.0, kh_dkh=5.0, marks=Marks())


def test_marks_that_nothing_can_keep_are_told() -> None:
    assert "suits both" in run("tank", "add", "window", "--fish-limit", "8")
    assert "no CO2" not in run("tank", "edit", "window", "--fish-limit", "22")
    assert "(20 mg/L) is not above" in run("tank", "edit", "window", "--plants", "21-30", "--sensitive")


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
        (("add", "window"), "There is a tank named window in the log already"),
        (("add", "<b>"), "A tank's name starts with"),
        (("add", "x", "--volume", "0"), "--volume must be between 1 and 100000 L"),
        (("add", "x", "--kh", "nan"), "--kh must be a number"),
        (("add", "x", "--fish-limit", "100"), "--fish-limit must be between 5 and 40 mg/L"),
        (("add", "x", "--lights", "ten to six"), "like 10:00-18:00"),
        (("add", "x", "--plants", "30-15"), "plants' range"),
        (("add", "x", "--fluid-renewed", "soon"), "like 2025-06-04"),
        (("add", "x", "--source-amount", "200"), "gas source"),
        (("add", "x", "--source", "cylinder", "--source-started", "2999-01-01"), "2999-01-01 is in the future"),
        (("edit", "window", "--fluid-renewed", "2999-01-01"), "2999-01-01 is in the future"),
        (("add", "x", "--profile", "missing.toml"), "missing.toml could not be opened"),
        (("edit", "windo", "--kh", "4"), "There is no tank named windo in the log; it has: desk, window."),
        (("edit", "window"), "Nothing to change"),
        (("edit", "window", "--kh", "4", "--clear", "kh"), "either --kh or --clear"),
        (("edit", "window", "--clear", "name"), "--clear needs the name of an option"),
        (("show", "windo"), "it has: desk, window"),
        (("remove", "windo"), "it has: desk, window"),
        (("remove", "window"), "window has readings in the log (4); add --with-readings"),
    ],
)
def test_wrong_use_is_told_and_changes_nothing(filled: Path, arguments: tuple[str, ...], message: str) -> None:
    with Log(filled) as log:
        before = log.tanks()
    assert message in run("tank", *arguments, code=2)
    with Log(filled) as log:
        assert log.tanks() == before
        assert log.count("window") == 4


@pytest.mark.parametrize(("options", "told"), [(("--source", "fermentation"), True), (("--source", "cylinder"), False)])
def test_yeast_is_told_to_give_gas_all_day(filled: Path, options: tuple[str, ...], *, told: bool) -> None:
    for command in ("add", "edit"):
        assert ("cannot be stopped" in run("tank", command, "yeasty", *options)) == told


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        (("--source", "cylinder"), True),
        (("--source", "acid-bicarbonate"), True),
        (("--source", "cylinder", "--valve", "needle"), False),
        (("--source", "fermentation"), False),
        ((), False),
    ],
)
def test_the_valve_is_asked_once(filled: Path, options: tuple[str, ...], *, asked: bool) -> None:
    assert ("--valve none|needle|timer" in run("tank", "add", "gas", *options)) == asked


def test_hours_of_a_fermenting_bottle_are_asked_back(filled: Path) -> None:
    yeast = ("--source", "fermentation")
    for options in (("--gas", "20:00-06:00"), ("--valve", "timer"), ("--valve", "needle")):
        said = run("tank", "add", "yeasty", *yeast, *options, code=2)
        assert len(said.strip().splitlines()) == 1
    assert "no tank named yeasty" in run("tank", "show", "yeasty", code=2)
    run("tank", "add", "yeasty", *yeast, "--gas", "00:00-24:00", "--valve", "none")
    run("tank", "edit", "yeasty", "--gas", "08:00-18:00", code=2)
    run("tank", "edit", "yeasty", "--source", "cylinder", "--gas", "08:00-18:00", "--valve", "timer")
    run("tank", "edit", "yeasty", *yeast, code=2)
    run("tank", "edit", "yeasty", *yeast, "--clear", "gas")
    with Log(filled) as log:
        assert log.tank("yeasty").source == GasSource(kind="fermentation")


def test_tanks_are_listed_and_removed(filled: Path) -> None:
    run("tank", "edit", "desk", "--source", "acid-bicarbonate", "--gas", "08:00-18:00")
    lines = run("tank", "list").splitlines()
    assert [line.split() for line in lines if line.strip().startswith(("desk", "window"))] == [
        ["desk", "acid-bicarbonate", "1"],
        ["window", "4"],
    ]
    assert [json.loads(line)["name"] for line in run("tank", "list", "--json").splitlines()] == ["desk", "window"]
    desk = run("tank", "show", "desk")
    assert "citric acid and baking soda" in desk
    assert "4 dKH (71.4 mg/L CaCO3, assumed)" in desk
    assert "25 °C (77 °F, assumed)" in desk
    assert "08:00-18:00 (assumed)" not in desk
    run("tank", "add", "yeasty", "--source", "fermentation")
    assert "00:00-24:00 (assumed)" in run("tank", "show", "yeasty")
    run("tank", "remove", "yeasty")
    assert run("tank", "remove", "window", "--with-readings", "--yes") == "Removed window and its readings (4).\n"
    assert photos(filled) == ["desk IMG_0007.jpg"]
    run("log", "forget", "--tank", "desk", "--yes")
    assert run("tank", "remove", "desk") == "Removed desk.\n"
    assert "No tanks yet" in run("tank", "list")


def test_in_a_narrow_window_no_name_or_number_of_a_tank_is_cut_off(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("tank", "edit", "window", "--volume", "60", "--lights", "10:00-18:00", "--source", "acid-bicarbonate")
    monkeypatch.setenv("COLUMNS", "50")
    lines = [line for line in run("tank", "list").splitlines() if not line.startswith("Log: ")]
    assert any(line.strip().startswith("window") for line in lines)
    signs = Counter("".join(lines))
    assert signs >= Counter("windowdesk60L(15.9gal)10:00-18:00acid-bicarbonate")


@pytest.mark.parametrize(
    "arguments",
    [
        ("tank", "show", "window"),
        ("tank", "edit", "window", "--kh", "4"),
        ("tank", "remove", "window"),
        ("log", "show", "--tank", "window"),
        ("log", "show", "--csv", "x.csv"),
        ("log", "export", "x.jsonl"),
        ("log", "forget", "--refused"),
    ],
)
def test_where_there_is_no_log_none_is_made(path: Path, arguments: tuple[str, ...]) -> None:
    assert "No log at" in run(*arguments, code=2)
    assert not path.exists()


@pytest.mark.parametrize("command", [("tank", "list"), ("log", "show")])
def test_on_a_fresh_machine_there_is_nothing_yet(path: Path, tmp_path: Path, command: tuple[str, str]) -> None:
    said = run(*command)
    assert said.startswith("No ")
    assert str(path) in said
    assert run(*command, "--json") == ""
    assert "No log at" in run(*command, "--log", str(tmp_path / "misspelt"), code=2)
    run("tank", "add", "window")
    with Log(path) as log:
        log.add(made_entry(1))
    assert run(*command).endswith(f"{path}\n")


def test_option_goes_before_environment(path: Path, tmp_path: Path) -> None:
    run("tank", "add", "window", "--log", str(tmp_path / "other.sqlite"))
    assert not path.exists()
    with Log(tmp_path / "other.sqlite") as log:
        assert log.tanks() == (Tank(name="window"),)


def test_printed_commands_do_what_they_say(tmp_path: Path) -> None:
    log = tmp_path / "my logs" / "o2.sqlite"
    log.parent.mkdir()
    named = ("--log", str(log))
    option = f"--log '{log}'"
    assert f"colorread tank add NAME {option}\n" in run("log", "show", *named, code=2)
    for command in (("log", "show", "--tank"), ("log", "forget", "--tank"), ("tank", "show"), ("tank", "remove")):
        assert f"colorread tank add 'le bleu' {option}\n" in run(*command, "le bleu", *named, code=2)
    with Log(log):
        pass
    assert run("tank", "list", *named).endswith(f"colorread tank add NAME {option}\n")
    batch = f"colorread batch FOLDER --tank 'le bleu' {option}"
    assert run("tank", "add", "le bleu", *named) == f"Added le bleu. Read its photos with: {batch}\n"
    assert run("log", "show", "--tank", "le bleu", *named).endswith(f"{batch}\n")
    with Log(log) as opened:
        opened.add(made_entry(1, tank="le bleu"))
    assert f"{batch}\n" in run("tank", "edit", "le bleu", "--kh", "5", *named)


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


def test_show_judges_by_the_marks_of_now_and_export_keeps_what_was_said(filled: Path, tmp_path: Path) -> None:
    run("tank", "edit", "window", "--fish-limit", "10")
    rows = [json.loads(line)["reading"] for line in run("log", "show", "--tank", "window", "--json").splitlines()]
    assert [row["verdict"] and row["verdict"]["fish"] for row in rows] == ["act", "act", None, "act"]
    assert run("log", "show", "--tank", "window").count("act") == 3
    table = tmp_path / "window.csv"
    run("log", "show", "--tank", "window", "--csv", str(table))
    with table.open(encoding="utf-8-sig", newline="") as file:
        assert [row["fish"] for row in csv.DictReader(file)] == ["act", "act", "", "act"]
    assert "no concern" in run("log", "show", "--tank", "desk")
    run("log", "export", str(tmp_path / "all.jsonl"))
    assert '"fish": "act"' not in (tmp_path / "all.jsonl").read_text(encoding="ascii")


def test_show_as_csv(filled: Path, tmp_path: Path) -> None:
    table = tmp_path / "window.csv"
    assert "choose it with --tank" in run("log", "show", "--csv", str(table), code=2)
    assert ".csv, not x.ods" in run("log", "show", "--tank", "window", "--csv", "x.ods", code=2)
    assert run("log", "show", "--tank", "window", "--csv", str(table)) == f"Wrote 4 readings to {table}.\n"
    rows = list(csv.DictReader(table.read_text(encoding="utf-8-sig").splitlines()))
    assert [row["photo"] for row in rows] == ["IMG_0000.jpg", "IMG_0003.jpg", "IMG_0020.jpg", "IMG_0030.jpg"]
    assert "already exists" in run("log", "show", "--tank", "window", "--csv", str(table), code=2)
    no_folder = str(tmp_path / "no" / "x.csv")
    assert "cannot be written" in run("log", "show", "--tank", "desk", "--csv", no_folder, code=2)


def test_csv_tells_the_tank_too(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def told(tank: Tank, readings: list[Reading], events: Iterable[Event]) -> TankSummary:
        assert {reading.photo for reading in readings} == {f"IMG_{number:04d}.jpg" for number in (0, 3, 20, 30)}
        first = readings[0]
        co2 = Interval(value=9.0, low=8.0, high=10.0)
        point = PhotoPoint(photo=first.photo, taken_at=first.taken_at, co2_mg_l=co2)
        return replace(summarize(tank, readings), told=replace(made_told(), tank_co2=(point,)))

    monkeypatch.setattr("colorread.tank.summarize", told)
    table = tmp_path / "window.csv"
    run("log", "show", "--tank", "window", "--csv", str(table))
    rows = csv.DictReader(table.read_text(encoding="utf-8-sig").splitlines())
    assert [row["tank_co2_mg_l"] for row in rows] == ["9.00", "", "", ""]


@pytest.mark.parametrize("arguments", [("show", "--tank", "desk", "--csv"), ("export",)])
def test_the_log_is_not_written_over(filled: Path, arguments: tuple[str, ...]) -> None:
    before = filled.read_bytes()
    link = filled.with_name("table.csv")
    link.symlink_to(filled)
    assert "is the log itself" in run("log", *arguments, str(link), "--force", code=2)
    assert filled.read_bytes() == before


def test_empty_and_unknown_tanks_differ(path: Path) -> None:
    run("tank", "add", "window")
    assert "No readings yet" in run("log", "show")
    assert "it has: window" in run("log", "show", "--tank", "windo", code=2)
    assert run("log", "show", "--json") == ""


def test_export_and_import(filled: Path, tmp_path: Path) -> None:
    copy, backup = tmp_path / "copy.sqlite", tmp_path / "backup.jsonl"
    assert run("log", "export", str(backup)) == f"Wrote 5 readings and 2 tanks to {backup}.\n"
    assert "already exists" in run("log", "export", str(backup), code=2)
    assert run("log", "import", str(backup), "--log", str(copy)) == "Added 5 readings and 2 tanks.\n"
    run("tank", "edit", "desk", "--kh", "5", "--log", str(copy))
    assert run("log", "import", str(backup), "--log", str(copy)) == (
        "Added nothing; 5 readings already there.\nKept as in the log, though the file differs: desk.\n"
    )
    with Log(filled) as one, Log(copy) as two:
        assert list(one.entries(with_pictures=True)) == list(two.entries(with_pictures=True))
    lines = backup.read_text(encoding="ascii").splitlines()
    backup.write_text("\n".join([*lines[:4], lines[4][:50], *lines[5:]]), encoding="ascii")
    fresh = tmp_path / "fresh.sqlite"
    assert "line 5 is damaged" in run("log", "import", str(backup), "--log", str(fresh), code=2)
    assert not fresh.exists()
    (tmp_path / "card.pdf").write_bytes(b"%PDF-1.4\n")
    said = run("log", "import", str(tmp_path / "card.pdf"), code=2)
    assert said == "Nothing was imported: this file was not written by log export.\n"
    assert "could not be read" in run("log", "import", str(tmp_path / "none"), code=2)


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
    assert run(*cure, "--yes") == "Forgot 1 reading of window.\n"
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
        (("--photo", "IMG_0003.jpg"), WINDOW[1:2]),
        (("--photo", HASH_OF_3[:6].upper()), WINDOW[1:2]),
        (("--photo", HASH_OF_3, "--photo", "IMG_0007.jpg"), [*WINDOW[1:2], *DESK]),
        (("--photo", HASH_OF_3[:3]), []),
        (("--before", "2025-06-03"), [*WINDOW[:2], *DESK]),
        (("--before", "2025-06-03", "--tank", "window"), WINDOW[:2]),
        (("--before", "2025-06-03", "--refused"), []),
    ],
)
def test_forget_deletes_what_all_options_say(filled: Path, arguments: tuple[str, ...], forgotten: list[str]) -> None:
    said = run("log", "forget", *arguments, "--yes")
    assert said.startswith("Forgot" if forgotten else "No matching reading")
    assert sorted(photos(filled)) == sorted({*WINDOW, *DESK} - set(forgotten))


def test_forget_asks(filled: Path) -> None:
    declined = run("log", "forget", "--tank", "desk", answer="n\n")
    assert "Forget 1 reading of desk?" in declined
    assert declined.endswith("Nothing was forgotten.\n")
    assert len(photos(filled)) == 5
    assert "Forgot 1 reading of desk." in run("log", "forget", "--tank", "desk", answer="y\n")
    assert len(photos(filled)) == 4
    assert "Choose what to forget" in run("log", "forget", "--yes", code=2)
    assert "must look like 2025-06-04" in run("log", "forget", "--before", "June", code=2)


def test_a_tank_with_readings_is_removed_only_on_a_yes(filled: Path) -> None:
    arguments = ("tank", "remove", "window", "--with-readings")
    declined = run(*arguments, answer="n\n")
    assert "Remove window and its readings (4)?" in declined
    assert declined.endswith("Nothing was removed.\n")
    assert len(photos(filled)) == 5
    assert run(*arguments, answer="y\n").endswith("Removed window and its readings (4).\n")
    assert photos(filled) == ["desk IMG_0007.jpg"]


def test_trouble_with_the_file_is_one_sentence(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.write_text("no log", encoding="ascii")
    assert run("log", "show", code=1) == f"The log {path} is no log of this program; choose another file.\n"
    path.unlink()
    monkeypatch.setattr(log_file, "_WAIT_S", 0.05)
    with made_log_at(path) as log, log.transaction():
        assert "kept busy by another program" in run("tank", "add", "desk", code=1)


def test_of_all_tanks_names_of_photos_and_days_stay_whole_in_a_window_of_80_letters(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    names = ("PXL_20250602_073000.jpg", "IMG_20250603_183012.jpg", "a.jpg")
    with made_log_at(path) as log:
        for number, name in enumerate(names):
            log.add(made_entry(number, reading=made_reading(photo=name)))
        log.add_tank(Tank(name="desk"))
        log.add(made_entry(9, tank="desk", reading=made_refusal(photo="b.jpg")))
    words = run("log", "show").split()
    assert {*names, "2025-06-04", "window", "card"} <= set(words)
    with Log(path) as log:
        log.add(made_entry(5, reading=made_reading(photo="x" * 60)))
    assert run("log", "show").split().count("2025-06-04") == 5  # only a name that is too long folds


def test_no_number_is_cut_off_in_a_narrow_window(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def words(columns: int) -> list[str]:
        monkeypatch.setenv("COLUMNS", str(columns))
        return run("log", "show").replace("CO2 mg/L", "").replace("90 %", "").split()

    wide, narrow = "".join(sorted("".join(words(200)))), "".join(sorted("".join(words(40))))
    assert [c for c in narrow if c.isdigit()] == [c for c in wide if c.isdigit()]
