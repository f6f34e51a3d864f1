"""Readings as a table for a spreadsheet: one row a photo, refused ones too."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable

from calibration.whole_file import write_whole
from colorread.reading.record import Interval, Reading
from colorread.tank.results import PhotoPoint, tank_co2_of

COLUMNS = (
    "photo",
    "status",
    "taken_at",
    "time_source",
    "co2_mg_l",
    "co2_low_mg_l",
    "co2_high_mg_l",
    "tank_co2_mg_l",
    "tank_co2_low_mg_l",
    "tank_co2_high_mg_l",
    "ph",
    "ph_low",
    "ph_high",
    "limit",
    "plants",
    "fish",
    "kh_dkh",
    "temperature_c",
    "light",
    "profile",
    "assumed",
    "flags",
    "code",
    "message",
    "next_step",
)
"""
Heads of the columns. Numbers carry their unit in the head; the intervals are 90 %. What begins with ``co2`` is the CO2
of the vial, what begins with ``tank_co2`` that of the tank when the photo was taken.
"""

# A cell that begins so is taken for a formula by spreadsheets, or hides one behind white space.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")


def csv_bytes(readings: Iterable[Reading], tank_co2: Iterable[PhotoPoint] = ()) -> bytes:
    """
    Return readings as CSV.

    UTF-8 with the mark by which spreadsheets know it, decimal points, times as ISO 8601 with offset where the photo
    has one. What a number cannot be told for is empty. Text that a spreadsheet would run as a formula, as in a crafted
    file name, gets an apostrophe before it.

    Parameters
    ----------
    readings : iterable of Reading
        Rows, in their order.
    tank_co2 : iterable of PhotoPoint, optional
        The tank at the times of the photos, where days of them tell it.

    Returns
    -------
    bytes
        The table.
    """
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(COLUMNS)
    of_tank = tank_co2_of(tank_co2)
    table.writerows(_row(reading, of_tank(reading)) for reading in readings)
    return text.getvalue().encode("utf-8-sig", "replace")


def write_csv(path: str | os.PathLike[str], readings: Iterable[Reading], tank_co2: Iterable[PhotoPoint] = ()) -> None:
    """
    Write readings as CSV, whole or not at all.

    Parameters
    ----------
    path : path
        File to write; replaced where it exists.
    readings : iterable of Reading
        As in `csv_bytes`.
    tank_co2 : iterable of PhotoPoint, optional
        As in `csv_bytes`.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    write_whole(path, csv_bytes(readings, tank_co2))


def _row(reading: Reading, tank_co2: Interval | None) -> tuple[str, ...]:
    verdict, reason = reading.verdict, reading.reason
    return (
        _text(reading.photo),
        reading.status,
        "" if reading.taken_at is None else reading.taken_at.isoformat(),
        reading.time_source,
        *_interval(reading.co2_mg_l, 2),
        *_interval(tank_co2, 2),
        *_interval(reading.ph, 3),
        reading.limit or "",
        "" if verdict is None else verdict.plants,
        "" if verdict is None else verdict.fish,
        f"{reading.kh_dkh:g}",
        f"{reading.temperature_c:g}",
        reading.light,
        _text(reading.profile or ""),
        _text(" ".join(reading.assumed)),
        _text(" ".join(reading.flags)),
        "" if reason is None else _text(reason.code),
        "" if reason is None else _text(reason.message),
        "" if reason is None else _text(reason.next_step),
    )


def _interval(interval: Interval | None, digits: int) -> tuple[str, str, str]:
    if interval is None:
        return "", "", ""
    value, low, high = (
        "" if number is None else f"{number:.{digits}f}" for number in (interval.value, interval.low, interval.high)
    )
    return value, low, high


def _text(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
