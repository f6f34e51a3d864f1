"""A calibration profile in words."""

from __future__ import annotations

from calibration.dye import PKA_25C_FRESH, PKA_STD
from calibration.profile import Profile, estimate_parameters, validity

_STATE_WORDS = {"acid": "all yellow", "base": "all blue"}


def profile_lines(profile: Profile) -> list[str]:
    """
    Return a profile as lines for people.

    Parameters
    ----------
    profile : Profile
        What was calibrated.

    Returns
    -------
    list of str
        What it was made from, what it says, where it holds.
    """
    estimates = estimate_parameters(profile.evidence)
    lamps = sorted(estimates.light_share.items(), key=lambda item: -item[1])[:2]
    low, high = validity(profile)
    phones = ", ".join(sorted(profile.camera_models)) or "unknown phone"
    lines = [
        f"Profile made {profile.made_at} with {phones}, light stated as {profile.light}.",
        f"pKa' of the dye at 25 C: {estimates.mean[0]:.2f} +- {estimates.std[0]:.2f} "
        f"(without calibration {PKA_25C_FRESH:.2f} +- {PKA_STD:.2f}).",
        "Direction of the color: "
        + ", ".join(
            f"{name.removeprefix('direction_').removesuffix('_deg')} {mean:.0f} +- {std:.0f} degrees"
            for name, mean, std in zip(estimates.names[1:], estimates.mean[1:], estimates.std[1:], strict=True)
        )
        + ".",
        "The light looks most like " + " or ".join(f"{name} ({100.0 * share:.0f} %)" for name, share in lamps) + ".",
        f"It reaches from pH {low:.1f} to {high:.1f}.",
        "Made from:",
    ]
    for sample in profile.samples:
        evidence = sample.evidence
        state = _STATE_WORDS.get(evidence.state, f"pH {evidence.ph:.2f} +- {evidence.ph_std:.2f}")
        lines.append(f"  {sample.photo} ({state}), taken {sample.taken_at or 'at an unknown time'}")
    return lines
