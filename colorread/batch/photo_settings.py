"""What the photos of a tank are read with: its settings, and the profile that is stated or the default of the phone."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.profile import KnownSample, Profile
from colorread import __version__
from colorread.photo.exif import camera_model_of
from colorread.profile.defaults import default_profile, default_profiles, has_defaults, read_named
from colorread.tank.settings import Tank

DEFAULT_TANK = "unnamed"
"""Name of the tank that photos belong to where nobody named one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoSettings:
    """
    What a photo of a tank is read with.

    Parameters
    ----------
    arguments : dict
        Of `colorread.pipeline.read_photo`.
    settings_id : str
        Changes with whatever may change the numbers of a reading.
    profile_id : str or None
        Hash of the profile.
    """

    arguments: dict[str, Any]
    settings_id: str
    profile_id: str | None

    @property
    def samples(self) -> tuple[KnownSample, ...]:
        """What the profile was made of."""
        profile: Profile | None = self.arguments["profile"]
        return () if profile is None else profile.samples


class SettingsByPhone:
    """
    The settings for every photo: one for all where a profile is stated, else by the default of its phone.

    Parameters
    ----------
    tank : Tank
        Whose photos they are.
    profile_path : Path or None
        Profile for all of them.
    """

    def __init__(self, tank: Tank, profile_path: Path | None) -> None:
        self._tank = tank
        self._stated = settings_of(tank, profile_path)
        self._by_phone = profile_path is None and tank.profile is None and has_defaults()
        self._known: dict[str | None, PhotoSettings] = {}

    def __call__(self, photo: Path) -> PhotoSettings:
        """Return what a photo is read with."""
        if not self._by_phone:
            return self._stated
        model = camera_model_of(photo)
        if model not in self._known:
            self._known[model] = settings_of(self._tank, default_profile(model))
        return self._known[model]


def settings_of(tank: Tank, profile_path: Path | None) -> PhotoSettings:
    """
    Return what the photos of a tank are read with.

    Parameters
    ----------
    tank : Tank
        Its settings.
    profile_path : Path or None
        Calibration profile; that of the tank where not given.

    Returns
    -------
    PhotoSettings
        For all photos.

    Raises
    ------
    OSError, ValueError
        If the profile cannot be read.
    """
    stated = stated_of(tank)
    path = Path(tank.profile) if profile_path is None and tank.profile is not None else profile_path
    profile = None if path is None else read_named(path)
    profile_id = None if path is None else hashlib.sha256(path.read_bytes()).hexdigest()
    # Not the marks: what a reading means is said by those of the day on which it is shown.
    identity = json.dumps({**stated, "profile": profile_id, "software": __version__}, sort_keys=True)
    return PhotoSettings(
        arguments={**stated, "marks": tank.judged_by, "profile": profile},
        settings_id=hashlib.sha256(identity.encode("ascii")).hexdigest(),
        profile_id=profile_id,
    )


def are_current(settings_id: str, tank: Tank) -> bool:
    """
    Return whether photos of a tank are read with these settings now.

    Parameters
    ----------
    settings_id : str
        Of `PhotoSettings`.
    tank : Tank
        As it is now.

    Returns
    -------
    bool
        Also where they are those for another phone: which one took a photo is not asked.
    """
    defaults = () if tank.profile is not None else default_profiles()
    try:
        return any(settings_of(tank, path).settings_id == settings_id for path in (None, *defaults))
    except (OSError, ValueError):  # the profile is lost
        return False


def stated_of(tank: Tank) -> dict[str, Any]:
    """
    Return what the keeper of a tank said of its photos.

    Parameters
    ----------
    tank : Tank
        Its settings.

    Returns
    -------
    dict
        Arguments of `colorread.interpretation.checked_settings`, apart from the fluid and the marks.
    """
    return {
        "kh_dkh": tank.kh_dkh,
        "temperature_c": tank.temperature_c,
        "tank_kh_dkh": tank.tank_kh_dkh,
        "light": tank.light,
    }
