"""Whether the photos of a calibration belong together and show what they are said to show."""

from __future__ import annotations

import os
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration import PRINTED_STATES, RATIO, Evidence, KnownSample, State, fit_family, ph_by_chart, signal_family
from colorread.errors import Reason
from colorread.profiles.words import known_words

# Dye that is all yellow or blue must explain the color this well, over the dye that explains it best: 0.7 and more for
# the acid and basic fluids of four rendered vials, below 0.1 for the yellowest fluids from pH 6.3 on.
_END_NOT_EXCLUDED = 0.1
# A known fluid that only a dye with a pKa' so far off could color is another fluid (3 standard deviations).
_STRANGE_PKA_SHIFT = 0.3
_LEAST_PROBABILITY = 0.05  # that such a dye must have, for the fluid to be the stated one: the customary level
# The same vial looks alike in depth, apart from the light's path: assumption, far beyond what drops and turning do.
_MAX_LOAD_RATIO = 4.0
# Photos of one chart in one light and phone agree within this in the median: assumption.
_MAX_CHART_DIFFERENCE_PH = 0.12


class CalibrationError(ValueError):
    """Photos that make no calibration, in one sentence."""


class PhotoRefused(CalibrationError):  # noqa: N818 - an error by its base
    """
    One of the photos cannot be used; the others may be kept.

    Parameters
    ----------
    path : path
        The photo.
    reason : Reason
        Why.
    """

    def __init__(self, path: str | os.PathLike[str], reason: Reason) -> None:
        super().__init__(f"{path}: {reason.message} {reason.next_step}")
        self.path = path
        self.reason = reason


def require_same_as_before(samples: Sequence[KnownSample], earlier: Sequence[KnownSample]) -> None:
    """
    Refuse a photo of which something else is known than the profile holds.

    Parameters
    ----------
    samples : sequence of KnownSample
        Of the photos.
    earlier : sequence of KnownSample
        Those of the profile.

    Raises
    ------
    CalibrationError
        Naming the photo.
    """
    for sample in samples:
        before = [other for other in earlier if other.sha256 == sample.sha256]
        now = [other for other in samples if other.sha256 == sample.sha256]
        if before and set(map(_known_of, before)) != set(map(_known_of, now)):
            raise CalibrationError(
                f"{sample.photo} is in the profile already as {known_words(before[0].evidence)}; to change that, make "
                "a new profile."
            )


def common_light(light: str, earlier: str) -> str:
    """
    Return the lamp of an addition to a profile: that of the profile where none is stated.

    Parameters
    ----------
    light, earlier : str
        Lamp class of the photos, and that of the profile.

    Returns
    -------
    str
        The one that is known, or unknown.

    Raises
    ------
    CalibrationError
        If both are known and differ.
    """
    if "unknown" not in (light, earlier) and light != earlier:
        raise CalibrationError(
            f"The profile is for {earlier}, these photos in that of {light}; make a profile of its own for each lamp."
        )
    return earlier if light == "unknown" else light


def require_one_chart(
    paths: Sequence[str | os.PathLike[str]], densities: Sequence[NDArray[np.float64]], labels: Sequence[float]
) -> None:
    """
    Refuse photos of several charts, or of one chart in several lights.

    Parameters
    ----------
    paths : sequence of path
        The photos.
    densities : sequence of ndarray of float64, shape (P, 3)
        Of the patches of each.
    labels : sequence of float
        What the patches stand for as pH [-].

    Raises
    ------
    CalibrationError
        Naming two photos.
    """
    for path, density in zip(paths[1:], densities[1:], strict=True):
        difference = np.abs(ph_by_chart(density, densities[0], labels) - labels)
        if float(np.median(difference)) > _MAX_CHART_DIFFERENCE_PH:
            raise CalibrationError(
                f"{paths[0]} and {path} do not show the same chart in the same light; use photos of one chart, taken "
                "one after another."
            )


def require_one_phone(samples: Sequence[KnownSample]) -> None:
    """
    Refuse photos of several phones.

    Parameters
    ----------
    samples : sequence of KnownSample
        Of all photos.

    Raises
    ------
    CalibrationError
        Naming the phones.
    """
    models = {sample.camera_model for sample in samples if sample.camera_model}
    if len(models) > 1:
        raise CalibrationError(f"The photos come from different phones ({', '.join(sorted(models))}); use one.")


def require_one_vial(samples: Sequence[KnownSample]) -> None:
    """
    Refuse photos of several phones or vials.

    Parameters
    ----------
    samples : sequence of KnownSample
        Of all photos.

    Raises
    ------
    CalibrationError
        Saying what is wrong.
    """
    require_one_phone(samples)
    loads = [_load(sample) for sample in samples if sample.evidence.state not in PRINTED_STATES]
    if loads and max(loads) > _MAX_LOAD_RATIO * min(loads):
        raise CalibrationError("The photos differ too much in depth of color to be of one vial with one amount of dye.")


def fits_its_state(evidence: Evidence) -> bool:
    """
    Return whether the color of a fluid is one that dye may have in the state that it is said to be in.

    Parameters
    ----------
    evidence : Evidence
        Of acid or basic fluid, or of one of known pH.

    Returns
    -------
    bool
        False where dye said to be all yellow or all blue is in between, and where only a dye with a pKa' far from the
        usual one would have that color at the stated pH.
    """
    by_ratio = _likelihood(evidence)
    if evidence.state == "known":
        near = np.abs(RATIO - (evidence.ph - evidence.pka)) < _STRANGE_PKA_SHIFT
        return float(by_ratio[near].sum()) > _LEAST_PROBABILITY * float(by_ratio.sum())
    at_end = by_ratio[0 if evidence.state == "acid" else -1]
    return float(at_end) > _END_NOT_EXCLUDED * float(by_ratio.max())


def _likelihood(evidence: Evidence) -> NDArray[np.float64]:
    """How well a dye explains a color, over `RATIO`, shape (161,)."""
    family = signal_family(evidence.space)
    log_likelihood = fit_family(evidence.samples, family.density).log_likelihood[:, 0]
    return np.asarray(family.weight @ np.exp(log_likelihood - log_likelihood.max()), dtype=np.float64)


def _known_of(sample: KnownSample) -> tuple[State, float, float]:
    evidence = sample.evidence
    return evidence.state, round(evidence.ph, 4), round(evidence.pka, 4)  # as exact as a profile holds them


def _load(sample: KnownSample) -> float:
    family = signal_family(sample.evidence.space)
    return fit_family(sample.evidence.samples, family.density).load
