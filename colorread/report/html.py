"""The report of a tank as one self-contained HTML file."""

from __future__ import annotations

import base64
import math
import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration import write_atomic
from colorread import __version__, tank, words
from colorread.report.axes import PLOT_COLORS
from colorread.report.plot import MADE_UP, day_svgs, days_start, history_svgs, week_svgs
from colorread.result import NORMAL_95, Reading

if TYPE_CHECKING:
    from colorread.log import LogEntry

# Base64 adds a third; with that and the figures, the file stays below 5 MB.
PICTURES_MAX = 60
_PICTURE_BYTES_MAX = 3_300_000


def report_html(summary: tank.TankSummary, entries: Iterable[LogEntry]) -> str:
    """
    Return the report of a tank as one page of HTML.

    Parameters
    ----------
    summary : TankSummary
        With or without a course.
    entries : iterable of LogEntry
        The photos of the tank, with the pictures to include.

    Returns
    -------
    str
        The page. It loads nothing and runs no script; photos are named without their folders.
    """
    ordered = sorted(entries, key=_by_time, reverse=True)
    readings = [entry.reading for entry in ordered]
    findings = summary.findings
    last_at = summary.last_at or datetime.now()  # dates of the same year are shown without it
    rows = _photo_rows(ordered, summary, last_at)
    n_pictures = sum(bool(row["picture"]) for row in rows)
    start = days_start(summary)
    days = [f"{when:%B} {when.day}, {when:%Y}" for when in (summary.first_at, summary.last_at) if when is not None]
    template = words.templates_of("colorread.report").get_template("report.html")
    return template.render(
        summary=summary,
        bar="" if summary.now is None else words.bar_svg(summary.now.co2_mg_l, summary.tank.judged_by),
        made_up=MADE_UP if summary.tank.made_up else "",
        period=" to ".join(dict.fromkeys(days)),
        colors=PLOT_COLORS,
        week=week_svgs(summary, readings),
        history=history_svgs(summary, readings),
        day=day_svgs(summary),
        forecasts=[] if findings is None else tank.forecast_rows(findings.advice),
        recommended=tank.RECOMMENDED,
        numbers=tank.number_rows(summary),
        of_when=tank.NUMBERS_CAPTION,
        fitted=[] if findings is None else tank.fitted_rows(findings),
        refused=_refused_photos(readings, last_at),
        photos=[row for row in rows if row["taken_at"] is None or row["taken_at"] >= start],
        older=[row for row in rows if row["taken_at"] is not None and row["taken_at"] < start],
        n_pictures=n_pictures,
        n_without=sum(entry.picture is not None for entry in ordered) - n_pictures,
        settings=[
            (setting.label, shown)
            for setting, shown in tank.setting_rows(summary.tank)
            if shown and setting.group != "Photos"  # private: a report may be passed on
        ],
        plan=tank.plan_lines(summary.plan),
        letters=tank.LETTERS,
        events=[(tank.moment_words(event.at), tank.event_words(event)) for event in reversed(summary.events)],
        common_percent=None if findings is None else _common_percent(findings.common_std_ph),
        version=__version__,
        made_at=datetime.now().astimezone(),
    )


def write_report(path: str | os.PathLike[str], summary: tank.TankSummary, entries: Iterable[LogEntry]) -> None:
    """
    Write the report of a tank, whole or not at all.

    Parameters
    ----------
    path : path
        File to write; an existing file is replaced.
    summary, entries
        As for `report_html`.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    write_atomic(path, report_html(summary, entries).encode())


def _by_time(entry: LogEntry) -> tuple[datetime, str]:
    taken_at = entry.reading.taken_at
    return (datetime.min if taken_at is None else tank.wall_clock(taken_at)), entry.reading.photo


def _photo_rows(entries: Iterable[LogEntry], summary: tank.TankSummary, last_at: datetime) -> list[dict[str, Any]]:
    """Return the rows of the table of photos, with times on the tank's own clock; texts may be empty."""
    of_tank = tank.tank_co2_lookup(summary.tank_co2)
    rows = []
    bytes_left, pictures_left = _PICTURE_BYTES_MAX, PICTURES_MAX
    for entry in entries:
        reading, picture = entry.reading, ""
        if entry.picture is not None and pictures_left and len(entry.picture) <= bytes_left:
            bytes_left, pictures_left = bytes_left - len(entry.picture), pictures_left - 1
            picture = "data:image/jpeg;base64," + base64.b64encode(entry.picture).decode("ascii")
        in_tank = of_tank(reading)
        entered, assumed = words.input_words(reading)
        record = {
            "Time": words.time_words(reading),
            "Entered": entered,
            "Assumed": assumed,
            "Uncertainty from": words.budget_words(reading),
        }
        rows.append(
            {
                "name": _name(reading),
                "taken_at": None if reading.taken_at is None else tank.wall_clock(reading.taken_at),
                "when": words.when_words(reading.taken_at, last_at),
                "ph": ("", "") if reading.ph is None else words.ph_words(reading.ph).cells(),
                "co2": ("", "") if reading.co2_mg_l is None else words.number_words(reading.co2_mg_l).cells(),
                "tank": ("", "") if in_tank is None else words.number_words(in_tank).cells(),
                "refused": "" if reading.reason is None else reading.reason.message,
                "flags": [text.sentence for text in words.flag_texts(reading)],
                "record": [f"{label}: {text}." for label, text in record.items() if text],
                "picture": picture,
            }
        )
    return rows


def _refused_photos(readings: Iterable[Reading], last_at: datetime) -> dict[tuple[str, str], list[str]]:
    """Return the names of refused photos by what was seen and what to do."""
    photos: dict[tuple[str, str], list[str]] = {}
    for reading in readings:
        if reading.reason is not None:
            reason = (reading.reason.message, reading.reason.next_step)
            photos.setdefault(reason, []).append(f"{_name(reading)} ({words.when_words(reading.taken_at, last_at)})")
    return photos


def _name(reading: Reading) -> str:
    return words.clean_name(Path(reading.photo).name)


def _common_percent(std_ph: float) -> tuple[int, int]:
    """Return how far the shared error may lower and raise every CO2, 90 % [%]."""
    factor = math.pow(10.0, NORMAL_95 * std_ph)
    return round(100.0 * (1.0 - 1.0 / factor)), round(100.0 * (factor - 1.0))
