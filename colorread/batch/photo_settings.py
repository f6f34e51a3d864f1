"""What the photos of a tank are read with: its settings, and the profile that is stated or the default of the phone."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path

from calibration import KnownSample
from colorread import __version__
from colorread.photo import camera_model_of
from colorread.profiles import default_profile, has_defaults, read_named
from colorread.reading import Stated
from colorread.tank import Tank

DEFAULT_TANK = "unnamed"
"""Name of the tank that photos belong to where nobody named one."""


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
