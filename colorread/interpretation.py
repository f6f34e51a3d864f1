"""From the posterior of the pH to a reading: CO2, limits, what a tank probe should show, and the verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from calibration.inversion import PhPosterior
from colorread.carbonate import co2_from_ph, co2_rule_of_thumb, ph_from_co2
from colorread.fluid import dye_ph_std
from colorread.limits import KH_RANGE_DKH, TEMPERATURE_RANGE_C, USUAL_KH_DKH, USUAL_TEMPERATURE_C
from colorread.ranges import checked_number
from colorread.reading import (
    BUDGET_ACIDS,
    BUDGET_KH,
    NORMAL_95,
    FluidKind,
    Interval,
    LightName,
    Limit,
    Reading,
    Reason,
)
from colorread.verdict import USUAL_MARKS, Marks, judge

# Before looking, the CO2 of a tank with gas is taken as equally likely between these, as pH; outside it falls off.
# From a third of the customary lower mark to twice the upper one: assumption.
_USUAL_CO2_MG_L = (5.0, 60.0)
# Uncertainty of the KH of a mixed fluid and of the temperature, as pH: 5 % in KH are 0.02 (see colorread.fluid). What
# the dye itself does to the KH comes to it.
_KH_STD_PH = 0.02
_OTHER_ACIDS_STD_PH = 0.1  # tank water in the vial: humic acids and phosphate buffer too; assumption
_LITTLE_DYE_LOAD = 0.15  # below, the color is faint: assumption


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the user said of one photo, checked; the names of what was not said are in `assumed`."""

    kh_dkh: float
    temperature_c: float
    fluid: FluidKind
    tank_kh_dkh: float | None
    light: LightName
    assumed: tuple[str, ...]
    marks: Marks


def checked_settings(
    kh_dkh: float | None,
    temperature_c: float | None,
    fluid: FluidKind,
    tank_kh_dkh: float | None,
    light: LightName,
    marks: Marks = USUAL_MARKS,
) -> Settings:
    """
    Check the settings and fill in the defaults.

    Parameters
    ----------
    kh_dkh, tank_kh_dkh : float or None
        KH of the fluid and of the tank [dKH].
    temperature_c : float or None
        Temperature [degC].
    fluid : {'reference', 'tank-water'}
        What the vial holds.
    light : str
        Lamp class.
    marks : Marks
        What the CO2 is judged by.

    Returns
    -------
    Settings
        Complete.

    Raises
    ------
    ValueError
        If a number lies outside its range, or tank water comes without a KH.
    """
    if fluid == "tank-water" and kh_dkh is None:
        if tank_kh_dkh is None:
            raise ValueError("With tank water in the vial its KH must be given.")
        kh_dkh = tank_kh_dkh
    if fluid not in get_args(FluidKind):
        raise ValueError(f"fluid must be one of {', '.join(get_args(FluidKind))}, not {fluid!r}.")
    if light not in get_args(LightName):
        raise ValueError(f"light must be one of {', '.join(get_args(LightName))}, not {light!r}.")
    ranges = {"kh_dkh": KH_RANGE_DKH, "tank_kh_dkh": KH_RANGE_DKH, "temperature_c": TEMPERATURE_RANGE_C}
    given = {"kh_dkh": kh_dkh, "tank_kh_dkh": tank_kh_dkh, "temperature_c": temperature_c}
    for name, value in given.items():
        if value is not None:
            checked_number(name, value, *ranges[name])
    stated = {"kh": kh_dkh, "temperature": temperature_c, "light": None if light == "unknown" else light}
    return Settings(
        kh_dkh=USUAL_KH_DKH if kh_dkh is None else kh_dkh,
        temperature_c=USUAL_TEMPERATURE_C if temperature_c is None else temperature_c,
        fluid=fluid,
        tank_kh_dkh=tank_kh_dkh,
        light=light,
        assumed=tuple(name for name, value in stated.items() if value is None),
        marks=marks,
    )


