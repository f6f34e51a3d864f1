"""Profiles as TOML files, readable by people."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
import tomli_w

from calibration.color_space import ColorSpace
from calibration.evidence import Evidence, State
from calibration.family_fit import SignalSamples
from calibration.profile import KnownSample, Profile, estimate_parameters, validity
from calibration.whole_file import write_whole

SCHEMA = "colorread.profile/1"
_DENSITY_MAX = 10.0  # hundred times what 8 bits can show, and more: assumption
_PH_SCALE = (0.0, 14.0)  # what pH, its uncertainty and a pKa' may be at all: common practice, no source


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
        raise FileExistsError(f"{target} exists already.")
    text = "# Calibration profile of colorread. The samples are the evidence; the parameters follow from them.\n"
    text += tomli_w.dumps(_to_dict(profile))
    write_whole(target, text.encode())


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
        If it is no profile, is damaged, or comes from a later version; one sentence.
    """
    try:
        data = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        raise ValueError(f"{path} is no profile of colorread, or it is damaged.") from None
    schema = str(data.get("schema", ""))
    name, _, version = schema.partition("/")
    if name != SCHEMA.partition("/")[0]:
        raise ValueError(f"{path} is no profile of colorread.")
    if schema != SCHEMA:
        raise ValueError(f"{path} has version {version} of the profile format; this colorread reads {SCHEMA[-1]}.")
    try:
        samples = tuple(_sample_from(entry) for entry in data["sample"])
        profile = Profile(samples=samples, light=str(data["light"]), made_at=str(data["made_at"]), name=Path(path).name)
    except (KeyError, TypeError, ValueError, IndexError, OverflowError):
        raise ValueError(f"{path} is damaged: a sample is incomplete or out of range.") from None
    if not samples:
        raise ValueError(f"{path} holds no sample.")
    return profile


def _to_dict(profile: Profile) -> dict[str, Any]:
    parameters = estimate_parameters(profile.evidence)
    return {
        "schema": SCHEMA,
        "made_at": profile.made_at,
        "light": profile.light,
        "phones": sorted(profile.camera_models),
        "valid_ph": list(validity(profile)),
        "parameters": {
            name: {"value": round(float(mean), 3), "std": round(float(std), 3)}
            for name, mean, std in zip(parameters.names, parameters.mean, parameters.std, strict=True)
        },
        "covariance": [[float(f"{value:.4g}") for value in row] for row in parameters.covariance],
        "light_share": {name: round(share, 3) for name, share in parameters.light_share.items()},
        "sample": [
            {
                "state": sample.evidence.state,
                "ph": sample.evidence.ph,
                "ph_std": sample.evidence.ph_std,
                "pka": round(sample.evidence.pka, 4),
                "photo": sample.photo,
                "sha256": sample.sha256,
                "taken_at": sample.taken_at,
                "camera_model": sample.camera_model,
                "space": sample.evidence.space,
                "density": np.round(sample.evidence.samples.density, 5).tolist(),
                "density_std": np.round(sample.evidence.samples.density_std, 5).tolist(),
            }
            for sample in profile.samples
        ],
    }


def _sample_from(entry: dict[str, Any]) -> KnownSample:
    density, density_std = (np.array(entry[key], dtype=np.float64) for key in ("density", "density_std"))
    numbers = np.array([entry["ph"], entry["ph_std"], entry["pka"]], dtype=np.float64)
    if entry["state"] not in get_args(State) or entry["space"] not in ("srgb", "display-p3"):
        raise ValueError
    if density.ndim != 2 or density.shape[1] != 3 or density.shape != density_std.shape or not len(density):
        raise ValueError
    if not (np.isfinite(density).all() and np.isfinite(density_std).all() and np.isfinite(numbers).all()):
        raise ValueError
    if (np.abs(density) > _DENSITY_MAX).any() or (density_std <= 0.0).any() or (density_std > _DENSITY_MAX).any():
        raise ValueError
    if (numbers < _PH_SCALE[0]).any() or (numbers > _PH_SCALE[1]).any():
        raise ValueError
    return KnownSample(
        evidence=Evidence(
            samples=SignalSamples(density=density, density_std=density_std),
            space=cast(ColorSpace, entry["space"]),
            state=cast(State, entry["state"]),
            ph=float(entry["ph"]),
            ph_std=float(entry["ph_std"]),
            pka=float(entry["pka"]),
        ),
        photo=str(entry["photo"]),
        sha256=str(entry["sha256"]),
        taken_at=str(entry["taken_at"]),
        camera_model=str(entry["camera_model"]),
    )
