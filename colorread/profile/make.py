"""From photos of the vial with fluid of known state, or of a color chart, to a profile."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration.chart import CHART_PH
from calibration.dye import pka_prime
from calibration.evidence import PRINTED_STATES, Evidence, State
from calibration.family_fit import SignalSamples
from calibration.inversion import infer_ph
from calibration.profile import KnownSample, Profile
from colorread.chart_find import ChartColors, measure_chart
from colorread.errors import Refusal
from colorread.photo.load import Photo
from colorread.pipeline import Fluid, require_clear_fluid, see_fluid
from colorread.profile.checks import (
    CalibrationError,
    PhotoRefused,
    common_light,
    fits_its_state,
    require_one_chart,
    require_one_phone,
    require_one_vial,
    require_same_as_before,
)
from colorread.profile.known_photo import KnownPhoto

_USUAL_RANGE = (5.5, 8.5)  # pH range in which a calibration photo is looked at for plausibility: the dye's, rounded out
# How far the color of a print lies from that of the fluid it stands for, by wrong inks and by lamps under which both
# part: density, and share of the density. From simulated prints that err by 2.6 in color difference (CIEDE2000), and
# by twice those faults of the printer; with the chart of a kit so weighed, intervals of vials covered 90 % and more.
_PRINT_STD, _PRINT_STD_PER_DENSITY = 0.02, 0.1
_WRONG_STATE = {
    "acid": "the fluid is not all yellow; use the photo of the acid fluid, or add some vinegar, mix, and take it "
    "again.",
    "base": "the fluid is not all blue; use the photo of the basic fluid, or add some baking soda, mix, and take it "
    "again.",
    "known": "the color of the fluid does not fit pH {ph:.2f}; check pH and ionic strength of the buffer, or KH and "
    "hours in outdoor air of the diluted fluid.",
}
_KIT_PH_STD = 0.1  # how well a maker's patches meet the maker's own dye: assumption


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
            raise _photo_refused(path, refusal) from refusal
    labels = CHART_PH if patch_ph is None else tuple(sorted(patch_ph))
    samples = [
        sample
        for path, chart in zip(paths, charts, strict=True)
        for sample in _patch_samples(path, chart, labels, "chart" if patch_ph is None else "kit-chart")
    ]
    require_one_phone(samples)
    require_one_chart(paths, [chart.density for chart in charts], labels)
    return _profile_of(samples, light, base)


def see_clear_fluid(path: str | os.PathLike[str]) -> Fluid:
    """
    Measure a photo of the vial whose pH the photo is not asked for.

    Parameters
    ----------
    path : path
        The photo.

    Returns
    -------
    Fluid
        With its photo.

    Raises
    ------
    Refusal
        As for a reading.
    """
    seen = see_fluid(path)
    if seen.fluid is None:
        assert seen.reason is not None
        raise Refusal.of(seen.reason)
    fluid = seen.fluid
    posterior = infer_ph(fluid.signal.samples, space=fluid.photo.color_space, pka=pka_prime(), ph_range=_USUAL_RANGE)
    require_clear_fluid(fluid, posterior, is_known=True)
    return fluid


def evidence_of(fluid: Fluid, photo: KnownPhoto) -> Evidence:
    """
    Return what the color of a known fluid tells.

    Parameters
    ----------
    fluid : Fluid
        As measured.
    photo : KnownPhoto
        What is known of it.

    Returns
    -------
    Evidence
        For a profile.
    """
    return Evidence(
        samples=fluid.signal.samples,
        space=fluid.photo.color_space,
        state=photo.state,
        ph=photo.ph,
        ph_std=photo.ph_std,
        pka=photo.pka,
    )


def _profile_of(samples: Sequence[KnownSample], light: str, base: Profile | None) -> Profile:
    earlier = () if base is None else base.samples
    seen = {sample.sha256 for sample in earlier}
    fresh = [sample for sample in samples if sample.sha256 not in seen]
    require_same_as_before(samples, earlier)
    if not fresh:
        raise CalibrationError("All these photos are in the profile already.")
    fluids = [sample.sha256 for sample in fresh if sample.evidence.state not in PRINTED_STATES]
    if len(set(fluids)) < len(fluids):
        raise CalibrationError("The same photo is given twice; each fluid needs its own.")
    everything = (*earlier, *fresh)
    require_one_vial(everything)
    return Profile(
        samples=everything,
        light=light if base is None else common_light(light, base.light),
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def _measured(photo: KnownPhoto) -> KnownSample:
    try:
        fluid = see_clear_fluid(photo.path)
    except Refusal as refusal:
        raise _photo_refused(photo.path, refusal) from None
    if "dark-fluid" in fluid.signal.flags and photo.state == "known":
        raise PhotoRefused(f"{photo.path}: the fluid is too dark to calibrate with; use less dye or more light.")
    evidence = evidence_of(fluid, photo)
    if not fits_its_state(evidence):
        raise PhotoRefused(f"{photo.path}: {_WRONG_STATE[photo.state].format(ph=photo.ph)}")
    return _sample(evidence, photo.path, fluid.photo, _sha256(photo.path))


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
        # The time of the file is when it was copied, as a rule.
        taken_at="" if photo.taken_at is None or photo.time_source == "file time" else photo.taken_at.isoformat(),
        camera_model=photo.camera_model or "",
    )


def _photo_refused(path: str | os.PathLike[str], refusal: Refusal) -> PhotoRefused:
    return PhotoRefused(f"{path}: {refusal.reason.message} {refusal.reason.next_step}")


def _sha256(path: str | os.PathLike[str]) -> str:
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()
