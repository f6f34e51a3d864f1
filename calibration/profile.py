"""A profile: what was learnt of one phone, vial, fluid and light from fluid of known state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import LOAD, LOG_RATIO, USUAL_LOAD, direction_deg, signal_family
from calibration.dye import PKA_25C_FRESH
from calibration.evidence import PKA_SHIFT, Evidence, weigh_members

USUAL_LOAD_INDEX = int(np.abs(np.log(LOAD / USUAL_LOAD)).argmin())
"""Place in `calibration.camera.LOAD` of what is nearest to a usual dye amount, at which directions are told."""
_NEARLY_AN_END = 1.0  # pH from pKa' at which one form of the dye makes up 10 in 11: the color of that end
_REACH_OF_KNOWN = 0.3  # pH to both sides of a known color: assumption
DIRECTIONS = {"yellow": 0, "middle": len(LOG_RATIO) // 2, "blue": -1}
"""Colors whose directions a profile tells: places among the log ratios, in the order of `Estimates`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownSample:
    """
    The color in one photo of the vial with fluid of known state, or of one patch of a chart.

    Parameters
    ----------
    evidence : Evidence
        What the inversion needs.
    photo, sha256 : str
        Name and content hash of the photo.
    taken_at : str
        ISO 8601, empty where unknown.
    camera_model : str
        Phone as EXIF says, empty where unknown.
    """

    evidence: Evidence
    photo: str
    sha256: str
    taken_at: str
    camera_model: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """
    Everything known of one phone, vial, fluid and light.

    Parameters
    ----------
    samples : tuple of KnownSample
        The evidence; several calibrations combine by adding theirs.
    light : str
        Lamp class as stated, or unknown.
    made_at : str
        ISO 8601.
    name : str
        Name of the file it was read from, empty before.
    """

    samples: tuple[KnownSample, ...]
    light: str
    made_at: str
    name: str = ""

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """What the inversion needs."""
        return tuple(sample.evidence for sample in self.samples)

    @property
    def camera_models(self) -> frozenset[str]:
        """Phones of the photos, as EXIF says."""
        return frozenset(sample.camera_model for sample in self.samples if sample.camera_model)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimates:
    """
    What the evidence says of the parameters.

    Parameters
    ----------
    names : tuple of str
        ``pka``, then the direction of the color [deg] of yellow, half-way and blue fluid at a usual dye amount: the
        angle between the density differences R - G and B - G.
    mean, std : ndarray of float64, shape (4,)
        Estimate and standard uncertainty.
    covariance : ndarray of float64, shape (4, 4)
        Of all four.
    light_share : mapping of str to float
        Probability of each lamp class [-].
    """

    names: tuple[str, ...]
    mean: NDArray[np.float64]
    std: NDArray[np.float64]
    covariance: NDArray[np.float64]
    light_share: Mapping[str, float]


def estimate_parameters(evidence: Sequence[Evidence]) -> Estimates:
    """
    Return what the evidence says of pKa', of the colors of the dye and of the lamp.

    Parameters
    ----------
    evidence : sequence of Evidence
        Nothing gives the prior.

    Returns
    -------
    Estimates
        Mean, standard uncertainty and covariance.
    """
    family = signal_family("srgb")
    weight = weigh_members(family.weight, evidence).sum(axis=1)  # (member, pKa)
    direction = direction_deg(family.density[:, list(DIRECTIONS.values()), USUAL_LOAD_INDEX])  # (member, 3)
    by_member = weight.sum(axis=1)
    mean_pka_of_member = (weight @ PKA_SHIFT) / np.maximum(by_member, 1e-300) + PKA_25C_FRESH
    values = np.column_stack([mean_pka_of_member, direction])
    mean = by_member @ values
    centered = values - mean
    covariance = (centered * by_member[:, None]).T @ centered
    # The spread of pKa' within each member adds to that between them.
    within = weight @ PKA_SHIFT**2 - (weight @ PKA_SHIFT) ** 2 / np.maximum(by_member, 1e-300)
    covariance[0, 0] += float(within.sum())
    classes = sorted(set(family.light_class.tolist()))
    return Estimates(
        names=("pka", *(f"direction_{name}_deg" for name in DIRECTIONS)),
        mean=mean,
        std=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        light_share={name: float(by_member[family.light_class == name].sum()) for name in classes},
    )


def validity(profile: Profile) -> tuple[float, float]:
    """
    Return the pH range over which the evidence reaches.

    Parameters
    ----------
    profile : Profile
        What was calibrated.

    Returns
    -------
    tuple of float
        Low and high end, infinite where the color of the end itself was seen [-].
    """
    reaches = [_reach(sample.evidence) for sample in profile.samples]
    return round(min(low for low, _ in reaches), 2), round(max(high for _, high in reaches), 2)


def _reach(evidence: Evidence) -> tuple[float, float]:
    """Return the pH that a color tells of: the ends all that is nearly as yellow or blue."""
    if evidence.state == "acid":
        return -np.inf, evidence.pka - _NEARLY_AN_END
    if evidence.state == "base":
        return evidence.pka + _NEARLY_AN_END, np.inf
    return evidence.ph - _REACH_OF_KNOWN, evidence.ph + _REACH_OF_KNOWN
