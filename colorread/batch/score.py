"""Many photos at once: found in a folder, read in several processes, kept in the log as soon as each is read."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from colorread import __version__
from colorread.batch.folder import PhotoFile
from colorread.batch.photo_settings import PhotoSettings, SettingsByPhone, stated_of
from colorread.errors import Reason, Refusal
from colorread.evidence import small_evidence
from colorread.log import Damage, Log, LogEntry
from colorread.photo import open_file
from colorread.reading import Stated, read_photo_traced, without_numbers
from colorread.result import Reading
from colorread.tank import Tank, wall_clock
from colorread.words import clean_name, judged
from colorread.workers import processors, run_in_workers

Outcome = Literal["new", "known", "same", "calibration", "failed"]


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
        digest = hashlib.sha256()
        while part := file.read(1 << 20):
            digest.update(part)
        return digest.hexdigest()


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
    return Reason(
        code="broke-off",
        message=f"Reading it broke off ({clean_name(trouble)}).",
        next_step="Run it again. If it fails again, use --jobs 1 or leave this photo out.",
    )


def _refused(photo: PhotoFile, tank: Tank, reason: Reason) -> Reading:
    """Return the reading of a photo that was not looked at to the end."""
    return replace(without_numbers(photo.name, stated_of(tank, Stated())), reason=reason)
