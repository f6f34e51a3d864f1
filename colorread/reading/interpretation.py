"""From the posterior of the pH to a reading: CO2, limits, what a tank probe should show, and the verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration import PhPosterior, quantiles
from colorread.chemistry import co2_from_ph, co2_rule_of_thumb, dye_ph_std, ph_from_co2
from colorread.reading.stated import Stated
from colorread.result import BUDGET_ACIDS, BUDGET_KH, NORMAL_95, Interval, Limit, Reading
from colorread.words import judge

# Before looking, the CO2 of a tank with gas is taken as equally likely between these, as pH; outside it falls off.
# From a third of the customary lower mark to twice the upper one: assumption.
_USUAL_CO2_MG_L = (5.0, 60.0)
# Uncertainty of the KH of a mixed fluid and of the temperature, as pH: 5 % in KH are 0.02 (chemistry.kh_fluid). What
# the dye itself does to the KH comes to it.
_KH_STD_PH = 0.02
_OTHER_ACIDS_STD_PH = 0.1  # tank water in the vial: humic acids and phosphate buffer too; assumption
_LITTLE_DYE_LOAD = 0.15  # below, the color is faint: assumption
# Towards an open end the likelihood is flat; it ends where it has fallen to this share of its largest: assumption.
_FLAT = 0.6


def without_numbers(photo: str, stated: Stated) -> Reading:
    """
    Return a reading that tells only what was stated.

    Parameters
    ----------
    photo : str
        Path or name of the photo.
    stated : Stated
        What was said of it.

    Returns
    -------
    Reading
        To be completed by numbers or by a reason.
    """
    return Reading(
        photo=photo,
        kh_dkh=stated.fluid_kh_dkh,
        temperature_c=stated.water_c,
        fluid=stated.fluid,
        light=stated.light,
        assumed=stated.assumed,
        tank_kh_dkh=stated.tank_kh_dkh,
    )


def usual_ph_range(stated: Stated) -> tuple[float, float]:
    """
    Return the pH between which a vial is expected before looking.

    Parameters
    ----------
    stated : Stated
        KH and temperature.

    Returns
    -------
    tuple of float
        Low and high end [-].
    """
    low, high = (
        float(ph_from_co2(co2, stated.fluid_kh_dkh, temperature_c=stated.water_c)) for co2 in reversed(_USUAL_CO2_MG_L)
    )
    return low, high


def with_numbers(reading: Reading, posterior: PhPosterior, stated: Stated) -> Reading:
    """
    Complete a reading by what is believed of the pH.

    Parameters
    ----------
    reading : Reading
        So far without numbers.
    posterior : PhPosterior
        What is believed of the pH; at most one end is open.
    stated : Stated
        KH, temperature, fluid, limits.

    Returns
    -------
    Reading
        With pH, CO2 and verdict.
    """
    extra_std = {BUDGET_KH: float(np.hypot(_KH_STD_PH, dye_ph_std(stated.fluid_kh_dkh)))}
    flags = list(reading.flags)
    if posterior.load < _LITTLE_DYE_LOAD:
        flags.append("little-dye")
    if stated.fluid == "tank-water":
        flags.append("tank-water")
        extra_std[BUDGET_ACIDS] = _OTHER_ACIDS_STD_PH
    limit: Limit | None = "below" if posterior.open_below else "above" if posterior.open_above else None
    if limit is not None:
        flags.append("near-dye-limit")
    ph = Interval(value=posterior.median, low=posterior.low, high=posterior.high)
    co2_mg_l = _co2(ph, float(np.linalg.norm(list(extra_std.values()))), stated)
    if limit == "below":
        ph = Interval(value=None, low=None, high=ph.high)
        co2_mg_l = Interval(value=None, low=co2_mg_l.low, high=None)
    elif limit == "above":
        ph = Interval(value=None, low=ph.low, high=None)
        co2_mg_l = Interval(value=None, low=None, high=co2_mg_l.high)
    return replace(
        reading,
        ph=ph,
        photo_ph=_told_by_photo(posterior),
        co2_mg_l=co2_mg_l,
        limit=limit,
        co2_rule_of_thumb_mg_l=None if limit else float(co2_rule_of_thumb(posterior.median, stated.fluid_kh_dkh)),
        tank_ph=_tank_ph(co2_mg_l, stated),
        verdict=judge(co2_mg_l, stated.marks, calibrated=stated.profile is not None),
        flags=tuple(dict.fromkeys(flags)),
        budget={**posterior.budget, **extra_std},
    )


def _told_by_photo(posterior: PhPosterior) -> Interval:
    """Return the middle of the likelihood, and where it has fallen as far as a normal one at its 90 % ends."""
    ph, likelihood = posterior.ph, posterior.likelihood
    inside = likelihood >= np.exp(-(NORMAL_95**2) / 2.0)
    (value,) = quantiles(ph[inside], likelihood[inside] / likelihood[inside].sum(), (0.5,))
    if posterior.open_below or posterior.open_above:
        value = float(ph[likelihood >= _FLAT][-1 if posterior.open_below else 0])
    return Interval(
        value=value,
        low=None if posterior.open_below else float(ph[inside][0]),
        high=None if posterior.open_above else float(ph[inside][-1]),
    )


def _co2(ph: Interval, extra_std_ph: float, stated: Stated) -> Interval:
    assert ph.value is not None
    assert ph.low is not None
    assert ph.high is not None
    extra = NORMAL_95 * extra_std_ph
    acid_end = ph.value - float(np.hypot(ph.value - ph.low, extra))
    base_end = ph.value + float(np.hypot(ph.high - ph.value, extra))
    low, value, high = (
        float(co2_from_ph(end, stated.fluid_kh_dkh, temperature_c=stated.water_c))
        for end in (base_end, ph.value, acid_end)
    )
    return Interval(value=value, low=low, high=high)


def _tank_ph(co2_mg_l: Interval, stated: Stated) -> Interval | None:
    if stated.tank_kh_dkh is None:
        return None
    kh = stated.tank_kh_dkh

    def ph(co2: float | None) -> float | None:
        return None if co2 is None else float(ph_from_co2(co2, kh, temperature_c=stated.water_c))

    return Interval(value=ph(co2_mg_l.value), low=ph(co2_mg_l.high), high=ph(co2_mg_l.low))
