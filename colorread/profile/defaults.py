"""Default profiles: at most one for each phone, in a folder beside the log, chosen by what EXIF says of the phone."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from calibration.profile import Profile
from calibration.profile_file import read_profile
from calibration.whole_file import write_whole
from colorread.log.store import default_log_path


def defaults_folder() -> Path:
    """
    Return where the default profiles are.

    Returns
    -------
    Path
        Beside the log.
    """
    log = default_log_path()
    return log.with_name(f"{log.stem}-phones")


def has_defaults() -> bool:
    """
    Return whether any phone has a default profile.

    Returns
    -------
    bool
        Without looking into the files.
    """
    return any(defaults_folder().glob("*.toml"))


def make_default(path: Path) -> tuple[str, ...]:
    """
    Make a profile the default of the phone it was made with; an earlier default of that phone is dropped.

    Parameters
    ----------
    path : Path
        The profile; a copy is kept.

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
    folder = defaults_folder()
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / f"{path.stem}-{hashlib.sha256(data).hexdigest()[:8]}.toml"
    write_whole(kept, data)
    _drop(phones, but=kept)
    return tuple(sorted(phones))


def drop_default(path: Path) -> bool:
    """
    Drop the default of the phones that a profile was made with.

    Parameters
    ----------
    path : Path
        The profile.

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
    return _drop(read_profile(path).camera_models, but=None)


def default_profile(camera_model: str | None) -> Path | None:
    """
    Return the default profile of a phone.

    Parameters
    ----------
    camera_model : str or None
        What EXIF says of the phone.

    Returns
    -------
    Path or None
        The file; None where the phone is not known or has none, or where several name it.
    """
    if camera_model is None:
        return None
    fitting = [path for path, phones in default_profiles().items() if camera_model in phones]
    return fitting[0] if len(fitting) == 1 else None


def read_named(path: Path) -> Profile:
    """
    Read a profile, a default one under the name of the file that it is a copy of.

    Parameters
    ----------
    path : Path
        The profile.

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
    if path.parent != defaults_folder():
        return profile
    return replace(profile, name=f"{path.stem.rpartition('-')[0] or path.stem}.toml (default of the phone)")


def default_profiles() -> dict[Path, frozenset[str]]:
    """
    Return all default profiles.

    Returns
    -------
    dict of Path to frozenset of str
        The phones of each; those that cannot be read are passed over.
    """
    return _looked_into()[0]


def damaged_defaults() -> tuple[str, ...]:
    """
    Return what is wrong with default profiles that cannot be read.

    Returns
    -------
    tuple of str
        A sentence for each, with its file.
    """
    return _looked_into()[1]


def _looked_into() -> tuple[dict[Path, frozenset[str]], tuple[str, ...]]:
    phones: dict[Path, frozenset[str]] = {}
    troubles = []
    for path in sorted(defaults_folder().glob("*.toml")):
        try:
            phones[path] = read_profile(path).camera_models
        except OSError as error:
            troubles.append(f"{path} cannot be read: {error.strerror or error}.")
        except ValueError as error:
            troubles.append(str(error))
    return phones, tuple(troubles)


def _drop(phones: frozenset[str], *, but: Path | None) -> bool:
    dropped = [path for path, its_phones in default_profiles().items() if path != but and its_phones & phones]
    for path in dropped:
        path.unlink(missing_ok=True)
    return bool(dropped)
