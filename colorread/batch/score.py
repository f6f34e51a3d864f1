"""Many photos at once: found in a folder, read in several processes, saved in the log, and written as a table."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal

from calibration import Profile
from colorread import __version__
from colorread.errors import Reason, Refusal, refusal
from colorread.evidence import is_evidence, small_evidence
from colorread.log import Damage, Log, LogEntry
from colorread.photo import camera_model_of, open_file, open_image, refusing_broken_files
from colorread.profiles import default_profile, has_defaults, read_named
from colorread.reading import PhotoInputs, blank_reading, read_photo_traced
from colorread.records import plain, toml_beside
from colorread.result import Interval, Reading
from colorread.tank import PhotoPoint, Tank, tank_co2_lookup, wall_clock
from colorread.words import clean_name, judged
from colorread.workers import processors, run_in_workers

DEFAULT_TANK = "unnamed"
"""Name of the tank that photos belong to if none is given."""
_PHOTO_SUFFIXES = frozenset((".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"))
COLUMNS = toml_beside(__file__, "columns.toml")
"""Columns of the table by heading."""
# Spreadsheets run a cell that starts with one of these as a formula, some after skipping white space.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFile:
    """
    A photo to be read.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Its name in the log: the path within the folder, with slashes.
    """

    path: Path
    name: str


def find_photos(folder: Path, *, on_error: Callable[[OSError], None] | None = None) -> tuple[PhotoFile, ...]:
    """
    Find the photos in a folder and its subfolders.

    A photo is a file with the suffix of one, or with a picture in a known format. Hidden files and folders and the
    evidence pictures that this program draws are skipped.

    Parameters
    ----------
    folder : Path
        Folder to search.
    on_error : callable, optional
        Called with the error for each folder that cannot be opened.

    Returns
    -------
    tuple of PhotoFile
        Sorted by name.
    """
    paths: list[Path] = []
    for parent, folders, files in os.walk(folder, onerror=on_error):
        folders[:] = [name for name in folders if not name.startswith(".")]
        paths += [Path(parent, name) for name in files if not name.startswith(".")]
    found = (PhotoFile(path=path, name=clean_name(path.relative_to(folder).as_posix())) for path in paths)
    return tuple(sorted((photo for photo in found if _is_photo(photo.path)), key=lambda photo: photo.name))


def _is_photo(path: Path) -> bool:
    is_named_so = path.suffix.lower() in _PHOTO_SUFFIXES
    try:
        if not path.is_file() or is_evidence(path):  # neither pipes nor broken links
            return False
        if not is_named_so:
            with open_file(path) as file, refusing_broken_files():
                open_image(file)
    except (OSError, Refusal):
        return is_named_so
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoSettings:
    """
    What a photo of a tank is read with.

    Parameters
    ----------
    inputs : PhotoInputs
        Inputs of the reading.
    settings_id : str
        Hash of everything that may change the numbers of a reading.
    profile_id : str or None
        Hash of the profile.
    """

    inputs: PhotoInputs
    settings_id: str
    profile_id: str | None

    @property
    def calibration_photos(self) -> frozenset[str]:
        """Hashes of the photos that the profile was made from."""
        profile = self.inputs.profile
        return frozenset(() if profile is None else (sample.sha256 for sample in profile.samples))


def settings_by_phone(tank: Tank, profile_path: Path | None, log_path: Path) -> Callable[[Path], PhotoSettings]:
    """
    Return a function that chooses the settings for a photo.

    They are the same for all photos if a profile is given or the tank has one. Otherwise the profile is the default of
    the phone that took the photo.

    Parameters
    ----------
    tank : Tank
        Tank that the photos belong to.
    profile_path : Path or None
        Profile for all photos, if given.
    log_path : Path
        Log that the default profiles belong to.

    Returns
    -------
    callable
        Takes the path of a photo.

    Raises
    ------
    OSError, ValueError
        If the profile cannot be read; the function may raise them too.
    """
    same_for_all = settings_of(tank, profile_path, log_path)
    if profile_path is not None or tank.profile is not None or not has_defaults(log_path):
        return lambda photo: same_for_all

    @cache
    def of_phone(camera_model: str | None) -> PhotoSettings:
        return settings_of(tank, default_profile(camera_model, log_path), log_path)

    return lambda photo: of_phone(camera_model_of(photo))


def settings_of(tank: Tank, profile_path: Path | None, log_path: Path) -> PhotoSettings:
    """
    Return the settings for photos of a tank.

    Parameters
    ----------
    tank : Tank
        Tank that the photos belong to.
    profile_path : Path or None
        Calibration profile; that of the tank if not given.
    log_path : Path
        Log that the tank is in.

    Returns
    -------
    PhotoSettings
        The same for all photos.

    Raises
    ------
    OSError, ValueError
        If the profile cannot be read.
    """
    path = Path(tank.profile) if profile_path is None and tank.profile is not None else profile_path
    inputs = inputs_of(tank, None if path is None else read_named(path, log_path))
    profile_id = None if path is None else hashlib.sha256(path.read_bytes()).hexdigest()
    # The limits are left out: a reading is judged by those in use when it is shown.
    numbers = {name: getattr(inputs, name) for name in ("kh_dkh", "temperature_c", "tank_kh_dkh", "light")}
    identity = json.dumps({**numbers, "profile": profile_id, "software": __version__}, sort_keys=True)
    settings_id = hashlib.sha256(identity.encode("ascii")).hexdigest()
    return PhotoSettings(inputs=inputs, settings_id=settings_id, profile_id=profile_id)


def inputs_of(tank: Tank, profile: Profile | None = None) -> PhotoInputs:
    """
    Return the inputs for photos of a tank, which show the reference fluid.

    Parameters
    ----------
    tank : Tank
        Tank that the photos belong to.
    profile : Profile, optional
        Calibration profile.

    Returns
    -------
    PhotoInputs
        With the limits of the tank.
    """
    return PhotoInputs(
        kh_dkh=tank.kh_dkh,
        temperature_c=tank.temperature_c,
        tank_kh_dkh=tank.tank_kh_dkh,
        light=tank.light,
        profile=profile,
        marks=tank.judged_by,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """
    Outcome for one photo.

    Parameters
    ----------
    photo : PhotoFile
        The photo.
    sha256 : str
        Hash of its content; empty if it could not be opened.
    outcome : {'new', 'known', 'same', 'calibration', 'failed'}
        In this order: read or refused now, and saved in the log; already in the log; a copy of an earlier photo in this
        run; a photo that the profile was made from; not read to the end, so not saved, and tried again by the next run.
    reading : Reading or None
        The result, a refusal if it failed; None for a copy and for a photo of the profile.
    same_as : str
        Name of the photo that it is a copy of.
    """

    photo: PhotoFile
    sha256: str
    outcome: Literal["new", "known", "same", "calibration", "failed"]
    reading: Reading | None = None
    same_as: str = ""


def score_photos(
    photos: Iterable[PhotoFile], *, log: Log, tank: Tank, profile_path: Path | None = None, jobs: int | None = None
) -> Generator[Scored, None, None]:
    """
    Read photos and save the readings in the log.

    Each reading is in the log before it is yielded. A photo in the log is not read again if `is_up_to_date` says
    so. The order of the photos does not matter: of files with the same content, the first by name counts.

    Parameters
    ----------
    photos : iterable of PhotoFile
        Photos to read.
    log : Log
        Log to save the readings in.
    tank : Tank
        Tank in the log that the photos belong to.
    profile_path : Path, optional
        Calibration profile; default: that of the tank, or else the default of each photo's phone.
    jobs : int, optional
        Number of processes; default: one per processor.

    Yields
    ------
    Scored
        One per photo, in any order.

    Raises
    ------
    OSError, ValueError
        If the profile cannot be read.
    """
    settings_for = settings_by_phone(tank, profile_path, log.path)
    unread: list[_Unread] = []
    names: dict[str, str] = {}  # by hash
    for photo in sorted(photos, key=lambda photo: photo.name):
        try:
            sha256 = _hash_of(photo.path)
        except (OSError, Refusal) as error:
            reason = error.reason if isinstance(error, Refusal) else broke_off(error.strerror or str(error))
            reading = replace(blank_reading(photo.name, inputs_of(tank)), reason=reason)
            yield Scored(photo=photo, sha256="", outcome="failed", reading=reading)
            continue
        if sha256 in names:
            yield Scored(photo=photo, sha256=sha256, outcome="same", same_as=names[sha256])
            continue
        names[sha256] = photo.name
        settings = settings_for(photo.path)
        if sha256 in settings.calibration_photos:
            yield Scored(photo=photo, sha256=sha256, outcome="calibration")
            continue
        entry = log.entry(tank.name, sha256)
        if entry is not None and is_up_to_date(entry, settings, tank):
            reading = replace(judged(entry.reading, tank.judged_by), photo=photo.name)
            yield Scored(photo=photo, sha256=sha256, outcome="known", reading=reading)
        else:
            unread.append(_Unread(photo=photo, sha256=sha256, settings=settings))

    count = min(jobs or processors(), max(len(unread), 1))
    with closing(run_in_workers(_score, unread, count=count)) as results:
        for done in results:
            photo, sha256, settings = done.job.photo, done.job.sha256, done.job.settings
            if done.result is None:
                reading = replace(blank_reading(photo.name, settings.inputs), reason=broke_off(done.trouble))
                yield Scored(photo=photo, sha256=sha256, outcome="failed", reading=reading)
                continue
            reading, picture = done.result
            log.add(entry_of(reading, picture, sha256=sha256, tank=tank, settings=settings))
            yield Scored(photo=photo, sha256=sha256, outcome="new", reading=reading)


def is_up_to_date(entry: LogEntry, settings: PhotoSettings, tank: Tank) -> bool:
    """
    Return whether a reading in the log stays as it is.

    Parameters
    ----------
    entry : LogEntry
        Reading in the log.
    settings : PhotoSettings
        Current settings for its photo.
    tank : Tank
        Tank that the photo belongs to.

    Returns
    -------
    bool
        True if the settings are the same, or if the fluid was renewed after the photo was taken: the current KH and
        profile are not those of the earlier fluid.
    """
    renewed, taken_at = tank.fluid_renewed, entry.reading.taken_at
    is_of_earlier_fluid = renewed is not None and taken_at is not None and wall_clock(taken_at).date() < renewed
    return is_of_earlier_fluid or entry.settings_id == settings.settings_id


def logged_entries(
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
    Yield the readings of some photos from the log, judged by the current limits of their tank.

    Parameters
    ----------
    log : Log
        Log to look in.
    tank : Tank
        Tank in the log.
    names : mapping of str to str
        Current names of the photos by the hash of their content.
    with_earlier : bool, default False
        Whether to include all other photos of the tank, under the names in the log.
    without : collection of str, optional
        Hashes of photos to leave out.
    with_pictures : bool, default False
        Whether to load the evidence pictures.
    on_damage : callable, optional
        Called for each reading that is damaged and skipped.

    Yields
    ------
    LogEntry
        In the order in which the photos were taken.
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
    reading, trace = read_photo_traced(unread.photo.path, unread.settings.inputs)
    if _hash_of(unread.photo.path) != unread.sha256:  # such as a photo that is still being copied
        raise OSError("the file changed while it was read")
    return replace(reading, photo=unread.photo.name), small_evidence(reading, trace)


def entry_of(reading: Reading, picture: bytes | None, *, sha256: str, tank: Tank, settings: PhotoSettings) -> LogEntry:
    """
    Return a new reading as an entry of the log.

    Parameters
    ----------
    reading : Reading
        The new reading.
    picture : bytes or None
        Its small evidence picture.
    sha256 : str
        Hash of the photo.
    tank : Tank
        Tank that the photo belongs to.
    settings : PhotoSettings
        What the photo was read with.

    Returns
    -------
    LogEntry
        Entry to add to the log.
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
    Return the reason for refusing a photo that was not read to the end.

    Parameters
    ----------
    trouble : str
        What went wrong, in a few words, such as `colorread.workers.Done.trouble`.

    Returns
    -------
    Reason
        With what to do next.
    """
    return refusal("broke-off", trouble=clean_name(trouble)).reason


def csv_bytes(readings: Iterable[Reading], tank_co2: Iterable[PhotoPoint] = ()) -> bytes:
    """
    Return readings as CSV.

    The encoding is UTF-8 with a byte order mark, for spreadsheets. Times are ISO 8601, with offset if the photo has
    one. Unknown numbers are empty. Text that a spreadsheet would run as a formula, as in a crafted file name, gets a
    leading apostrophe.

    Parameters
    ----------
    readings : iterable of Reading
        One per row, refused ones included.
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
