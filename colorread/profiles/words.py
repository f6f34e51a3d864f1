"""A calibration profile in words."""

from __future__ import annotations

from math import isinf

from calibration import (
    DIRECTIONS,
    PKA_25C_FRESH,
    PKA_STD,
    PRINTED_STATES,
    Evidence,
    Profile,
    estimate_parameters,
    validity,
)
from colorread.profiles.benefit import benefit_words
from colorread.result import NORMAL_95

_STATE_WORDS = {
    "acid": "all yellow",
    "base": "all blue",
    "chart": "printed color chart",
    "kit-chart": "color chart of a kit",
}
_WORTH_NAMING = 0.05  # share of a lamp below which it is not worth a word
_DAY_LETTERS, _MINUTE_LETTERS = len("2025-06-04"), len("2025-06-04T05:30")


def _end_words(ph: float) -> str:
    if isinf(ph):
        return "all yellow" if ph < 0.0 else "all blue"
    return f"pH {ph:.1f}"


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
    lamps = sorted(estimates.light_share.items(), key=lambda item: -item[1])
    likely = [f"{name} ({100.0 * share:.0f} %)" for name, share in lamps[:2] if share > _WORTH_NAMING]
    low, high = validity(profile)
    states = {sample.evidence.state for sample in profile.samples}
    phones = ", ".join(sorted(profile.camera_models)) or "an unknown phone"
    lamp = "lamp unknown" if profile.light == "unknown" else f"lamp {profile.light}"
    lines = [
        f"Profile made on {profile.made_at[:_DAY_LETTERS]} with {phones}, {lamp}.",
        benefit_words(profile),
        f"Dye pKa' at 25 °C: {estimates.mean[0]:.2f} ± {NORMAL_95 * estimates.std[0]:.2f} (uncalibrated "
        f"{PKA_25C_FRESH:.2f} ± {NORMAL_95 * PKA_STD:.2f}; 90 % intervals).",
        "Color direction: "
        + ", ".join(
            f"{name} {mean:.0f} ± {NORMAL_95 * std:.0f} degrees"
            for name, mean, std in zip(DIRECTIONS, estimates.mean[1:], estimates.std[1:], strict=True)
        )
        + ".",
        "Most likely lamp: " + " or ".join(likely) + ".",
        f"Calibrated from {_end_words(low)} to {_end_words(high)}.",
        "Made from:",
    ]
    for sample in profile.samples:
        known = known_words(sample.evidence)
        if sample.evidence.state in PRINTED_STATES:
            patches = [other.evidence.ph for other in profile.samples if other.sha256 == sample.sha256]
            known += f", {len(patches)} patches, pH {min(patches):.2f} to {max(patches):.2f}"
        taken = sample.taken_at[:_MINUTE_LETTERS].replace("T", " ")
        lines.append(f"  {sample.photo} ({known}), {f'taken {taken}' if taken else 'time unknown'}")
    if states <= PRINTED_STATES:
        lines.append("A chart alone narrows readings little. Add the ends of the color, or a fluid of known pH.")
    elif "known" not in states:
        lines.append("Add a fluid of known pH: it narrows readings most.")
    elif sum(sample.evidence.state == "known" for sample in profile.samples) == 1:
        lines.append("Add a second photo of the known fluid: an error of the first is in every reading.")
    return list(filter(None, dict.fromkeys(lines)))  # the patches of one photo share a line


def known_words(evidence: Evidence) -> str:
    """
    Return what is known of a color.

    Parameters
    ----------
    evidence : Evidence
        Of one fluid, or of a patch.

    Returns
    -------
    str
        Its state; of a fluid of known pH that pH, and the pKa' expected there.
    """
    known = f"pH {evidence.ph:.2f} ± {NORMAL_95 * evidence.ph_std:.2f}, pKa' {evidence.pka:.2f} expected"
    return _STATE_WORDS.get(evidence.state, known)
