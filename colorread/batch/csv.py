"""Readings as a table for a spreadsheet: one row per photo, refused ones included."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any

from colorread.records import plain, toml_beside
from colorread.result import Interval, Reading
from colorread.tank import PhotoPoint, tank_co2_lookup

COLUMNS = toml_beside(__file__, "columns.toml")
"""Columns by heading."""

# Spreadsheets run a cell that starts with one of these as a formula, some after skipping white space.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")


def csv_bytes(readings: Iterable[Reading], tank_co2: Iterable[PhotoPoint] = ()) -> bytes:
    """
    Return readings as CSV.

    The encoding is UTF-8 with a byte order mark, for spreadsheets. Times are ISO 8601, with offset if the photo has
    one. Unknown numbers are empty. Text that a spreadsheet would run as a formula, as in a crafted file name, gets a
    leading apostrophe.

    Parameters
    ----------
    readings : iterable of Reading
        One per row.
    tank_co2 : iterable of PhotoPoint, optional
        CO2 of the tank at the times of the photos.

    Returns
    -------
    bytes
        Content of the file.
    """
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(COLUMNS)
    of_tank = tank_co2_lookup(tank_co2)
    table.writerows(_row(reading, of_tank(reading)) for reading in readings)
    return text.getvalue().encode("utf-8-sig", "replace")


def _row(reading: Reading, tank_co2: Interval | None) -> list[str]:
    data = {**plain(reading), "tank_co2_mg_l": plain(tank_co2)}
    return [_cell(data, column["path"], column.get("format", "")) for column in COLUMNS.values()]


def _cell(value: Any, path: str, number_format: str) -> str:
    for name in path.split("."):
        value = None if value is None else value[name]
    if isinstance(value, float | int):
        return format(value, number_format)
    text = " ".join(value) if isinstance(value, list) else value or ""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
