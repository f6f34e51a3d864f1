"""The work on photos and tanks that the processes of the pool do, by the same functions as the command line."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from colorread import __version__
from colorread.batch import SettingsByPhone, entry_of, need_not_be_read
from colorread.errors import Reason, Refusal
from colorread.evidence import small_evidence
from colorread.log import Damage, Log, LogEntry
from colorread.photo import open_file, open_image, refusing_broken_files
from colorread.reading import read_photo_traced
from colorread.tank import GasPlan, Tank, TankSummary, plan_gas, summarize

_PIXELS_MAX = 80_000_000  # a choice of this project: what phones send by themselves has 12 to 50 megapixels
_OF_PROFILE = Reason(
    code="of-profile",
    message="This photo was used for the profile, so it does not count for the tank.",
    next_step="Take a new photo.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TankView:
    """
    What days of readings tell, as the page shows it.

    Parameters
    ----------
    summary : TankSummary
        In numbers and words.
    figures : tuple of str
        SVG for a phone and for a wide window; empty where there is nothing to draw.
    damages : tuple of Damage
        Readings that cannot be read back.
    """

    summary: TankSummary
    figures: tuple[str, ...]
    damages: tuple[Damage, ...]


def warm_up() -> None:
    """Load what the first photo needs."""
    from calibration import signal_family

    for space in ("srgb", "display-p3"):
        signal_family(space)


def score_photo(
    path: Path, label: str, sha256: str, tank: Tank, known: LogEntry | None, log_path: Path
) -> LogEntry | Reason:
    """
    Read a photo with the settings of a tank.

    Parameters
    ----------
    path : Path
        The upload.
    label : str
        What people call it.
    sha256 : str
        Of its content.
    tank : Tank
        Whose settings apply.
    known : LogEntry or None
        What the log holds of it.
    log_path : Path
        The log that tank and default profiles belong to.

    Returns
    -------
    LogEntry or Reason
        Read or refused, ready for the log, or what the log holds where that stays; a reason where it is no photo at
        all.
    """
    try:
        require_modest(path)
    except Refusal as refusal:
        return refusal.reason
    try:
        settings = SettingsByPhone(tank, None, log_path)(path)
    except (OSError, ValueError) as error:
        return Reason(
            code="profile",
            message=f"The calibration profile of {tank.name} cannot be used: {error}",
            next_step="Choose another profile in the settings of the tank, or calibrate again.",
        )
    if any(sha256 == sample.sha256 for sample in settings.samples):
        return _OF_PROFILE
    if known is not None and need_not_be_read(known, settings, tank):
        return known
    reading, trace = read_photo_traced(path, settings.stated)
    if reading.reason is not None and trace.rgb_u8 is None:  # nothing was decoded
        return reading.reason
    picture = small_evidence(reading, trace)
    return entry_of(replace(reading, photo=label), picture, sha256=sha256, tank=tank, settings=settings)


def view_tank(log_path: Path, name: str) -> TankView:
    """
    Summarize a tank from the log and draw its week.

    Parameters
    ----------
    log_path : Path
        The log.
    name : str
        Of the tank.

    Returns
    -------
    TankView
        For the page.
    """
    from colorread.report import week_svgs

    with Log(log_path) as log:
        tank = log.tank(name)
        damages: list[Damage] = []
        readings = [entry.reading for entry in log.entries(name, on_damage=damages.append)]
        events = log.events(name).values()
    summary = summarize(tank, readings, events)
    return TankView(summary=summary, figures=week_svgs(summary, readings), damages=tuple(damages))


def plan_gas_of(
    log_path: Path, tank: Tank, logged: str | None, days: float | None, target_mg_l: float | None
) -> GasPlan | str:
    """
    Plan a charge of gas.

    Parameters
    ----------
    log_path : Path
        The log.
    tank : Tank
        As it is to be.
    logged : str or None
        Its name in the log, where its days are; None where it is not there.
    days, target_mg_l : float or None
        As `colorread.tank.gas_plan.plan_gas` takes them.

    Returns
    -------
    GasPlan or str
        The plan, or a sentence why there is none.
    """
    readings, events, as_logged = [], [], tank
    if logged is not None:
        with Log(log_path) as log:
            as_logged = log.tank(logged)
            readings = [entry.reading for entry in log.entries(logged)]
            events = list(log.events(logged).values())
    try:
        return plan_gas(tank, readings, events, logged=as_logged, days=days, target_mg_l=target_mg_l)
    except ValueError as error:
        return str(error)


def version_of(tank: Tank, scored_at: Mapping[str, datetime], notes: Iterable[str], now: datetime) -> str:
    """Return what changes whenever the view of a tank would, which tells how old the readings are and what is next."""
    hour = now.replace(minute=0, second=0, microsecond=0)
    return hashlib.sha256(repr((tank, sorted(scored_at.items()), [*notes], hour, __version__)).encode()).hexdigest()


def require_modest(path: Path) -> None:
    """
    Refuse by its header what would take much memory to decode.

    Parameters
    ----------
    path : Path
        The upload.

    Raises
    ------
    colorread.errors.Refusal
        If it has too many pixels, or is no photo.
    """
    with open_file(path) as file, refusing_broken_files():
        width, height = open_image(file).size
    if width * height > _PIXELS_MAX:
        raise Refusal(
            "too-large",
            f"The photo has {width * height / 1e6:.0f} megapixels; the limit is {_PIXELS_MAX // 1_000_000}.",
            "Set the camera to fewer megapixels: 12 are plenty.",
        )
