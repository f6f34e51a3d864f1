"""Default profiles: at most one for each phone as named in EXIF, in a folder beside the log."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from calibration import Profile, read_profile, write_atomic
from colorread.log import Log, default_log_path, phones_folder


def profile_files(folder: Path) -> list[Path]:
    """
    Return the profiles in a folder, without the hidden files that a Mac adds beside each of its own on other drives.

    Parameters
    ----------
    folder : Path
        May be missing.

    Returns
    -------
    list of Path
        By name.
    """
    return sorted(folder.glob("[!.]*.toml"))


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
        True also if the files are damaged.
    """
    return bool(profile_files(phones_folder(log_path)))


def migrate_defaults(log_path: Path) -> None:
    """
    Give a log its own copies of the defaults that earlier versions kept for all logs beside the usual one.

    Parameters
    ----------
    log_path : Path
        The log; if it has no defaults, it gets those that its readings were made with.

    Raises
    ------
    LogFailure
        If the log cannot be read.
    OSError
        If a file cannot be read or written.
    """
    folder, usual = phones_folder(log_path), phones_folder(default_log_path())
    if folder.exists() or folder == usual or not log_path.exists() or not usual.is_dir():
        return
    with Log(log_path) as log:
        used = log.profile_ids()
    for path in profile_files(usual):
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() in used:
            _keep(folder / path.name, data)


def make_default(path: Path, log_path: Path) -> tuple[str, ...]:
    """
    Make a profile the default of the phone it was made with, in place of an earlier one.

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
        If it is not a profile, or its photos do not name their phone.
    OSError
        If a file cannot be read or written.
    """
    phones = read_profile(path).camera_models
    if not phones:
        raise ValueError(f"The photos of {path.name} do not name their phone; use the profile with --profile instead.")
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
        If it is not a profile.
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
        The phone as named in EXIF.
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    Path or None
        The file; None if the phone is unknown or has no default, or if several name it.
    """
    matches = [path for path, phones in read_defaults(log_path)[0].items() if camera_model in phones]
    return matches[0] if len(matches) == 1 else None


def read_named(path: Path, log_path: Path) -> Profile:
    """
    Read a profile; a default is named after the file it was copied from.

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


def read_defaults(log_path: Path) -> tuple[dict[Path, frozenset[str]], tuple[str, ...]]:
    """
    Read all default profiles.

    Parameters
    ----------
    log_path : Path
        The log that the defaults belong to.

    Returns
    -------
    phones : dict of Path to frozenset of str
        Phones of each profile.
    troubles : tuple of str
        What is wrong with those that cannot be read: a sentence for each, with its file.
    """
    phones: dict[Path, frozenset[str]] = {}
    errors = []
    for path in profile_files(phones_folder(log_path)):
        try:
            phones[path] = read_profile(path).camera_models
        except OSError as error:
            errors.append(f"{path} cannot be read: {error.strerror or error}.")
        except ValueError as error:
            errors.append(str(error))
    return phones, tuple(errors)


def _keep(path: Path, data: bytes) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_atomic(path, data)


def _drop(phones: frozenset[str], log_path: Path, *, but: Path | None) -> bool:
    of_phones = [path for path, of_path in read_defaults(log_path)[0].items() if of_path & phones]
    # Some file systems write a name in another way than it was given.
    dropped = [path for path in of_phones if but is None or not path.samefile(but)]
    for path in dropped:
        path.unlink(missing_ok=True)
    return bool(dropped)
