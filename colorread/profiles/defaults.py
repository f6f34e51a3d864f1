"""Default profiles: at most one for each phone, in a folder beside the log, chosen by what EXIF says of the phone."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from calibration import Profile, read_profile, write_whole
from colorread.log import Log, default_log_path, phones_folder


def has_defaults(log_path: Path) -> bool:
    """
    Return whether any phone has a default profile.

    Parameters
    ----------
    log_path : Path
        The log that they belong to.

    Returns
    -------
    bool
        Without looking into the files.
    """
    return any(phones_folder(log_path).glob("*.toml"))


def take_over_defaults(log_path: Path) -> None:
    """
    Copy to a log what was its default while the defaults of all logs lay beside the usual one.

    Parameters
    ----------
    log_path : Path
        A log without defaults of its own gets those that readings in it were made with.

    Raises
    ------
    LogError
        If the log cannot be read.
    OSError
        If a file cannot be read or written.
    """
    folder, usual = phones_folder(log_path), phones_folder(default_log_path())
    if folder.exists() or folder == usual or not log_path.exists() or not usual.is_dir():
        return
    with Log(log_path) as log:
        used = log.profile_ids()
    for path in usual.glob("*.toml"):
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() in used:
            _keep(folder / path.name, data)


def make_default(path: Path, log_path: Path) -> tuple[str, ...]:
    """
    Make a profile the default of the phone it was made with; an earlier default of that phone is dropped.

    Parameters
    ----------
    path : Path
        The profile; a copy is kept.
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    tuple of str
        The phones.

    Raises
    ------
    ValueError
        If it is no profile, or its photos do not name their phone.
    OSError
        If a file cannot be read or written.
    """
    phones = read_profile(path).camera_models
    if not phones:
        raise ValueError(f"The photos of {path.name} do not name their phone; give it with --profile instead.")
    data = path.read_bytes()
    kept = phones_folder(log_path) / f"{path.stem}-{hashlib.sha256(data).hexdigest()[:8]}.toml"
    _keep(kept, data)
    _drop(phones, log_path, but=kept)
    return tuple(sorted(phones))


def drop_default(path: Path, log_path: Path) -> bool:
    """
    Drop the default of the phones that a profile was made with.

    Parameters
    ----------
    path : Path
        The profile.
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    bool
        Whether there was one.

    Raises
    ------
    ValueError
        If it is no profile.
    OSError
        If a file cannot be read or deleted.
    """
    return _drop(read_profile(path).camera_models, log_path, but=None)


def default_profile(camera_model: str | None, log_path: Path) -> Path | None:
    """
    Return the default profile of a phone.

    Parameters
    ----------
    camera_model : str or None
        What EXIF says of the phone.
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    Path or None
        The file; None where the phone is not known or has none, or where several name it.
    """
    if camera_model is None:
        return None
    fitting = [path for path, phones in default_profiles(log_path).items() if camera_model in phones]
    return fitting[0] if len(fitting) == 1 else None


def read_named(path: Path, log_path: Path) -> Profile:
    """
    Read a profile, a default one under the name of the file that it is a copy of.

    Parameters
    ----------
    path : Path
        The profile.
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    Profile
        As written.

    Raises
    ------
    ValueError, OSError
        If it cannot be read.
    """
    profile = read_profile(path)
    if path.parent != phones_folder(log_path):
        return profile
    return replace(profile, name=f"{path.stem.rpartition('-')[0] or path.stem}.toml (default of the phone)")


def default_profiles(log_path: Path) -> dict[Path, frozenset[str]]:
    """
    Return all default profiles.

    Parameters
    ----------
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    dict of Path to frozenset of str
        The phones of each; those that cannot be read are passed over.
    """
    return _looked_into(log_path)[0]


def damaged_defaults(log_path: Path) -> tuple[str, ...]:
    """
    Return what is wrong with default profiles that cannot be read.

    Parameters
    ----------
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    tuple of str
        A sentence for each, with its file.
    """
    return _looked_into(log_path)[1]


def _looked_into(log_path: Path) -> tuple[dict[Path, frozenset[str]], tuple[str, ...]]:
    phones: dict[Path, frozenset[str]] = {}
    troubles = []
    for path in sorted(phones_folder(log_path).glob("*.toml")):
        try:
            phones[path] = read_profile(path).camera_models
        except OSError as error:
            troubles.append(f"{path} cannot be read: {error.strerror or error}.")
        except ValueError as error:
            troubles.append(str(error))
    return phones, tuple(troubles)


def _keep(path: Path, data: bytes) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_whole(path, data)


def _drop(phones: frozenset[str], log_path: Path, *, but: Path | None) -> bool:
    dropped = [path for path, its_phones in default_profiles(log_path).items() if path != but and its_phones & phones]
    for path in dropped:
        path.unlink(missing_ok=True)
    return bool(dropped)
