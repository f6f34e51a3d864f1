"""A calibration profile as a picture: the color line of the dye with the samples on it."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from calibration import (
    LOG_RATIO,
    PKA_25C_FRESH,
    USUAL_LOAD_INDEX,
    Profile,
    direction_deg,
    estimate_parameters,
    signal_family,
    weigh_members,
    write_whole,
)
from colorread.result import NORMAL_95

PICTURE_KINDS = ("png", "pdf", "svg")
_MARKERS = {"acid": "v", "base": "^", "known": "o", "chart": "s", "kit-chart": "D"}


def write_profile_picture(profile: Profile, path: str | os.PathLike[str]) -> None:
    """
    Draw the line along which the color of the dye runs, with and without the evidence, and the samples.

    Parameters
    ----------
    profile : Profile
        What was calibrated.
    path : path
        PNG, PDF or SVG file to write, told by its suffix; replaced where it exists.

    Raises
    ------
    OSError
        If it cannot be written.
    ValueError
        If the suffix is another one.
    """
    kind = Path(path).suffix.lower().removeprefix(".")
    if kind not in PICTURE_KINDS:
        raise ValueError(f"A picture is written as {', '.join(PICTURE_KINDS)}, not as {Path(path).name}.")
    family = signal_family("srgb")
    angle = direction_deg(family.density[:, :, USUAL_LOAD_INDEX])  # (member, ratio)
    figure = Figure(figsize=(7.2, 5.4), layout="constrained")
    axes = figure.subplots()
    for label, weight, gray, line in (
        ("any phone and lamp", family.weight, "0.55", "--"),
        ("this profile", weigh_members(family.weight, profile.evidence).sum(axis=(1, 2)), "0.0", "-"),
    ):
        mean = weight @ angle
        std = np.sqrt(weight @ (angle - mean) ** 2)
        axes.plot(LOG_RATIO, mean, label=label, color=gray, linestyle=line)
        axes.fill_between(LOG_RATIO, mean - NORMAL_95 * std, mean + NORMAL_95 * std, color=gray, alpha=0.15, lw=0)
    pka_shift = estimate_parameters(profile.evidence).mean[0] - PKA_25C_FRESH
    named = ""
    for sample in profile.samples:
        direction = direction_deg(sample.evidence.samples.density)
        shift = 0.0 if sample.evidence.state == "chart" else pka_shift  # the own chart is no dye
        place = {"acid": -2.0, "base": 2.0}.get(sample.evidence.state, sample.evidence.ph - sample.evidence.pka - shift)
        axes.errorbar(
            place,
            np.median(direction),
            yerr=[[np.ptp(direction) / 2.0]] * 2,
            marker=_MARKERS[sample.evidence.state],
            color="0.0",
            markerfacecolor="white",
            markersize=9,
            capsize=4,
            linestyle="none",
        )
        if sample.photo == named:
            continue  # the patches of one chart share a label
        named = sample.photo
        axes.annotate(
            sample.photo,
            (place, np.median(direction)),
            xytext=(0, 14),
            textcoords="offset points",
            ha={"acid": "left", "base": "right"}.get(sample.evidence.state, "center"),
            parse_math=False,  # a dollar sign in a file name is no formula
        )
    axes.set_xlabel("pH - pKa' (left all yellow, right all blue)")
    axes.set_ylabel("direction of the color [degrees]")
    axes.set_title("Color line of the dye, 90 % bands, and the calibration photos")
    axes.legend(loc="upper left")
    axes.grid(alpha=0.3)
    file = io.BytesIO()
    figure.savefig(file, format=kind, dpi=150)
    write_whole(path, file.getvalue())
