"""Where the log is, and what lies beside it."""

from __future__ import annotations

import os
from pathlib import Path

import platformdirs


def default_log_path() -> Path:
    """
    Return where the log is kept if nobody says otherwise.

    Returns
    -------
    Path
        What the environment variable COLORREAD_LOG says, else a file in the user's data folder.
    """
    stated = os.environ.get("COLORREAD_LOG")
    return Path(stated) if stated else platformdirs.user_data_path("colorread", appauthor=False) / "log.sqlite"


def photo_path(log_path: Path, sha256: str) -> Path:
    """
    Return where the photo of a reading is kept, if its keeper wants it kept.

    Parameters
    ----------
    log_path : Path
        The log.
    sha256 : str
        Of the photo as it came.

    Returns
    -------
    Path
        In a folder beside the log, under a name of our own.
    """
    return log_path.with_name(f"{log_path.stem}-photos") / f"{sha256}.jpg"


def phones_folder(log_path: Path) -> Path:
    """
    Return where the default profiles of phones are.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    Path
        A folder beside it.
    """
    return log_path.with_name(f"{log_path.stem}-phones")


def undecided_path(log_path: Path) -> Path:
    """
    Return where readings wait that were neither kept nor discarded yet.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    Path
        A small log beside it.
    """
    return log_path.with_name(f"{log_path.stem}-undecided{log_path.suffix}")
