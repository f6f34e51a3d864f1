"""A reading as the log keeps it, checked wherever it comes from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, datetime

from colorread.result import Reading


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

    tank: str
    sha256: str
    scored_at: datetime
    software: str
    settings_id: str
    profile_id: str | None
    reading: Reading
    picture: bytes | None

    def __post_init__(self) -> None:
        if self.scored_at.utcoffset() is None:
            raise ValueError("The time at which a photo was read must have an offset.")

    def require_sound(self, what: str) -> None:
        """Raise one sentence where it could not be kept."""
        if not re.fullmatch("[0-9a-f]{64}", self.sha256):
            raise ValueError(f"The sha256 of {what} must be 64 hexadecimal digits.")
        for moment in (self.scored_at, self.reading.taken_at):
            if moment is not None and not MINYEAR < moment.year < MAXYEAR:  # no room to count days from
                raise ValueError(f"Its times must be of {MINYEAR + 1} to {MAXYEAR - 1}, not of the year {moment.year}.")
        for name in ("software", "settings_id", "profile_id"):
            if not (getattr(self, name) or "").isprintable():  # half a character could not be stored
                raise ValueError(f"The {name} of {what} must be printable.")
