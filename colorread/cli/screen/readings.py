"""Readings as text for a terminal, in words and symbols, never by color alone: one, several, or those of a folder."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from colorread import log as log_room, tank as tank_room, words
from colorread.cli.screen.terminal import LABEL_WIDTH, TEXT_WIDTH_MIN, Row, Terminal
from colorread.errors import Reason
from colorread.result import LEVELS, Interval, Level, Reading

_BAR_WIDTH_MAX = 61
_RESULT = ("CO2 mg/L", "90 %", "fish")
_FOLDED_WIDTHS = {"fish": 12, "taken": 10, "photo": 16}  # at least a level, a day, most of a name
_NAMES_SHOWN = 3
_FISH_STYLES: dict[Level, str] = {"no concern": "bold", "watch": "bold yellow", "act": "bold red"}
# Refusals that --vial may solve.
_ASKS_FOR_VIAL = ("no-vial", "not-a-vial", "not-the-dye", "two-vials")


def print_reading(
    terminal: Terminal,
    reading: Reading,
    picture: Path | None = None,
    *,
    marks: words.Marks = words.USUAL_MARKS,
    details: bool = False,
    brief: bool = False,
) -> None:
    """
    Print one reading, the answer first, without its cautions.

    If `brief`, its verdict is left out because the tank's follows.
    """
    terminal.say(words.clean_name(reading.photo), "bold underline")
    co2_mg_l, verdict, taken_at = reading.co2_mg_l, reading.verdict, reading.taken_at
    if co2_mg_l is None or verdict is None:
        rows = _refused_rows(reading)
    else:
        if brief:
            rows = [("Vial", words.co2_words(co2_mg_l).short())]
        else:
            days_old = 0 if taken_at is None else tank_room.age_days(taken_at, datetime.now())
            rows = answer_rows(terminal, words.answer_of(co2_mg_l, verdict, days_old=days_old), co2_mg_l, marks)
        rows += _detail_rows(reading) if details else [("Inputs", _input_words(reading), "dim")]
    notes = words.flag_texts(reading)
    if details or len(notes) < 2:
        rows += [("Note", note.sentence) for note in notes]
    else:
        rows.append(("Note", f"{notes[0].seen}. {len(notes) - 1} more: --details"))
    if picture is not None:
        rows.append(("Picture", words.clean_name(str(picture))))
    terminal.rows(rows)


def answer_rows(terminal: Terminal, answer: words.Answer, co2_mg_l: Interval, marks: words.Marks) -> list[Row]:
    """Return the answer that every screen begins with: number and bar [mg/L], fish, plants, what to do."""
    width = max(min(terminal.width - LABEL_WIDTH - 2, _BAR_WIDTH_MAX), TEXT_WIDTH_MIN)
    zones, line, labels = words.bar_lines(words.bar_of(co2_mg_l, marks), width)
    of_what = "" if answer.what == words.IN_VIAL else f" {answer.what.removeprefix('CO2 ')}"
    return [
        ("CO2", f"{answer.value} ({answer.span}){of_what}", "bold"),
        ("", zones, "dim"),
        ("", line, "bold"),
        ("", labels, "dim"),
        ("Fish", f"{answer.lead} {answer.fish}", _FISH_STYLES[answer.level]),
        ("Plants", answer.plants),
        ("To do", answer.to_do, "bold"),
        ("", answer.then),
    ]


def print_summary(terminal: Terminal, readings: Sequence[Reading]) -> None:
    """Print several readings briefly; a single one needs no summary."""
    if len(readings) < 2:
        return
    rows = [(words.clean_name(Path(reading.photo).name), *_result_cells(reading)) for reading in readings]
    _print_results(terminal, ("photo", *_RESULT), rows)


def print_entries(terminal: Terminal, entries: Sequence[log_room.LogEntry]) -> None:
    """Print logged readings, refused ones with the reason; name tanks only if there are several."""
    first = 0 if len({entry.tank for entry in entries}) > 1 else 1
    rows = []
    for entry in entries:
        reading = entry.reading
        taken = "" if reading.taken_at is None else f"{reading.taken_at:%Y-%m-%d %H:%M}"
        *numbers, fish = _result_cells(reading)
        message = "" if reading.reason is None else f": {words.clean_name(reading.reason.message)}"
        name = words.clean_name(reading.photo)
        rows.append((words.clean_name(entry.tank), taken, name, *numbers, f"{fish}{message}")[first:])
    _print_results(terminal, ("tank", "taken", "photo", *_RESULT)[first:], rows)
    n_refused = sum(entry.reading.status == "refused" for entry in entries)
    terminal.say(f"{len(entries) - n_refused} read, {n_refused} not read.")


def _result_cells(reading: Reading) -> tuple[str, str, str]:
    """Return the cells of a reading for the columns of `_RESULT`."""
    if reading.co2_mg_l is None or reading.verdict is None:
        return "-", "", f"{words.REFUSED_SIGN} not read"
    level = reading.verdict.fish
    return *words.number_words(reading.co2_mg_l).cells(), f"{words.FISH_SIGNS[level]} {level}"


def _print_results(terminal: Terminal, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    terminal.table_or_rows(headings, rows, right=("CO2 mg/L",), folded_to=_FOLDED_WIDTHS)


def print_cautions(terminal: Terminal, readings: Sequence[Reading], *, details: bool = False) -> None:
    """Print the cautions of all readings, each once, or one line for the most serious reading."""
    verdicts = [reading.verdict for reading in readings if reading.verdict is not None]
    verdicts.sort(key=lambda verdict: -LEVELS.index(verdict.fish))
    cautions = dict.fromkeys(caution for verdict in verdicts for caution in verdict.cautions)
    if cautions and details:
        terminal.cautions(cautions)
    elif cautions:
        print_short_caution(terminal, verdicts[0].fish)


def print_short_caution(terminal: Terminal, level: Level, where: str = "--details") -> None:
    """Print a caution in one line and say where there are more."""
    if level == "no concern":
        terminal.rows([("More", f"Details and cautions: {where}", "dim")])
    else:
        terminal.rows([("Caution", f"{words.SIGNS_IN_SHORT} More: {where}", "dim")])
    terminal.print()


def print_batch(
    terminal: Terminal,
    readings: Sequence[Reading],
    week: tank_room.TankSummary,
    *,
    n_same: int = 0,
    n_known: int = 0,
    details: bool = False,
) -> None:
    """
    Print how many photos of a folder were read, when they were taken, and what to do about those not read.

    Parameters
    ----------
    terminal : Terminal
        Where to print.
    readings : sequence of Reading
        Readings of the folder.
    week : TankSummary
        Summary of the tank, whose log may hold more photos.
    n_same, n_known : int
        Number of additional copies, and of readings already in the log.
    details : bool, default False
        Whether to list all reasons for refusal.
    """
    refused = [reading for reading in readings if reading.status == "refused"]
    n_read = len(readings) - len(refused)
    n_earlier = week.n_read - n_read
    parts = [
        f"{words.plural(n_read, 'photo')} read",
        f"{len(refused)} not read",
        f"{n_known} from the log" if n_known else "",
        words.plural(n_same, "duplicate") if n_same else "",
        f"{n_earlier} more in the log" if n_earlier else "",
    ]
    terminal.say(f"{', '.join(filter(None, parts))}.", "bold")
    if details:
        for line in filter(None, (_taken_words(readings), _co2_words(readings))):
            terminal.say(line)
    if refused:
        _print_refused(terminal, refused, details=details)


def _print_refused(terminal: Terminal, refused: Sequence[Reading], *, details: bool) -> None:
    """Print why photos were refused: the most frequent reason or, with details, all."""
    photos_by_reason: dict[Reason, list[str]] = {}
    for reading in refused:
        if reading.reason is not None:
            photos_by_reason.setdefault(reading.reason, []).append(reading.photo)
    by_count = sorted(photos_by_reason.items(), key=lambda item: (-len(item[1]), item[0].message))
    if details:
        for reason, photos in by_count:
            more = f" and {len(photos) - _NAMES_SHOWN} more" if len(photos) > _NAMES_SHOWN else ""
            names = ", ".join(photos[:_NAMES_SHOWN])
            terminal.rows([("Not read", f"{names}{more}: {reason.message} {reason.next_step}")])
    else:
        reason, photos = by_count[0]
        more = f" ({len(photos)} of {len(refused)}; more: --details)" if len(by_count) > 1 else ""
        terminal.rows([("Not read", f"{reason.message} {reason.next_step}{more}")])


def _taken_words(readings: Sequence[Reading]) -> str:
    times = sorted(tank_room.wall_clock(reading.taken_at) for reading in readings if reading.taken_at is not None)
    if not times:
        return ""
    first, last = (f"{time:%Y-%m-%d %H:%M}" for time in (times[0], times[-1]))
    n_by_file = sum(reading.time_source == "file time" for reading in readings)
    n_unknown = len(readings) - len(times)
    parts = [
        f"Taken {first}" if first == last else f"Taken from {first} to {last}",
        f"{n_by_file} by file time" if n_by_file else "",
        f"{n_unknown} at an unknown time" if n_unknown else "",
    ]
    return f"{'; '.join(filter(None, parts))}."


def _co2_words(readings: Sequence[Reading]) -> str:
    found = [reading.co2_mg_l for reading in readings if reading.co2_mg_l is not None]
    if not found:
        return ""
    found.sort(key=lambda co2: co2.value or co2.low or co2.high or 0.0)
    lowest, highest = (words.co2_words(co2).short() for co2 in (found[0], found[-1]))
    return f"CO2 in the vial: {lowest if lowest == highest else f'lowest {lowest}, highest {highest}'}."


def _refused_rows(reading: Reading) -> list[Row]:
    if reading.reason is None:
        return []
    way_out = ""
    if reading.reason.code in _ASKS_FOR_VIAL:
        way_out = " Or mark the fluid with --vial X,Y,W,H."
        if "vial-pointed" in reading.flags:
            way_out = " Also check --vial X,Y,W,H, in pixels of the upright photo."
    return [
        ("CO2", f"{words.REFUSED_SIGN} Not read. {reading.reason.message}", "bold"),
        ("To do", reading.reason.next_step + way_out),
        ("Taken", words.time_words(reading), "dim"),
    ]


def _input_words(reading: Reading) -> str:
    assumed = words.input_words(reading)[1]
    profile = "" if reading.profile is None else f"profile {words.clean_name(reading.profile)}"
    return "; ".join(filter(None, (profile, f"assumed {assumed}" if assumed else "")))


def _detail_rows(reading: Reading) -> list[Row]:
    entered, assumed = words.input_words(reading)
    tank_ph = interval = ""
    if reading.tank_ph is not None and reading.fluid != "tank-water":  # otherwise it is the pH of the vial
        expected = words.ph_words(reading.tank_ph).short()
        tank_ph = (
            f"{expected} expected on a probe in the tank ({reading.tank_kh_dkh:g} dKH). A clear mismatch means other "
            "acids, a drifting probe or old fluid."
        )
    if budget := words.budget_words(reading):
        narrower = "" if reading.profile is not None else ". To narrow it: colorread calibrate ends --how"
        interval = f"uncertainty from {budget}{narrower}"
    return [
        ("pH", "" if reading.ph is None else f"{words.ph_words(reading.ph).short()}, of the fluid in the vial"),
        ("Tank pH", tank_ph),
        ("Assumed", assumed),
        ("Entered", entered),
        ("Taken", words.time_words(reading)),
        ("Rule", _rule_words(reading)),
        ("Interval", interval),
    ]


def _rule_words(reading: Reading) -> str:
    rule = reading.co2_rule_of_thumb_mg_l
    if rule is None or reading.co2_mg_l is None or reading.co2_mg_l.value is None:
        return ""
    value, _ = words.co2_words(Interval(value=rule, low=rule, high=rule)).pair()
    off_percent = round(100.0 * (rule / reading.co2_mg_l.value - 1.0))
    off = f", which reads {abs(off_percent)} % {'high' if off_percent > 0 else 'low'} here" if off_percent else ""
    return f"{value} by the rule of thumb 3 x KH x 10^(7 - pH){off}"