def without_numbers(photo: str, settings: Settings, reason: Reason | None) -> Reading:
    """
    Return a reading that has no numbers, or none yet.

    Parameters
    ----------
    photo : str
        Path or name of the photo.
    settings : Settings
        What was said of it.
    reason : Reason or None
        Why it is refused.

    Returns
    -------
    Reading
        With status ``refused``, nothing seen.
    """
    return Reading(
        photo=photo,
        status="refused",
        taken_at=None,
        time_source="unknown",
        ph=None,
        co2_mg_l=None,
        limit=None,
        kh_dkh=settings.kh_dkh,
        temperature_c=settings.temperature_c,
        fluid=settings.fluid,
        light=settings.light,
        assumed=settings.assumed,
        geometry=None,
        co2_rule_of_thumb_mg_l=None,
        tank_ph=None,
        tank_kh_dkh=settings.tank_kh_dkh,
        verdict=None,
        flags=(),
        reason=reason,
        card_corners_px=None,
        vial_outline_px=None,
        budget={},
    )


def usual_ph_range(settings: Settings) -> tuple[float, float]:
    """
    Return the pH between which a vial is expected before looking.

    Parameters
    ----------
    settings : Settings
        KH and temperature.

    Returns
    -------
    tuple of float
        Low and high end [-].
    """
    low, high = (
        float(ph_from_co2(co2, settings.kh_dkh, temperature_c=settings.temperature_c))
        for co2 in reversed(_USUAL_CO2_MG_L)
    )
    return low, high


def with_numbers(reading: Reading, posterior: PhPosterior, settings: Settings) -> Reading:
    """
    Complete a reading by what is believed of the pH.

    Parameters
    ----------
    reading : Reading
        So far without numbers.
    posterior : PhPosterior
        What is believed of the pH; at most one end is open.
    settings : Settings
        KH, temperature, fluid.

    Returns
    -------
    Reading
        With status ``read``.
    """
    extra_std = {BUDGET_KH: float(np.hypot(_KH_STD_PH, dye_ph_std(settings.kh_dkh)))}
    flags = list(reading.flags)
    if posterior.load < _LITTLE_DYE_LOAD:
        flags.append("little-dye")
    if settings.fluid == "tank-water":
        flags.append("tank-water")
        extra_std[BUDGET_ACIDS] = _OTHER_ACIDS_STD_PH
    limit: Limit | None = "below" if posterior.open_below else "above" if posterior.open_above else None
    if limit is not None:
        flags.append("near-dye-limit")
    ph = Interval(value=posterior.median, low=posterior.low, high=posterior.high)
    co2_mg_l = _co2(ph, float(np.linalg.norm(list(extra_std.values()))), settings)
    if limit == "below":
        ph = Interval(value=None, low=None, high=ph.high)
        co2_mg_l = Interval(value=None, low=co2_mg_l.low, high=None)
    elif limit == "above":
        ph = Interval(value=None, low=ph.low, high=None)
        co2_mg_l = Interval(value=None, low=None, high=co2_mg_l.high)
    return replace(
        reading,
        status="read",
        ph=ph,
        co2_mg_l=co2_mg_l,
        limit=limit,
        geometry="front",
        co2_rule_of_thumb_mg_l=None if limit else float(co2_rule_of_thumb(posterior.median, settings.kh_dkh)),
        tank_ph=_tank_ph(co2_mg_l, settings),
        verdict=judge(co2_mg_l, settings.marks),
        flags=tuple(dict.fromkeys(flags)),
        budget={**posterior.budget, **extra_std},
    )


def _co2(ph: Interval, extra_std_ph: float, settings: Settings) -> Interval:
    assert ph.value is not None
    assert ph.low is not None
    assert ph.high is not None
    extra = NORMAL_95 * extra_std_ph
    acid_end = ph.value - float(np.hypot(ph.value - ph.low, extra))
    base_end = ph.value + float(np.hypot(ph.high - ph.value, extra))
    low, value, high = (
        float(co2_from_ph(end, settings.kh_dkh, temperature_c=settings.temperature_c))
        for end in (base_end, ph.value, acid_end)
    )
    return Interval(value=value, low=low, high=high)


def _tank_ph(co2_mg_l: Interval, settings: Settings) -> Interval | None:
    if settings.tank_kh_dkh is None:
        return None
    kh = settings.tank_kh_dkh

    def ph(co2: float | None) -> float | None:
        return None if co2 is None else float(ph_from_co2(co2, kh, temperature_c=settings.temperature_c))

    return Interval(value=ph(co2_mg_l.value), low=ph(co2_mg_l.high), high=ph(co2_mg_l.low))
