"""What the keeper enters about a photo, and the defaults for the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import numpy as np

from calibration import Profile
from colorread import limits
from colorread.fluid import Rectangle
from colorread.words import USUAL_MARKS, Marks


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoInputs:
    """
    What the keeper enters about a photo.

    Parameters
    ----------
    kh_dkh, temperature_c, fluid, tank_kh_dkh, light, vial_xywh, profile, marks
        As in `colorread.read_photo`.

    Raises
    ------
    ValueError
        If a number lies outside its range, or tank water has no KH.
    """

    kh_dkh: float | None = None
    temperature_c: float | None = None
    fluid: limits.FluidKind = "reference"
    tank_kh_dkh: float | None = None
    light: limits.LightName = "unknown"
    vial_xywh: Rectangle | None = None
    profile: Profile | None = None
    marks: Marks = USUAL_MARKS

    def __post_init__(self) -> None:
        if self.fluid not in get_args(limits.FluidKind):
            raise ValueError(f"fluid must be one of {', '.join(get_args(limits.FluidKind))}, not {self.fluid!r}.")
        if self.light not in get_args(limits.LightName):
            raise ValueError(f"light must be one of {', '.join(get_args(limits.LightName))}, not {self.light!r}.")
        if self.fluid == "tank-water" and self._entered_kh_dkh is None:
            raise ValueError("With tank water in the vial its KH must be given.")
        for name, value, span in (
            ("kh_dkh", self.kh_dkh, limits.KH_RANGE_DKH),
            ("tank_kh_dkh", self.tank_kh_dkh, limits.KH_RANGE_DKH),
            ("temperature_c", self.temperature_c, limits.TEMPERATURE_RANGE_C),
        ):
            if value is not None:
                limits.checked_number(name, value, *span)
        box = self.vial_xywh
        if box is not None and (len(box) != 4 or not np.isfinite(box).all() or min(box[2:]) <= 0.0):
            raise ValueError("The rectangle around the vial needs four numbers, width and height above zero.")

    @property
    def fluid_kh_dkh(self) -> float:
        """KH of the fluid in the vial [dKH]."""
        return limits.USUAL_KH_DKH if self._entered_kh_dkh is None else self._entered_kh_dkh

    @property
    def water_c(self) -> float:
        """Temperature of the water, and so of the vial [degC]."""
        return limits.USUAL_TEMPERATURE_C if self.temperature_c is None else self.temperature_c

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of what was not entered: any of ``"kh"``, ``"temperature"``, ``"light"``."""
        is_missing = {
            "kh": self._entered_kh_dkh is None,
            "temperature": self.temperature_c is None,
            "light": self.light == "unknown",
        }
        return tuple(name for name, missing in is_missing.items() if missing)

    @property
    def _entered_kh_dkh(self) -> float | None:
        return self.tank_kh_dkh if self.fluid == "tank-water" and self.kh_dkh is None else self.kh_dkh
