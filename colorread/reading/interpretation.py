"""What the color of the fluid means, with what the keeper enters: posterior of the pH, CO2, its limits, the verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from calibration import (
    ColorSpace,
    Evidence,
    PhPosterior,
    Profile,
    SignalSamples,
    infer_ph,
    pka_prime,
    quantiles,
    validity,
)
from colorread import limits
from colorread.chemistry import co2_from_ph, co2_rule_of_thumb, dye_ph_std, ionic_strength, ph_from_co2
from colorread.fluid import Rectangle
from colorread.result import BUDGET_ACIDS, BUDGET_KH, NORMAL_95, Interval, Limit, Reading
from colorread.words import USUAL_MARKS, Marks, judge

# Probability that a profile applies to a photo: one from the phone it was made with; one from another phone, under
# another lamp or beyond its pH. Assumptions: they set how strongly a photo must contradict a profile to overrule it.
_TRUST_SAME_PHONE, _TRUST_ELSEWHERE = 0.95, 0.3
# Prior on the CO2 of a tank with gas: in pH, flat between these and falling off beyond. From a third of the usual lower
# limit to twice the upper one: assumption.
_USUAL_CO2_MG_L = (5.0, 60.0)
# Uncertainty of the KH of a mixed fluid and of the temperature, as pH: 5 % in KH is 0.02 (chemistry.kh_fluid). The
# effect of the dye on the KH is added.
_KH_STD_PH = 0.02
_OTHER_ACIDS_STD_PH = 0.1  # tank water in the vial has humic acids and phosphate buffer too; assumption
_LITTLE_DYE_LOAD = 0.15  # below it the color is faint: assumption
# The likelihood is flat toward an open end, and counts as flat down to this share of its maximum: assumption.
_FLAT = 0.6


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


def blank_reading(photo: str, inputs: PhotoInputs) -> Reading:
    """
    Return a reading that holds only the inputs.

    Parameters
    ----------
    photo : str
        Path or name of the photo.
    inputs : PhotoInputs
        What the keeper entered.

    Returns
    -------
    Reading
        To be completed with numbers or a reason.
    """
    return Reading(
        photo=photo,
        kh_dkh=inputs.fluid_kh_dkh,
        temperature_c=inputs.water_c,
        fluid=inputs.fluid,
        light=inputs.light,
        assumed=inputs.assumed,
        tank_kh_dkh=inputs.tank_kh_dkh,
    )


def usual_ph_range(inputs: PhotoInputs) -> tuple[float, float]:
    """
    Return the range of pH expected in a vial before any measurement.

    Parameters
    ----------
    inputs : PhotoInputs
        KH and temperature.

    Returns
    -------
    tuple of float
        Low and high end [-].
    """
    high, low = (float(ph_from_co2(co2, inputs.fluid_kh_dkh, temperature_c=inputs.water_c)) for co2 in _USUAL_CO2_MG_L)
    return low, high


def pka_of(inputs: PhotoInputs) -> float:
    """Return the pKa' of the dye at the entered KH and temperature [-]."""
    return pka_prime(inputs.water_c, ionic_strength_mol_kg=float(ionic_strength(inputs.fluid_kh_dkh)))


def fluid_ph_posterior(
    samples: SignalSamples, space: ColorSpace, camera_model: str | None, inputs: PhotoInputs
) -> tuple[PhPosterior, tuple[str, ...]]:
    """
    Return the posterior of the pH of a fluid, and the flags of its profile.

    Parameters
    ----------
    samples : SignalSamples
        Color of the fluid, at least one part of it.
    space : {'srgb', 'display-p3'}
        Primaries of the photo.
    camera_model : str or None
        Phone that took the photo, if known.
    inputs : PhotoInputs
        What the keeper entered, with the profile.

    Returns
    -------
    posterior : PhPosterior
        Of the pH.
    flags : tuple of str
        Why the profile counts less.
    """

    def posterior(evidence: tuple[Evidence, ...] = (), trust: float = 1.0) -> PhPosterior:
        return infer_ph(
            samples,
            space=space,
            pka=pka_of(inputs),
            ph_range=usual_ph_range(inputs),
            light_class=None if inputs.light == "unknown" else inputs.light,
            evidence=evidence,
            trust=trust,
        )

    profile = inputs.profile
    if profile is None:
        return posterior(), ()
    flags = _mismatch_flags(profile, camera_model, inputs)
    if not flags:
        here = posterior(profile.evidence, _TRUST_SAME_PHONE)
        low, high = validity(profile)
        if low <= here.median <= high:
            return here, ()
        flags = ("beyond-profile",)
    elsewhere, alone = posterior(profile.evidence, _TRUST_ELSEWHERE), posterior()
    # A profile made elsewhere must not close an end that the photo alone leaves open.
    combined = replace(
        elsewhere,
        open_below=elsewhere.open_below or alone.open_below,
        open_above=elsewhere.open_above or alone.open_above,
    )
    return combined, flags


