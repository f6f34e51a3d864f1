"""What is believed of the pH of a fluid, by a profile as far as it applies to the photo."""

from __future__ import annotations

from dataclasses import replace

from calibration import ColorSpace, Evidence, PhPosterior, Profile, SignalSamples, infer_ph, pka_prime, validity
from colorread.chemistry import ionic_strength
from colorread.reading.interpretation import usual_ph_range
from colorread.reading.stated import Stated

# Probability that a profile applies to a photo: of the phone it was made with, and of another one, under another lamp
# or beyond the pH it reached. Assumptions; they set how much a contradiction must weigh before it is given up.
_TRUST_SAME_PHONE, _TRUST_ELSEWHERE = 0.95, 0.3


def pka_of(stated: Stated) -> float:
    """Return the pKa' that the dye has in a fluid, as far as is stated of it [-]."""
    return pka_prime(stated.water_c, ionic_strength_mol_kg=float(ionic_strength(stated.fluid_kh_dkh)))


def believed_ph(
    samples: SignalSamples, space: ColorSpace, camera_model: str | None, stated: Stated
) -> tuple[PhPosterior, tuple[str, ...]]:
    """
    Return what is believed of the pH of a fluid.

    Parameters
    ----------
    samples : SignalSamples
        Its color, at least one part.
    space : {'srgb', 'display-p3'}
        Primaries of the photo.
    camera_model : str or None
        Phone of the photo, where that is known.
    stated : Stated
        What is stated of the photo, with its profile.

    Returns
    -------
    posterior : PhPosterior
        Of the pH.
    flags : tuple of str
        Why a profile counts less.
    """

    def posterior(evidence: tuple[Evidence, ...] = (), trust: float = 1.0) -> PhPosterior:
        return infer_ph(
            samples,
            space=space,
            pka=pka_of(stated),
            ph_range=usual_ph_range(stated),
            light_class=None if stated.light == "unknown" else stated.light,
            evidence=evidence,
            trust=trust,
        )

    profile = stated.profile
    if profile is None:
        return posterior(), ()
    flags = _flags_of_unlike_photo(profile, camera_model, stated)
    if not flags:
        here = posterior(profile.evidence, _TRUST_SAME_PHONE)
        low, high = validity(profile)
        if low <= here.median <= high:
            return here, ()
        flags = ("beyond-profile",)
    elsewhere, alone = posterior(profile.evidence, _TRUST_ELSEWHERE), posterior()
    # A profile made elsewhere must not close an end that the photo by itself leaves open.
    believed = replace(
        elsewhere,
        open_below=elsewhere.open_below or alone.open_below,
        open_above=elsewhere.open_above or alone.open_above,
    )
    return believed, flags


def _flags_of_unlike_photo(profile: Profile, camera_model: str | None, stated: Stated) -> tuple[str, ...]:
    """Return flags for what a photo does not share with those of a profile."""
    flags = []
    if profile.camera_models and camera_model not in profile.camera_models:
        flags.append("unknown-phone" if camera_model is None else "other-phone")
    if "unknown" not in (profile.light, stated.light) and profile.light != stated.light:
        flags.append("other-light")
    return tuple(flags)
