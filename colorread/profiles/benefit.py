"""How much narrower a profile makes a reading, told on a fluid made up for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration import LOAD, LOG_RATIO, PKA_SHIFT, Profile, SignalSamples, signal_family, weigh_members
from colorread.chemistry import ph_from_co2
from colorread.limits import USUAL_KH_DKH
from colorread.reading import Stated, believed_ph, pka_of, with_numbers, without_numbers
from colorread.result import Interval

EXAMPLE_CO2_MG_L = 20.0
"""CO2 of the made-up fluid, in the middle of what plants are given [mg/L]."""
_STATED = Stated(kh_dkh=USUAL_KH_DKH)
_LOADS = (0.5, 0.65, 0.8, 1.0)  # dye along the four parts of a usual vial: assumption
_WORTH_HAVING = 0.85  # of the width, as pH: assumption
_DENSITY_STD = 0.01  # noise of a usual photo: assumption


def benefit_words(profile: Profile) -> str:
    """
    Return how wide a reading is without a profile and with it.

    Parameters
    ----------
    profile : Profile
        What was calibrated.

    Returns
    -------
    str
        One sentence, two where it hardly helps; none where such a reading is one-sided.
    """
    without, with_it = (_around_example(reading) for reading in example_readings(profile))
    if without is None or with_it is None:
        return ""
    words = (
        f"A reading of {EXAMPLE_CO2_MG_L:g} mg/L now has an interval of about {with_it[0]:.0f} to {with_it[1]:.0f} "
        f"mg/L; without this profile {without[0]:.0f} to {without[1]:.0f} (90 %, {_STATED.fluid_kh_dkh:g} dKH)."
    )
    narrower = np.log(with_it[1] / with_it[0]) < _WORTH_HAVING * np.log(without[1] / without[0])
    return words if narrower else f"{words} It hardly helps."


def example_readings(profile: Profile) -> tuple[Interval, Interval]:
    """
    Read a made-up fluid of 20 mg/L at 4 dKH, as the phone of a profile would show it, without the profile and with it.

    Parameters
    ----------
    profile : Profile
        What was calibrated.

    Returns
    -------
    tuple of Interval
        CO2 without and with the profile [mg/L].
    """
    family = signal_family("srgb")
    weight = weigh_members(family.weight, profile.evidence).sum(axis=1)  # (member, pKa)
    member = int(weight.sum(axis=1).argmax())
    shift = float(weight[member] @ PKA_SHIFT / weight[member].sum())
    ph = float(ph_from_co2(EXAMPLE_CO2_MG_L, _STATED.fluid_kh_dkh, temperature_c=_STATED.water_c))
    log_ratio = ph - pka_of(_STATED) - shift
    by_ratio = family.density[member, :, [int(np.abs(LOAD - load).argmin()) for load in _LOADS]]  # (4, 41, 3)
    density = np.array([[np.interp(log_ratio, LOG_RATIO, channel) for channel in part.T] for part in by_ratio])
    samples = SignalSamples(density=density, density_std=np.full_like(density, _DENSITY_STD))

    def co2_mg_l(stated: Stated) -> Interval:
        posterior, _ = believed_ph(samples, "srgb", next(iter(profile.camera_models), None), stated)
        found = with_numbers(without_numbers("", stated), posterior, stated).co2_mg_l
        assert found is not None
        return found

    return co2_mg_l(_STATED), co2_mg_l(replace(_STATED, profile=profile))


def _around_example(co2_mg_l: Interval) -> tuple[float, float] | None:
    """Return the ends of an interval as if its value was that of the example; None where an end is open."""
    if co2_mg_l.value is None or co2_mg_l.low is None or co2_mg_l.high is None:
        return None
    factor = EXAMPLE_CO2_MG_L / co2_mg_l.value
    return factor * co2_mg_l.low, factor * co2_mg_l.high