def complete_reading(reading: Reading, posterior: PhPosterior, inputs: PhotoInputs) -> Reading:
    """
    Complete a reading with the posterior of the pH.

    Parameters
    ----------
    reading : Reading
        Still without numbers.
    posterior : PhPosterior
        Of the pH; at most one end is open.
    inputs : PhotoInputs
        KH, temperature, fluid, limits.

    Returns
    -------
    Reading
        With pH, CO2 and verdict.
    """
    flags = list(reading.flags)
    extra_std = {BUDGET_KH: float(np.hypot(_KH_STD_PH, dye_ph_std(inputs.fluid_kh_dkh)))}
    if posterior.load < _LITTLE_DYE_LOAD:
        flags.append("little-dye")
    if inputs.fluid == "tank-water":
        flags.append("tank-water")
        extra_std[BUDGET_ACIDS] = _OTHER_ACIDS_STD_PH
    ph = Interval(value=posterior.median, low=posterior.low, high=posterior.high)
    co2_mg_l = _co2(posterior, float(np.linalg.norm(list(extra_std.values()))), inputs)
    limit: Limit | None = None
    if posterior.open_below:
        limit, ph, co2_mg_l = "below", replace(ph, value=None, low=None), replace(co2_mg_l, value=None, high=None)
    elif posterior.open_above:
        limit, ph, co2_mg_l = "above", replace(ph, value=None, high=None), replace(co2_mg_l, value=None, low=None)
    if limit is not None and "clipped" not in flags:  # else the exposure may hide the color, not the dye's range
        flags.append("near-dye-limit")
    return replace(
        reading,
        ph=ph,
        photo_ph=_ph_of_likelihood(posterior),
        co2_mg_l=co2_mg_l,
        limit=limit,
        co2_rule_of_thumb_mg_l=None if limit else float(co2_rule_of_thumb(posterior.median, inputs.fluid_kh_dkh)),
        tank_ph=_tank_ph(co2_mg_l, inputs),
        verdict=judge(co2_mg_l, inputs.marks, calibrated=inputs.profile is not None),
        flags=tuple(dict.fromkeys(flags)),
        budget={**posterior.budget, **extra_std},
    )


def _mismatch_flags(profile: Profile, camera_model: str | None, inputs: PhotoInputs) -> tuple[str, ...]:
    """Return flags for how a photo differs from those of a profile."""
    flags = []
    if profile.camera_models and camera_model not in profile.camera_models:
        flags.append("unknown-phone" if camera_model is None else "other-phone")
    if "unknown" not in (profile.light, inputs.light) and profile.light != inputs.light:
        flags.append("other-light")
    return tuple(flags)


def _ph_of_likelihood(posterior: PhPosterior) -> Interval:
    """Return the median of the likelihood, and where it falls as low as a normal curve at its 90 % ends."""
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


def _co2(posterior: PhPosterior, extra_std_ph: float, inputs: PhotoInputs) -> Interval:
    """Return the CO2 and its 90 % interval, which includes the uncertainty beyond that of the pH."""
    extra = NORMAL_95 * extra_std_ph
    acid_end = posterior.median - float(np.hypot(posterior.median - posterior.low, extra))
    base_end = posterior.median + float(np.hypot(posterior.high - posterior.median, extra))
    ph = (base_end, posterior.median, acid_end)
    low, value, high = co2_from_ph(ph, inputs.fluid_kh_dkh, temperature_c=inputs.water_c).tolist()
    return Interval(value=value, low=low, high=high)


def _tank_ph(co2_mg_l: Interval, inputs: PhotoInputs) -> Interval | None:
    if inputs.tank_kh_dkh is None:
        return None
    value, low, high = (
        None if co2 is None else float(ph_from_co2(co2, inputs.tank_kh_dkh, temperature_c=inputs.water_c))
        for co2 in (co2_mg_l.value, co2_mg_l.high, co2_mg_l.low)
    )
    return Interval(value=value, low=low, high=high)
