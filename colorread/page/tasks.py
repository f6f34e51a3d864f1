"""Tasks for the page's processes, built on the same functions as the command line."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from PIL import ExifTags, Image

from calibration import Profile, State, read_profile, signal_family, write_atomic, write_profile
from colorread import photo, profiles, report
from colorread.batch import entry_of, is_up_to_date, settings_by_phone
from colorread.errors import Reason, Refusal, refusal
from colorread.evidence import small_evidence
from colorread.fluid import measure_chart
from colorread.log import Damage, Log, LogEntry, photo_path
from colorread.page.uploads import Upload
from colorread.reading import read_photo_traced
from colorread.tank import GasPlan, Tank, TankSummary, plan_gas, plan_lines, summarize
from colorread.words import bar_svg

_PIXELS_MAX = 80_000_000  # a choice of this project: phones send 12 to 50 megapixels by default
_KEPT_QUALITY = 92
_IN_MAIN_DIRECTORY = (ExifTags.Base.Orientation, ExifTags.Base.Model, ExifTags.Base.DateTime)
END_STATES: Mapping[str, State] = {"acid": "acid", "base": "base"}  # the end of the dye's range, by step


@dataclass(frozen=True, slots=True, kw_only=True)
class TankView:
    """
    The summary of a tank as the page shows it.

    Parameters
    ----------
    summary : TankSummary
        The summary in numbers and words.
    bar : str
        The bar below the CO2 as SVG; empty if the CO2 is not known.
    plan : tuple of str
        The plan for the next days, one line each.
    figures : tuple of str
        SVG for a phone and for a wide window; empty if there is nothing to draw.
    damages : tuple of Damage
        Readings that cannot be read back.
    """

    summary: TankSummary
    bar: str
    plan: tuple[str, ...]
    figures: tuple[str, ...]
    damages: tuple[Damage, ...]


def warm_up() -> None:
    """Load what the first photo needs."""
    for space in ("srgb", "display-p3"):
        signal_family(space)


def score_photo(upload: Upload, tank: Tank, log_path: Path) -> LogEntry | Reason:
    """
    Read a photo with the settings of a tank, unless the log has that reading already.

    Parameters
    ----------
    upload : Upload
        The photo.
    tank : Tank
        Its tank.
    log_path : Path
        Log that the tank and the default profiles belong to.

    Returns
    -------
    LogEntry or Reason
        Read or refused, ready for the log, or as the log has it; a reason if it is not a photo at all.
    """
    try:
        _require_modest(upload.path)
    except Refusal as refused:
        return refused.reason
    try:
        settings = settings_by_phone(tank, None, log_path)(upload.path)
    except (OSError, ValueError) as error:
        # A ValueError is a sentence already.
        trouble = f"{error.strerror or 'unknown reason'}." if isinstance(error, OSError) else error
        return Reason(
            code="profile",
            message=f"The calibration profile of {tank.name} cannot be used: {trouble}",
            next_step="Choose another profile in the settings of the tank, or calibrate again.",
        )
    if upload.sha256 in settings.calibration_photos:
        return refusal("of-profile").reason
    with Log(log_path) as log:
        known = log.entry(tank.name, upload.sha256)
    if known is not None and is_up_to_date(known, settings, tank):
        return known
    reading, trace = read_photo_traced(upload.path, settings.inputs)
    if reading.reason is not None and trace.rgb_u8 is None:  # nothing was decoded
        return reading.reason
    picture = small_evidence(reading, trace)
    named = replace(reading, photo=upload.label)
    return entry_of(named, picture, sha256=upload.sha256, tank=tank, settings=settings)


def view_tank(log_path: Path, name: str) -> TankView:
    """Summarize a tank from the log and draw its week."""
    damages: list[Damage] = []
    with Log(log_path) as log:
        tank = log.tank(name)
        readings = [entry.reading for entry in log.entries(name, on_damage=damages.append)]
        events = log.events(name).values()
    summary = summarize(tank, readings, events)
    return TankView(
        summary=summary,
        bar="" if summary.now is None else bar_svg(summary.now.co2_mg_l, tank.judged_by),
        plan=tuple(plan_lines(summary.plan, None if tank.made_up else date.today())),
        figures=report.week_svgs(summary, readings),
        damages=tuple(damages),
    )


def report_of(log_path: Path, summary: TankSummary) -> str:
    """Return the report of a tank."""
    with Log(log_path) as log:
        return report.report_html(summary, log.entries(summary.tank.name, with_pictures=True))


def plan_gas_of(
    log_path: Path, tank: Tank, logged: Tank | None, days: float | None, target_mg_l: float | None
) -> GasPlan:
    """
    Plan a charge of gas.

    Parameters
    ----------
    log_path : Path
        The log.
    tank : Tank
        The tank to plan for.
    logged : Tank or None
        The same tank in the log, if it is there; then its own readings count.
    days, target_mg_l : float or None
        As in `colorread.tank.plan_gas`.

    Returns
    -------
    GasPlan
        The plan.

    Raises
    ------
    ValueError
        If there is none; one sentence.
    """
    readings, events = [], []
    if logged is not None:
        with Log(log_path) as log:
            readings = [entry.reading for entry in log.entries(logged.name)]
            events = list(log.events(logged.name).values())
    return plan_gas(tank, readings, events, logged=logged, days=days, target_mg_l=target_mg_l)


def keep_photo(original: Path, log_path: Path, tank: str, sha256: str) -> Path | None:
    """
    Save a photo with its time, its camera model and its colors, without any other metadata.

    Parameters
    ----------
    original : Path
        Photo as it came, on the same disk as the log.
    log_path : Path
        The log.
    tank : str
        Name of its tank.
    sha256 : str
        Hash of the photo as it came.

    Returns
    -------
    Path or None
        The file; None if its reading is no longer in the log.

    Raises
    ------
    LogFailure, OSError
        If it cannot be saved.
    colorread.errors.Refusal
        If it is not a photo.
    """
    path = photo_path(log_path, sha256)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    ready = original.with_name("kept.jpg")
    write_atomic(ready, _stripped(original), mode=0o600)
    was = original.stat()  # the file's time is used if the photo holds none
    with suppress(OSError):  # some drives do not let anybody set it
        os.utime(ready, ns=(was.st_atime_ns, was.st_mtime_ns))
    with Log(log_path) as log, log.transaction():  # so that nobody deletes the reading in between
        if log.entry(tank, sha256) is None:
            ready.unlink()
            return None
        ready.replace(path)
    return path


def _stripped(original: Path) -> bytes:
    """Return a photo as JPEG, without location, serial numbers, comments, previews and trailing data."""
    with photo.open_file(original) as file, photo.refusing_broken_files():
        image = photo.open_image(file)
        pixels = photo.decoded(image)
        found = photo.read_exif(image)  # all that is needed to read the photo again
        kept = Image.Exif()
        times = kept.get_ifd(ExifTags.IFD.Exif)
        for tag, value in found.items():
            (kept if tag in _IN_MAIN_DIRECTORY else times)[tag] = value
        target = io.BytesIO()
        icc = photo.icc_profile_of(image.info)
        pixels.info = {}  # comments and descriptions
        pixels.save(target, "JPEG", quality=_KEPT_QUALITY, exif=kept.tobytes(), icc_profile=icc)
    return target.getvalue()


def check_photo(path: Path, kind: profiles.Kind, step: str, n_patches: int | None) -> Reason | None:
    """
    Check a calibration photo as soon as it is taken.

    Parameters
    ----------
    path : Path
        The upload.
    kind : {'ends', 'air', 'chart'}
        Kind of calibration.
    step : str
        Key of the step that it belongs to.
    n_patches : int or None
        Number of patches of a kit's chart.

    Returns
    -------
    Reason or None
        Why it cannot be used; None if it can.
    """
    try:
        _require_modest(path)
        if kind == "chart":
            measure_chart(path, n_patches)
        elif step in END_STATES:
            profiles.measure_known_fluid(profiles.end_photo(path, END_STATES[step]))
        else:
            profiles.measure_clear_fluid(path, "known")
    except (Refusal, profiles.PhotoRefused) as refused:
        return refused.reason
    return None


def calibrate(make: Callable[..., Profile], earlier: str | None, target: Path) -> tuple[str, ...] | dict[str, Reason]:
    """
    Make a profile from calibration photos and write it.

    Parameters
    ----------
    make : callable
        Makes the profile from photos named after their steps; its `base` is the one to add to, or None.
    earlier : str or None
        Path of the profile to add to.
    target : Path
        File to write.

    Returns
    -------
    tuple of str, or dict of str to Reason
        The profile in words, or why a photo cannot be used, by its step.

    Raises
    ------
    OSError, ValueError
        If the photos do not belong together, or the profile cannot be written.
    """
    try:
        base = None if earlier is None else read_profile(earlier)
    except (OSError, ValueError):
        raise ValueError("The tank's profile cannot be read, so nothing can be added to it; untick that box.") from None
    try:
        profile = make(base=base)
    except profiles.PhotoRefused as refused:
        return {Path(refused.path).name: refused.reason}
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_profile(profile, target)
    return tuple(profiles.profile_lines(profile))


def _require_modest(path: Path) -> None:
    """Refuse a photo that would take much memory to decode, going by its header."""
    with photo.open_file(path) as file, photo.refusing_broken_files():
        width, height = photo.open_image(file).size
    if width * height > _PIXELS_MAX:
        raise refusal("too-large/page", megapixels=width * height / 1e6, most=_PIXELS_MAX // 1_000_000)
