"""A calibration profile in words and as a picture: its samples, what follows from them, and how much it helps."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from dataclasses import replace
from math import isinf
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration import (
    DIRECTIONS,
    LOAD,
    LOG_RATIO,
    PKA_25C_FRESH,
    PKA_SHIFT,
    PKA_STD,
    PRINTED_STATES,
    USUAL_LOAD_INDEX,
    Evidence,
    Profile,
    SignalSamples,
    State,
    direction_deg,
    estimate_parameters,
    signal_family,
    validity,
    weigh_members,
    write_atomic,
)
from colorread.chemistry import ph_from_co2
from colorread.limits import USUAL_KH_DKH
from colorread.reading import PhotoInputs, blank_reading, complete_reading, fluid_ph_posterior, pka_of
from colorread.result import NORMAL_95

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_STATE_WORDS = {
    "acid": "all yellow",
    "base": "all blue",
    "chart": "printed color chart",
    "kit-chart": "color chart of a kit",
}
_LAMP_SHARE_MIN = 0.05  # a less probable lamp is not named
_DAY_LETTERS, _MINUTE_LETTERS = len("2025-06-04"), len("2025-06-04T05:30")
_EXAMPLE_CO2_MG_L = 20.0  # of a made-up fluid, in the middle of the plants' range
_USUAL_INPUTS = PhotoInputs(kh_dkh=USUAL_KH_DKH)
_LOADS = (0.5, 0.65, 0.8, 1.0)  # dye along the four parts of a usual vial: assumption
_HELPS_BELOW = 0.85  # width of the interval, as pH, relative to that without a profile: assumption
_DENSITY_STD = 0.01  # noise of a usual photo: assumption
_MARKERS = {"acid": "v", "base": "^", "known": "o", "chart": "s", "kit-chart": "D"}


def profile_lines(profile: Profile) -> list[str]:
    """
    Return a profile as lines for people.

    Parameters
    ----------
    profile : Profile
        The profile.

    Returns
    -------
    list of str
        What follows from it, where it holds, what it was made from, and what to add.
    """
    estimates = estimate_parameters(profile.evidence)
    lamps = sorted(estimates.light_share.items(), key=lambda item: -item[1])
    likely = [f"{name} ({100.0 * share:.0f} %)" for name, share in lamps[:2] if share > _LAMP_SHARE_MIN]
    low, high = validity(profile)
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
    lines.append(_what_to_add([evidence.state for evidence in profile.evidence]))
    return list(filter(None, dict.fromkeys(lines)))  # the patches of one photo share a line


def _what_to_add(states: Sequence[State]) -> str:
    if set(states) <= PRINTED_STATES:
        return "A chart alone hardly narrows readings. Add all-yellow and all-blue fluid, or a fluid of known pH."
    if "known" not in states:
        return "Add a fluid of known pH: it narrows readings most."
    if states.count("known") == 1:
        return "Add a second photo of the known fluid: an error in the first affects every reading."
    return ""


def known_words(evidence: Evidence) -> str:
    """
    Return what is known about a color.

    Parameters
    ----------
    evidence : Evidence
        Of a fluid or a patch.

    Returns
    -------
    str
        Its state; for a fluid of known pH that pH, and the pKa' expected there.
    """
    known = f"pH {evidence.ph:.2f} ± {NORMAL_95 * evidence.ph_std:.2f}, pKa' {evidence.pka:.2f} expected"
    return _STATE_WORDS.get(evidence.state, known)


def _end_words(ph: float) -> str:
    if isinf(ph):
        return "all yellow" if ph < 0.0 else "all blue"
    return f"pH {ph:.1f}"


def benefit_words(profile: Profile) -> str:
    """Return how wide a reading is with and without a profile; empty if either is one-sided."""
    samples = _example_samples(profile)
    phone = next(iter(profile.camera_models), None)
    ends = []
    for inputs in (_USUAL_INPUTS, replace(_USUAL_INPUTS, profile=profile)):
        posterior, _ = fluid_ph_posterior(samples, "srgb", phone, inputs)
        co2 = complete_reading(blank_reading("", inputs), posterior, inputs).co2_mg_l
        if co2 is None or co2.value is None or co2.low is None or co2.high is None:
            return ""
        factor = _EXAMPLE_CO2_MG_L / co2.value  # centers the interval on the example
        ends.append((factor * co2.low, factor * co2.high))
    (low_without, high_without), (low, high) = ends
    words = (
        f"A reading of {_EXAMPLE_CO2_MG_L:g} mg/L now has an interval of about {low:.0f} to {high:.0f} mg/L; without "
        f"this profile {low_without:.0f} to {high_without:.0f} (90 %, {_USUAL_INPUTS.fluid_kh_dkh:g} dKH)."
    )
    helps = np.log(high / low) < _HELPS_BELOW * np.log(high_without / low_without)
    return words if helps else f"{words} The profile hardly helps."


def _example_samples(profile: Profile) -> SignalSamples:
    """Return the color of the example fluid as the phone of a profile would show it."""
    family = signal_family("srgb")
    weight = weigh_members(family.weight, profile.evidence).sum(axis=1)  # (member, pKa)
    member = int(weight.sum(axis=1).argmax())
    shift = float(weight[member] @ PKA_SHIFT / weight[member].sum())
    ph = float(ph_from_co2(_EXAMPLE_CO2_MG_L, _USUAL_INPUTS.fluid_kh_dkh, temperature_c=_USUAL_INPUTS.water_c))
    log_ratio = ph - pka_of(_USUAL_INPUTS) - shift
    by_ratio = family.density[member, :, [int(np.abs(LOAD - load).argmin()) for load in _LOADS]]  # (4, 41, 3)
    density = np.array([[np.interp(log_ratio, LOG_RATIO, channel) for channel in part.T] for part in by_ratio])
    return SignalSamples(density=density, density_std=np.full_like(density, _DENSITY_STD))


def write_profile_picture(profile: Profile, path: str | os.PathLike[str]) -> None:
    """
    Draw the color of the dye against its ratio, with and without the profile, and the samples.

    Parameters
    ----------
    profile : Profile
        The profile.
    path : path
        File to write, as PNG, PDF or SVG by its suffix; an existing file is replaced.

    Raises
    ------
    OSError
        If it cannot be written.
    ValueError
        If matplotlib does not know the suffix.
    """
    from matplotlib.figure import Figure  # slow to import, and the words do without it

    figure = Figure(figsize=(7.2, 5.4), layout="constrained")
    axes = figure.subplots()
    _draw_lines(axes, profile)
    _draw_samples(axes, profile)
    axes.set_xlabel("pH - pKa' (left all yellow, right all blue)")
    axes.set_ylabel("direction of the color [degrees]")
    axes.set_title("Color line of the dye, 90 % bands, and the calibration photos")
    axes.legend(loc="upper left")
    axes.grid(alpha=0.3)
    file = io.BytesIO()
    figure.savefig(file, format=Path(path).suffix.lower().removeprefix("."), dpi=150)
    write_atomic(path, file.getvalue())


def _draw_lines(axes: Axes, profile: Profile) -> None:
    """Draw the mean and spread of the family, as weighed by its prior and by the profile."""
    family = signal_family("srgb")
    direction = direction_deg(family.density[:, :, USUAL_LOAD_INDEX])  # (member, ratio)
    for label, weight, gray, line in (
        ("any phone and lamp", family.weight, "0.55", "--"),
        ("this profile", weigh_members(family.weight, profile.evidence).sum(axis=(1, 2)), "0.0", "-"),
    ):
        mean = weight @ direction
        std = np.sqrt(weight @ (direction - mean) ** 2)
        axes.plot(LOG_RATIO, mean, label=label, color=gray, linestyle=line)
        axes.fill_between(LOG_RATIO, mean - NORMAL_95 * std, mean + NORMAL_95 * std, color=gray, alpha=0.15, lw=0)


def _draw_samples(axes: Axes, profile: Profile) -> None:
    """Draw the samples at the pH of their state, each photo with its name."""
    pka_shift = estimate_parameters(profile.evidence).mean[0] - PKA_25C_FRESH
    named = ""
    for sample in profile.samples:
        evidence = sample.evidence
        direction = direction_deg(evidence.samples.density)
        shift = 0.0 if evidence.state == "chart" else pka_shift  # the chart of this project is not dye
        place = {"acid": -2.0, "base": 2.0}.get(evidence.state, evidence.ph - evidence.pka - shift)
        middle, half = np.median(direction), np.ptp(direction) / 2.0
        marker = f"k{_MARKERS[evidence.state]}"  # black, without a line between the samples
        axes.errorbar(place, middle, half, fmt=marker, markersize=9, markerfacecolor="white", capsize=4)
        if sample.photo == named:  # the patches of one chart share a label
            continue
        named = sample.photo
        axes.annotate(
            sample.photo,
            (place, middle),
            (0, 14),
            textcoords="offset points",
            ha={"acid": "left", "base": "right"}.get(evidence.state, "center"),
            parse_math=False,  # a file name may contain dollar signs
        )
