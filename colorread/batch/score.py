"""Many photos at once: found in a folder, read in several processes, kept in the log as soon as each is read."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from calibration import KnownSample
from colorread import __version__
from colorread.errors import Reason, Refusal, refusal
from colorread.evidence import is_evidence, small_evidence
from colorread.log import Damage, Log, LogEntry
from colorread.photo import camera_model_of, open_file, open_image, refusing_broken_files
from colorread.profiles import default_profile, has_defaults, read_named
from colorread.reading import Stated, read_photo_traced, without_numbers
from colorread.result import Reading
from colorread.tank import Tank, wall_clock
from colorread.words import clean_name, judged
from colorread.workers import processors, run_in_workers

DEFAULT_TANK = "unnamed"
"""Name of the tank that photos belong to where nobody named one."""
Outcome = Literal["new", "known", "same", "calibration", "failed"]
_PHOTO_SUFFIXES = frozenset((".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"))


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFile:
    """
    A photo to be read.

    Parameters
    ----------
    path : Path
        Where it is.
    name : str
        What it is called in the log: its path within the folder, with slashes.
    """

    path: Path
    name: str


def find_photos(folder: Path, *, on_error: Callable[[OSError], None] | None = None) -> tuple[PhotoFile, ...]:
    """
    Find the photos in a folder and the folders in it.

    What holds no picture of a known format is passed over, unless its name says that it is a photo. Hidden files and
    folders are passed over, and so are the evidence pictures that this program draws.

    Parameters
    ----------
    folder : Path
        Where to look.
    on_error : callable, optional
        Is told of each folder that cannot be opened.

    Returns
    -------
    tuple of PhotoFile
        By name.
    """
    found = []
    for parent, folders, files in os.walk(folder, onerror=on_error):
        folders[:] = [name for name in folders if not name.startswith(".")]
        paths = (Path(parent, name) for name in files if not name.startswith("."))
        found += [
            PhotoFile(path=path, name=clean_name(path.relative_to(folder).as_posix()))
            for path in paths
            if _is_photo(path)
        ]
    return tuple(sorted(found, key=lambda photo: photo.name))


def _is_photo(path: Path) -> bool:
    try:
        if not path.is_file() or is_evidence(path):  # neither pipes nor broken links
            return False
        if path.suffix.lower() in _PHOTO_SUFFIXES:
            return True
        with open_file(path) as file, refusing_broken_files():
            open_image(file)
    except (OSError, Refusal):
        return path.suffix.lower() in _PHOTO_SUFFIXES
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoSettings:
    """
    What a photo of a tank is read with.

    Parameters
    ----------
    stated : Stated
        What is stated of it.
    settings_id : str
        Changes with whatever may change the numbers of a reading.
    profile_id : str or None
        Hash of the profile.
    """

    stated: Stated
    settings_id: str
    profile_id: str | None

    @property
    def samples(self) -> tuple[KnownSample, ...]:
        """What the profile was made of."""
        return () if self.stated.profile is None else self.stated.profile.samples


class SettingsByPhone:
    """
    The settings for every photo: one for all where a profile is stated, else by the default of its phone.

    Parameters
    ----------
    tank : Tank
        Whose photos they are.
    profile_path : Path or None
        Profile for all of them.
    log_path : Path
        The log that the defaults belong to.
    """

    def __init__(self, tank: Tank, profile_path: Path | None, log_path: Path) -> None:
        self._tank = tank
        self._log_path = log_path
        self._stated = settings_of(tank, profile_path, log_path)
        self._by_phone = profile_path is None and tank.profile is None and has_defaults(log_path)
        self._known: dict[str | None, PhotoSettings] = {}

    def __call__(self, photo: Path) -> PhotoSettings:
        """Return what a photo is read with."""
        if not self._by_phone:
            return self._stated
        model = camera_model_of(photo)
        if model not in self._known:
            self._known[model] = settings_of(self._tank, default_profile(model, self._log_path), self._log_path)
        return self._known[model]


def settings_of(tank: Tank, profile_path: Path | None, log_path: Path) -> PhotoSettings:
    """
    Return what the photos of a tank are read with.

    Parameters
    ----------
    tank : Tank
        Its settings.
    profile_path : Path or None
        Calibration profile; that of the tank where not given.
    log_path : Path
        The log that the tank is in.

    Returns
    -------
    PhotoSettings
        For all photos.

    Raises
    ------
    OSError, ValueError
        If the profile cannot be read.
    """
    path = Path(tank.profile) if profile_path is None and tank.profile is not None else profile_path
    stated = stated_of(tank, Stated(profile=None if path is None else read_named(path, log_path)))
    profile_id = None if path is None else hashlib.sha256(path.read_bytes()).hexdigest()
    # Not the marks: what a reading means is said by those of the day on which it is shown.
    numbers = {name: getattr(stated, name) for name in ("kh_dkh", "temperature_c", "tank_kh_dkh", "light")}
    identity = json.dumps({**numbers, "profile": profile_id, "software": __version__}, sort_keys=True)
    return PhotoSettings(
        stated=stated,
        settings_id=hashlib.sha256(identity.encode("ascii")).hexdigest(),
        profile_id=profile_id,
    )


def stated_of(tank: Tank, given: Stated) -> Stated:
    """
    Complete what is stated of a photo by what its tank tells.

    Parameters
    ----------
    tank : Tank
        Its settings.
    given : Stated
        What is stated of the photo itself, which counts first.

    Returns
    -------
    Stated
        With the marks of the tank.
    """
    # The KH that a tank has for its vial is that of the reference fluid.
    fluid_kh_dkh = tank.kh_dkh if given.fluid == "reference" else None
    return replace(
        given,
        kh_dkh=fluid_kh_dkh if given.kh_dkh is None else given.kh_dkh,
        temperature_c=tank.temperature_c if given.temperature_c is None else given.temperature_c,
        tank_kh_dkh=tank.tank_kh_dkh if given.tank_kh_dkh is None else given.tank_kh_dkh,
        light=tank.light if given.light == "unknown" else given.light,
        marks=tank.judged_by,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """
    What became of one photo.

    Parameters
    ----------
    photo : PhotoFile
        The photo.
    sha256 : str
        Hash of its content; empty where it could not be opened.
    outcome : {'new', 'known', 'same', 'calibration', 'failed'}
        Read or refused now and kept in the log; in the log already, under the same settings; the same picture as an
        earlier one in the same run; one that the profile was made from; or not looked at to the end, which is not
        kept, so that it is tried again next time.
    reading : Reading or None
        The result, a refusal where it failed; None for the same picture as an earlier one.
    same_as : str
        Name of the earlier photo.
    """

    photo: PhotoFile
    sha256: str
    outcome: Outcome
    reading: Reading | None = None
    same_as: str = ""


def score_photos(
    photos: Iterable[PhotoFile], *, log: Log, tank: Tank, profile_path: Path | None = None, jobs: int | None = None
) -> Generator[Scored, None, None]:
    """
    Read photos and keep the results in the log.

    Each result is in the log before it is yielded. What is in the log already is not read again, as long as content
    and settings are the same, or where the fluid was renewed since: its KH and profile are not those of now. The order
    of the photos does not matter: of two files with the same content the first by name counts.

    Parameters
    ----------
    photos : iterable of PhotoFile
        The photos.
    log : Log
        Where the results are kept.
    tank : Tank
        Tank in the log; its settings are used.
    profile_path : Path, optional
        Calibration profile; where not given that of the tank, and where it has none the default of each photo's phone.
    jobs : int, optional
        Most processes at a time; as many as there are processors where not given.

    Yields
    ------
    Scored
        One for each photo, in any order.

    Raises
    ------
    OSError, ValueError
        If the profile cannot be read.
    """
    choose = SettingsByPhone(tank, profile_path, log.path)
    unread: list[_Unread] = []
    names: dict[str, str] = {}  # by hash
    for photo in sorted(photos, key=lambda photo: photo.name):
        try:
            sha256 = _hash_of(photo.path)
        except (OSError, Refusal) as error:
            reason = error.reason if isinstance(error, Refusal) else broke_off(error.strerror or str(error))
            yield Scored(photo=photo, sha256="", outcome="failed", reading=_refused(photo, tank, reason))
            continue
        if sha256 in names:
            yield Scored(photo=photo, sha256=sha256, outcome="same", same_as=names[sha256])
            continue
        names[sha256] = photo.name
        settings = choose(photo.path)
        if any(sha256 == sample.sha256 for sample in settings.samples):
            yield Scored(photo=photo, sha256=sha256, outcome="calibration")
            continue
        entry = log.entry(tank.name, sha256)
        if entry is not None and need_not_be_read(entry, settings, tank):
            reading = replace(judged(entry.reading, tank.judged_by), photo=photo.name)
            yield Scored(photo=photo, sha256=sha256, outcome="known", reading=reading)
        else:
            unread.append(_Unread(photo=photo, sha256=sha256, settings=settings))

    count = min(jobs or processors(), max(len(unread), 1))
    with closing(run_in_workers(_score, unread, count=count)) as results:
        for done in results:
            photo, sha256, settings = done.job.photo, done.job.sha256, done.job.settings
            if done.result is None:
                reading = _refused(photo, tank, broke_off(done.trouble))
                yield Scored(photo=photo, sha256=sha256, outcome="failed", reading=reading)
                continue
            reading, picture = done.result
            log.add(entry_of(reading, picture, sha256=sha256, tank=tank, settings=settings))
            yield Scored(photo=photo, sha256=sha256, outcome="new", reading=reading)


def need_not_be_read(entry: LogEntry, settings: PhotoSettings, tank: Tank) -> bool:
    """
    Return whether a reading in the log stays as it is.

    Parameters
    ----------
    entry : LogEntry
        In the log.
    settings : PhotoSettings
        What its photo would be read with now.
    tank : Tank
        Whose it is.

    Returns
    -------
    bool
        Where the settings are the same, and where the photo shows the fluid that was in the vial before this one.
    """
    renewed, taken_at = tank.fluid_renewed, entry.reading.taken_at
    is_of_other_fluid = renewed is not None and taken_at is not None and wall_clock(taken_at).date() < renewed
    return is_of_other_fluid or entry.settings_id == settings.settings_id


def kept(
    log: Log,
    tank: Tank,
    names: Mapping[str, str],
    *,
    with_earlier: bool = False,
    without: Collection[str] = (),
    with_pictures: bool = False,
    on_damage: Callable[[Damage], None] | None = None,
) -> Iterator[LogEntry]:
    """
    Return what the log holds of some photos.

    Parameters
    ----------
    log : Log
        The log.
    tank : Tank
        Tank in it.
    names : mapping of str to str
        What the photos are called now, by the hash of their content.
    with_earlier : bool, default False
        Whether all other photos of the tank are wanted too, as they were called then.
    without : collection of str, optional
        Hashes of photos that are not wanted.
    with_pictures : bool, default False
        Whether the evidence pictures are wanted.
    on_damage : callable, optional
        Is told of what is damaged and passed over.

    Yields
    ------
    LogEntry
        By the time taken.
    """
    wanted = None if with_earlier else names
    for entry in log.entries(tank.name, sha256s=wanted, with_pictures=with_pictures, on_damage=on_damage):
        if entry.sha256 not in without:
            reading = judged(entry.reading, tank.judged_by)
            yield replace(entry, reading=replace(reading, photo=names.get(entry.sha256, reading.photo)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unread:
    photo: PhotoFile
    sha256: str
    settings: PhotoSettings


def _score(unread: _Unread) -> tuple[Reading, bytes | None]:
    reading, trace = read_photo_traced(unread.photo.path, unread.settings.stated)
    if _hash_of(unread.photo.path) != unread.sha256:  # such as a photo that is still being copied
        raise OSError("the file changed meanwhile")
    return replace(reading, photo=unread.photo.name), small_evidence(reading, trace)


def entry_of(reading: Reading, picture: bytes | None, *, sha256: str, tank: Tank, settings: PhotoSettings) -> LogEntry:
    """
    Return a result as the log keeps it.

    Parameters
    ----------
    reading : Reading
        Read just now.
    picture : bytes or None
        Its small evidence picture.
    sha256 : str
        Of the photo.
    tank : Tank
        Whose it is.
    settings : PhotoSettings
        What it was read with.

    Returns
    -------
    LogEntry
        For `colorread.log.store.Log.add`.
    """
    return LogEntry(
        sha256=sha256,
        tank=tank.name,
        reading=reading,
        scored_at=datetime.now(UTC),
        software=__version__,
        settings_id=settings.settings_id,
        profile_id=settings.profile_id,
        picture=picture,
    )


def _hash_of(path: Path) -> str:
    with open_file(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]  # BinaryIO hides readinto


def broke_off(trouble: str) -> Reason:
    """
    Return why a photo was not looked at to the end.

    Parameters
    ----------
    trouble : str
        As `colorread.workers.Done` tells it.

    Returns
    -------
    Reason
        For a reading without numbers.
    """
    return refusal("broke-off", trouble=clean_name(trouble)).reason


def _refused(photo: PhotoFile, tank: Tank, reason: Reason) -> Reading:
    """Return the reading of a photo that was not looked at to the end."""
    return replace(without_numbers(photo.name, stated_of(tank, Stated())), reason=reason)
