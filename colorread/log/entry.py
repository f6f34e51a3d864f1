"""A reading as the log keeps it, and as plain values, which are checked wherever they come from."""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, datetime
from typing import Any

from colorread.json_fields import Fields, fields_of
from colorread.reading.record import Reading
from colorread.reading.record_json import reading_from_dict, reading_to_dict

_NAMES = ("tank", "sha256", "scored_at", "software", "settings_id", "profile_id", "reading")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """
    A reading as it is kept.

    Parameters
    ----------
    sha256 : str
        Of the photo file, hexadecimal.
    tank : str
        Name of its tank.
    reading : Reading
        Read or refused.
    scored_at : datetime
        When it was read, in UTC.
    software : str
        Version that read it.
    settings_id : str
        Identifies everything that it was read with.
    profile_id : str or None
        SHA-256 of the calibration profile.
    picture : bytes or None
        Small evidence picture, JPEG.
    """

    sha256: str
    tank: str
    reading: Reading
    scored_at: datetime
    software: str
    settings_id: str
    profile_id: str | None
    picture: bytes | None

    def __post_init__(self) -> None:
        if self.scored_at.utcoffset() is None:
            raise ValueError("The time at which a photo was read must have an offset.")


def entry_to_dict(entry: LogEntry) -> dict[str, Any]:
    """
    Return a log entry as plain values, without its picture.

    Parameters
    ----------
    entry : LogEntry
        Any entry.

    Returns
    -------
    dict
        Named as the parameters of `LogEntry`; the reading as in `reading_to_dict`.
    """
    return {
        "tank": entry.tank,
        "sha256": entry.sha256,
        "scored_at": entry.scored_at.isoformat(),
        "software": entry.software,
        "settings_id": entry.settings_id,
        "profile_id": entry.profile_id,
        "reading": reading_to_dict(entry.reading),
    }


def entry_from_dict(data: object) -> LogEntry:
    """
    Return the log entry that `entry_to_dict` gave.

    Parameters
    ----------
    data : object
        With the picture beside the rest: bytes, their base64, or None.

    Returns
    -------
    LogEntry
        The entry.

    Raises
    ------
    ValueError
        If it describes no entry; one sentence.
    """
    fields = fields_of("the entry", data, (*_NAMES, "picture"))
    sha256 = fields.text("sha256")
    if not re.fullmatch("[0-9a-f]{64}", sha256):
        raise ValueError("The sha256 of the entry must be 64 hexadecimal digits.")
    reading, scored_at = reading_from_dict(fields.values["reading"]), fields.moment("scored_at")
    for moment in (scored_at, reading.taken_at):
        if moment is not None and not MINYEAR < moment.year < MAXYEAR:  # no room to count days from
            raise ValueError(f"Its times must be of {MINYEAR + 1} to {MAXYEAR - 1}, not of the year {moment.year}.")
    return LogEntry(
        sha256=sha256,
        tank=fields.text("tank"),
        reading=reading,
        scored_at=scored_at,
        software=_name(fields, "software"),
        settings_id=_name(fields, "settings_id"),
        profile_id=fields.maybe("profile_id", lambda name: _name(fields, name)),
        picture=fields.maybe("picture", lambda name: _picture(fields, name)),
    )


def _picture(fields: Fields, name: str) -> bytes:
    value = fields.values[name]
    if isinstance(value, bytes):
        return value
    try:
        return base64.b64decode(fields.text(name), validate=True)
    except binascii.Error:
        raise ValueError(f"The {name} of the entry is no base64.") from None


def _name(fields: Fields, name: str) -> str:
    text = fields.text(name)
    if not text.isprintable():  # half a character could not be stored
        raise ValueError(f"The {name} of the entry must be printable.")
    return text
