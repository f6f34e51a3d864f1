"""Calibration profiles: what fluid of known state reveals about one phone, vial and light, and their TOML files."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np
import tomli_w

from calibration.atomic_file import write_atomic
from calibration.camera import LOAD, LOG_RATIO, USUAL_LOAD, direction_deg, signal_family
from calibration.color_space import ColorSpace, Floats
from calibration.dye import PKA_25C_FRESH
from calibration.inversion import PKA_SHIFT, Evidence, SignalSamples, State, weigh_members

USUAL_LOAD_INDEX = int(np.abs(np.log(LOAD / USUAL_LOAD)).argmin())
"""Index in `calibration.camera.LOAD` of the usual dye amount, for which color directions are given."""
_NEARLY_AN_END = 1.0  # at a pH this far from pKa', one form makes up 10 in 11 of the dye: the color of that end
_REACH_OF_KNOWN = 0.3  # pH either side of a known color: assumption
DIRECTIONS = {"yellow": 0, "middle": len(LOG_RATIO) // 2, "blue": -1}
"""Colors whose directions a profile gives: indices in `LOG_RATIO`, in the order of `Estimates`."""
_SCHEMA, _VERSION = "colorread.profile", "1"
_BYTES_MAX = 10_000_000  # a choice of this project: ten thousand samples; keeps a video, say, out of memory
_DENSITY_MAX = 10.0  # far more than 8 bits can show: assumption
_PH_SCALE = (0.0, 14.0)  # for pH, its uncertainty and pKa': common practice, no source


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
        Phone as named in EXIF, empty where unknown.
    """

    evidence: Evidence
    photo: str
    sha256: str
    taken_at: str
    camera_model: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """
    The calibration of one phone, vial, fluid and light.

    Parameters
    ----------
    samples : tuple of KnownSample
        The evidence; calibrations are combined by joining their samples.
    light : str
        Lamp class as entered, or unknown.
    made_at : str
        ISO 8601.
    name : str
        Name of the file it was read from, empty if it was not.
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
        """Phones of the photos, as named in EXIF."""
        return frozenset(sample.camera_model for sample in self.samples if sample.camera_model)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimates:
    """
    Parameters that follow from the evidence.

    Parameters
    ----------
    mean, std : ndarray of float64, shape (4,)
        Estimate and standard uncertainty of pKa', then of the color direction [deg] of yellow, half-way and blue fluid
        at a usual dye amount: the angle between the density differences R - G and B - G.
    covariance : ndarray of float64, shape (4, 4)
        Covariance of all four.
    light_share : mapping of str to float
        Probability of each lamp class [-].
    """

    mean: Floats
    std: Floats
    covariance: Floats
    light_share: Mapping[str, float]


def estimate_parameters(evidence: Sequence[Evidence]) -> Estimates:
    """
    Estimate pKa', the colors of the dye and the lamp from the evidence.

    Parameters
    ----------
    evidence : sequence of Evidence
        If empty, the prior is returned.

    Returns
    -------
    Estimates
        Mean, standard uncertainty and covariance.
    """
    family = signal_family("srgb")
    weight = weigh_members(family.weight, evidence).sum(axis=1)  # (member, pKa)
    direction = direction_deg(family.density[:, list(DIRECTIONS.values()), USUAL_LOAD_INDEX])  # (member, 3)
    by_member = weight.sum(axis=1)
    shift, divisor = weight @ PKA_SHIFT, np.maximum(by_member, 1e-300)
    values = np.column_stack([shift / divisor + PKA_25C_FRESH, direction])
    mean = by_member @ values
    centered = values - mean
    covariance = (centered * by_member[:, None]).T @ centered
    # The spread of pKa' within each member adds to that between them.
    covariance[0, 0] += float((weight @ PKA_SHIFT**2 - shift**2 / divisor).sum())
    classes = sorted(set(family.light_class.tolist()))
    return Estimates(
        mean=mean,
        std=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        light_share={name: float(by_member[family.light_class == name].sum()) for name in classes},
    )


def validity(profile: Profile) -> tuple[float, float]:
    """
    Return the pH range that the evidence covers.

    Parameters
    ----------
    profile : Profile
        What was calibrated.

    Returns
    -------
    tuple of float
        Low and high end, infinite where the color of that end was measured [-].
    """
    reaches = [_reach(sample.evidence) for sample in profile.samples]
    return round(min(low for low, _ in reaches), 2), round(max(high for _, high in reaches), 2)


def _reach(evidence: Evidence) -> tuple[float, float]:
    """Return the pH range that a color covers: for an end, everything nearly as yellow or blue."""
    if evidence.state == "acid":
        return -np.inf, evidence.pka - _NEARLY_AN_END
    if evidence.state == "base":
        return evidence.pka + _NEARLY_AN_END, np.inf
    return evidence.ph - _REACH_OF_KNOWN, evidence.ph + _REACH_OF_KNOWN


def write_profile(profile: Profile, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """
    Write a profile as TOML, whole or not at all.

    Parameters
    ----------
    profile : Profile
        What to write.
    path : path
        File to write.
    overwrite : bool, default False
        Whether an existing file may be replaced.

    Raises
    ------
    FileExistsError
        If the file exists and may not be replaced.
    OSError
        If it cannot be written.
    """
    target = Path(path)
    if target.exists() and not overwrite:
        raise FileExistsError(f"{target} already exists.")
    text = "# Calibration profile of colorread. The samples are the evidence; the parameters follow from them.\n"
    text += tomli_w.dumps(_document_of(profile))
    write_atomic(target, text.encode())


def read_profile(path: str | os.PathLike[str]) -> Profile:
    """
    Read a profile.

    Parameters
    ----------
    path : path
        File written by `write_profile`.

    Returns
    -------
    Profile
        As written.

    Raises
    ------
    OSError
        If the file cannot be opened.
    ValueError
        If it is not a profile, is damaged, or has another version of the format; one sentence.
    """
    try:
        with open(path, "rb") as file:
            data = tomllib.loads(file.read(_BYTES_MAX).decode("utf-8-sig"))  # some editors add a byte order mark
    except (ValueError, RecursionError):  # not TOML, or endless nesting
        raise ValueError(f"{path} is not a colorread profile, or it is damaged.") from None
    name, _, version = str(data.get("schema", "")).partition("/")
    if name != _SCHEMA:
        raise ValueError(f"{path} is not a colorread profile.")
    if version != _VERSION:
        raise ValueError(f"{path} has version {version} of the profile format; colorread reads version {_VERSION}.")
    try:
        samples = tuple(_sample_of(table) for table in data["sample"])
        profile = Profile(samples=samples, light=str(data["light"]), made_at=str(data["made_at"]), name=Path(path).name)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise ValueError(f"{path} is damaged: a sample is incomplete or out of range.") from None
    if not samples:
        raise ValueError(f"{path} contains no samples.")
    return profile


def _document_of(profile: Profile) -> dict[str, Any]:
    estimates = estimate_parameters(profile.evidence)
    names = ("pka", *(f"direction_{name}_deg" for name in DIRECTIONS))
    return {
        "schema": f"{_SCHEMA}/{_VERSION}",
        "made_at": profile.made_at,
        "light": profile.light,
        "phones": sorted(profile.camera_models),
        "valid_ph": list(validity(profile)),
        "parameters": {
            name: {"value": round(float(mean), 3), "std": round(float(std), 3)}
            for name, mean, std in zip(names, estimates.mean, estimates.std, strict=True)
        },
        "covariance": [[float(f"{value:.4g}") for value in row] for row in estimates.covariance],
        "light_share": {name: round(share, 3) for name, share in estimates.light_share.items()},
        "sample": [_table_of(sample) for sample in profile.samples],
    }


def _table_of(sample: KnownSample) -> dict[str, Any]:
    """Return a sample and its evidence as one flat table."""
    entry = asdict(sample)
    evidence = entry.pop("evidence")
    densities = {name: np.round(values, 5).tolist() for name, values in evidence.pop("samples").items()}
    return {**evidence, "pka": round(sample.evidence.pka, 4), **entry, **densities}


def _sample_of(table: dict[str, Any]) -> KnownSample:
    """Return the sample that a table holds; raise KeyError, TypeError or ValueError if it is damaged."""
    names = ("photo", "sha256", "taken_at", "camera_model")
    numbers = {name: float(table[name]) for name in ("ph", "ph_std", "pka")}
    state, space = table["state"], table["space"]
    density, density_std = (np.array(table[name], dtype=np.float64) for name in ("density", "density_std"))
    is_sound = (
        state in get_args(State)
        and space in get_args(ColorSpace)
        and all(_PH_SCALE[0] <= number <= _PH_SCALE[1] for number in numbers.values())
        and len(density) > 0
        and density.shape == density_std.shape == (len(density), 3)
        and (np.abs(density) <= _DENSITY_MAX).all()
        and ((density_std > 0.0) & (density_std <= _DENSITY_MAX)).all()
    )
    if not is_sound:
        raise ValueError
    samples = SignalSamples(density=density, density_std=density_std)
    evidence = Evidence(samples=samples, space=space, state=state, **numbers)
    return KnownSample(evidence=evidence, **{name: str(table[name]) for name in names})
