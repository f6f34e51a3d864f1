"""What a report says of a tank and of its days."""

from __future__ import annotations

from datetime import datetime


def period_words(first_at: datetime | None, last_at: datetime | None) -> str:
    """
    Return the days of a summary in words.

    Parameters
    ----------
    first_at, last_at : datetime or None
        First and last reading.

    Returns
    -------
    str
        Such as ``June 2, 2025 to June 8, 2025``; empty where unknown.
    """
    days = [f"{when:%B} {when.day}, {when:%Y}" for when in (first_at, last_at) if when is not None]
    return " to ".join(dict.fromkeys(days))
