"""From photos of the vial with fluid of known state, or of a color chart, to a profile."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration.camera import direction_deg, signal_family
from calibration.chart import CHART_PH, ph_by_chart
from calibration.dye import pka_prime
from calibration.evidence import PRINTED_STATES, Evidence, State
from calibration.family_fit import RATIO, SignalSamples, fit_family
from calibration.inversion import infer_ph
from calibration.profile import KnownSample, Profile
from colorread.chart_find import ChartColors, measure_chart
from colorread.errors import Refusal
from colorread.photo.load import Photo
from colorread.pipeline import Seen, measure_photo, require_clear_fluid
from colorread.profile.known_photo import KnownPhoto
from colorread.profile.words import known_words
from colorread.signal import FluidSignal

_USUAL_RANGE = (5.5, 8.5)  # pH range in which a calibration photo is looked at for plausibility: the dye's, rounded out
# Directions of yellow and blue fluid differ by 90 to 140 degrees for every phone; what is yellow lies below the first,
# what is blue above the second of these directions: assumptions, with room for lamps.
_MIN_SEPARATION_DEG = 40.0
_MAX_ACID_DEG, _MIN_BASE_DEG = 30.0, 85.0
# A known fluid that only a dye with a pKa' so far off could color is another fluid (3 standard deviations).
_STRANGE_PKA_SHIFT = 0.3
_LEAST_PROBABILITY = 0.05  # that such a dye must have, for the fluid to be the stated one: the customary level
# The same vial looks alike in depth, apart from the light's path: assumption, far beyond what drops and turning do.
_MAX_LOAD_RATIO = 4.0
# How far the color of a print lies from that of the fluid it stands for, by wrong inks and by lamps under which both
# part: density, and share of the density. From simulated prints that err by 2.6 in color difference (CIEDE2000), and
# by twice those faults of the printer; with the chart of a kit so weighed, intervals of vials covered 90 % and more.
_PRINT_STD, _PRINT_STD_PER_DENSITY = 0.02, 0.1
_KIT_PH_STD = 0.1  # how well a maker's patches meet the maker's own dye: assumption
# Photos of one chart in one light and phone agree within this in the median: assumption.
_MAX_CHART_DIFFERENCE_PH = 0.12


class CalibrationError(ValueError):
    """Photos that make no calibration, in one sentence."""


def make_profile(photos: Sequence[KnownPhoto], *, light: str = "unknown", base: Profile | None = None) -> Profile:
    """
    Measure the photos and make a profile of them.

    Parameters
    ----------
    photos : sequence of KnownPhoto
        At least one.
    light : str, default 'unknown'
        Lamp class of all photos.
    base : Profile, optional
        An earlier profile of the same vial, phone and light, to whose evidence this is added.

    Returns
    -------
    Profile
        With the evidence of all.

    Raises
    ------
    CalibrationError
        If a photo cannot be read, its fluid has not the color of the state it is said to be in, or the photos do not
        belong together.
    """
    return _profile_of([_measured(photo) for photo in photos], light, base)


def make_chart_profile(
    paths: Sequence[str | os.PathLike[str]],
    *,
    patch_ph: Sequence[float] | None = None,
    region_xywh: tuple[float, float, float, float] | None = None,
    light: str = "unknown",
    base: Profile | None = None,
) -> Profile:
    """
    Measure photos of one color chart and make a profile of them.

    A chart is a print: its inks are not the dye, so it counts little. The own chart tells of phone and lamp only, that
    of a kit tells also of the dye to which its maker matched it.

    Parameters
    ----------
    paths : sequence of path
        Photos of the same chart in the light of the readings.
    patch_ph : sequence of float, optional
        What the patches of a kit's chart stand for, in their order along the row; without it the photos show the chart
        of this project [-].
    region_xywh : tuple of float, optional
        Where the row of a kit's chart lies: left, top, width, height in pixels of the upright photo at full size.
    light : str, default 'unknown'
        Lamp class of all photos.
    base : Profile, optional
        An earlier profile of the same vial, phone and light, to whose evidence this is added.

    Returns
    -------
    Profile
        With a sample for each patch of each photo.

    Raises
    ------
    CalibrationError
        If a photo cannot be read, or the photos do not belong together.
    """
    charts = []
    for path in paths:
        try:
            charts.append(measure_chart(path, None if patch_ph is None else len(patch_ph), region_xywh))
        except Refusal as refusal:
            raise CalibrationError(f"{path}: {refusal.message} {refusal.next_step}") from None
    labels = CHART_PH if patch_ph is None else tuple(sorted(patch_ph))
    samples = [
        sample
        for path, chart in zip(paths, charts, strict=True)
        for sample in _patch_samples(path, chart, labels, "chart" if patch_ph is None else "kit-chart")
    ]
    _require_one_phone(samples)
    for path, chart in zip(paths[1:], charts[1:], strict=True):
        difference = np.abs(ph_by_chart(chart.density, charts[0].density, labels) - labels)
        if float(np.median(difference)) > _MAX_CHART_DIFFERENCE_PH:
            raise CalibrationError(
                f"{paths[0]} and {path} do not show the same chart in the same light; use photos of one chart, taken "
                "one after another."
            )
    return _profile_of(samples, light, base)


def see_fluid(path: str | os.PathLike[str]) -> tuple[Photo, FluidSignal]:
    """
    Measure a photo of the vial whose pH the photo is not asked for.

    Parameters
    ----------
    path : path
        The photo.

    Returns
    -------
    photo : Photo
        As loaded.
    signal : FluidSignal
        Color of the fluid.

    Raises
    ------
    Refusal
        As for a reading.
    """
    seen = Seen()
    measure_photo(path, seen)
    assert seen.photo is not None
    assert seen.signal is not None
    posterior = infer_ph(seen.signal.samples, space=seen.photo.color_space, pka=pka_prime(), ph_range=_USUAL_RANGE)
    require_clear_fluid(seen, posterior, pointed=False)
    return seen.photo, seen.signal


def _profile_of(samples: Sequence[KnownSample], light: str, base: Profile | None) -> Profile:
    earlier = () if base is None else base.samples
    seen = {sample.sha256 for sample in earlier}
    fresh = [sample for sample in samples if sample.sha256 not in seen]
    _require_same_as_before(samples, earlier)
    if not fresh:
        raise CalibrationError("All these photos are in the profile already.")
    fluids = [sample.sha256 for sample in fresh if sample.evidence.state not in PRINTED_STATES]
    if len(set(fluids)) < len(fluids):
        raise CalibrationError("One photo is given twice; every fluid needs a photo of its own.")
    everything = (*earlier, *fresh)
    _require_one_vial(everything)
    return Profile(
        samples=everything,
        light=light if base is None else _common_light(light, base.light),
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def _require_same_as_before(samples: Sequence[KnownSample], earlier: Sequence[KnownSample]) -> None:
    """Refuse a photo of which something else is known than the profile holds."""
    for sample in samples:
        before = [other for other in earlier if other.sha256 == sample.sha256]
        now = [other for other in samples if other.sha256 == sample.sha256]
        if before and set(map(_known_of, before)) != set(map(_known_of, now)):
            raise CalibrationError(
                f"{sample.photo} is in the profile already as {known_words(before[0].evidence)}; to change that, make "
                "the profile anew."
            )


def _known_of(sample: KnownSample) -> tuple[State, float, float]:
    evidence = sample.evidence
    return evidence.state, round(evidence.ph, 4), round(evidence.pka, 4)  # as exact as a profile holds them


def _common_light(light: str, earlier: str) -> str:
    """Return the lamp of an addition to a profile: that of the profile where none is stated."""
    if "unknown" not in (light, earlier) and light != earlier:
        raise CalibrationError(
            f"The profile was made in the light of {earlier}, these photos in that of {light}; make a profile of its "
            "own for each lamp."
        )
    return earlier if light == "unknown" else light


def _measured(photo: KnownPhoto) -> KnownSample:
    try:
        picture, signal = see_fluid(photo.path)
    except Refusal as refusal:
        raise CalibrationError(f"{photo.path}: {refusal.message} {refusal.next_step}") from None
    if "dark-fluid" in signal.flags and photo.state == "known":
        raise CalibrationError(f"{photo.path}: the fluid is too dark to calibrate with; use less dye or more light.")
    evidence = Evidence(
        samples=signal.samples,
        space=picture.color_space,
        state=photo.state,
        ph=photo.ph,
        ph_std=photo.ph_std,
        pka=photo.pka,
    )
    if photo.state == "known" and not _fits_its_ph(evidence):
        raise CalibrationError(
            f"{photo.path}: the color of the fluid does not fit pH {photo.ph:.2f}; check pH and ionic strength "
            "of a buffer, or KH and the hours in outdoor air of a ladder's step."
        )
    return _sample(evidence, photo.path, picture, _sha256(photo.path))


def _patch_samples(
    path: str | os.PathLike[str], chart: ChartColors, labels: Sequence[float], state: State
) -> list[KnownSample]:
    std = np.hypot(chart.density_std, _PRINT_STD + _PRINT_STD_PER_DENSITY * np.maximum(chart.density, 0.0))
    sha256 = _sha256(path)
    return [
        _sample(
            Evidence(
                samples=SignalSamples(density=chart.density[[i]], density_std=std[[i]]),
                space=chart.photo.color_space,
                state=state,
                ph=ph,
                ph_std=0.0 if state == "chart" else _KIT_PH_STD,
                pka=pka_prime(),
            ),
            path,
            chart.photo,
            sha256,
        )
        for i, ph in enumerate(labels)
    ]


def _sample(evidence: Evidence, path: str | os.PathLike[str], photo: Photo, sha256: str) -> KnownSample:
    return KnownSample(
        evidence=evidence,
        photo=Path(path).name,
        sha256=sha256,
        taken_at="" if photo.taken_at is None else photo.taken_at.isoformat(),
        camera_model=photo.camera_model or "",
    )


def _sha256(path: str | os.PathLike[str]) -> str:
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def _require_one_phone(samples: Sequence[KnownSample]) -> None:
    models = {sample.camera_model for sample in samples if sample.camera_model}
    if len(models) > 1:
        raise CalibrationError(f"The photos come from different phones ({', '.join(sorted(models))}); use one.")


def _require_one_vial(samples: Sequence[KnownSample]) -> None:
    """Refuse swapped ends, ends of the wrong color, and photos of several phones or vials."""
    _require_one_phone(samples)
    acid = [_direction_deg(sample) for sample in samples if sample.evidence.state == "acid"]
    base = [_direction_deg(sample) for sample in samples if sample.evidence.state == "base"]
    if acid and base and min(base) < max(acid):
        raise CalibrationError("The photo of acid fluid is bluer than that of basic fluid: are they swapped?")
    if acid and base and min(base) - max(acid) < _MIN_SEPARATION_DEG:
        raise CalibrationError(
            "Acid and basic fluid look nearly alike: was the dye in both, and enough vinegar and soda?"
        )
    if acid and max(acid) > _MAX_ACID_DEG:
        raise CalibrationError("The acid fluid is not yellow; add a drop of vinegar and mix.")
    if base and min(base) < _MIN_BASE_DEG:
        raise CalibrationError("The basic fluid is not blue; add a pinch of baking soda and mix.")
    loads = [_load(sample) for sample in samples if sample.evidence.state not in PRINTED_STATES]
    if loads and max(loads) > _MAX_LOAD_RATIO * min(loads):
        raise CalibrationError("The photos differ too much in depth of color to be of one vial with one amount of dye.")


def _direction_deg(sample: KnownSample) -> float:
    return float(direction_deg(np.median(sample.evidence.samples.density, axis=0)))


def _fits_its_ph(evidence: Evidence) -> bool:
    """Whether some dye with a pKa' not far from the usual one would have that color at the stated pH."""
    family = signal_family(evidence.space)
    log_likelihood = fit_family(evidence.samples, family.density).log_likelihood[:, 0]
    by_ratio = family.weight @ np.exp(log_likelihood - log_likelihood.max())
    near = np.abs(RATIO - (evidence.ph - evidence.pka)) < _STRANGE_PKA_SHIFT
    return float(by_ratio[near].sum()) > _LEAST_PROBABILITY * float(by_ratio.sum())


def _load(sample: KnownSample) -> float:
    family = signal_family(sample.evidence.space)
    return fit_family(sample.evidence.samples, family.density).load
