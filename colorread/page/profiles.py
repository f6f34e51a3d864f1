"""Calibration profiles that the page made, in a folder beside the log."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path


def profile_folder(log_path: Path) -> Path:
    """Return where the page writes profiles."""
    return log_path.with_name(f"{log_path.stem}-profiles")


def new_profile_path(log_path: Path, tank: str, kind: str) -> Path:
    """Return a free path for a profile that is made now."""
    folder = profile_folder(log_path)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder / f"{tank} {kind} {datetime.now():%Y-%m-%d %H-%M-%S-%f}.toml"


def profile_choices(log_path: Path, current: str | None) -> list[tuple[str, str]]:
    """
    Return the profiles that can be chosen.

    Parameters
    ----------
    log_path : Path
        The log.
    current : str or None
        Path of the one that is used now, wherever it is.

    Returns
    -------
    list of (str, str)
        Path and name, the newest first.
    """
    found = sorted(profile_folder(log_path).glob("*.toml"), key=lambda path: path.stat().st_mtime, reverse=True)
    paths = [str(path) for path in found]
    if current and current not in paths:
        paths.insert(0, current)
    return [(path, Path(path).stem) for path in paths]
