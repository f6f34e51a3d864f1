"""From photos of the vial with fluid of known state, or of a color chart, to a profile."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration import (
    CHART_PH,
    PRINTED_STATES,
    Evidence,
    KnownSample,
    Profile,
    SignalSamples,
    State,
    infer_ph,
    pka_prime,
)
from colorread.errors import Refusal
from colorread.fluid import ChartColors, measure_chart
from colorread.photo import Photo
from colorread.profiles.checks import (
    CalibrationError,
    PhotoRefused,
    common_light,
    fits_its_state,
    require_one_chart,
    require_one_phone,
    require_one_vial,
    require_same_as_before,
)
from colorread.profiles.known_photo import KnownPhoto
from colorread.reading import Fluid, require_clear_fluid, see_fluid

_USUAL_RANGE = (5.5, 8.5)  # pH range in which a calibration photo is looked at for plausibility: the dye's, rounded out
# How far the color of a print lies from that of the fluid it stands for, by wrong inks and by lamps under which both
# part: density, and share of the density. From simulated prints that err by 2.6 in color difference (CIEDE2000), and
# by twice those faults of the printer; with the chart of a kit so weighed, intervals of vials covered 90 % and more.
_PRINT_STD, _PRINT_STD_PER_DENSITY = 0.02, 0.1
_WRONG_STATE: Mapping[State, tuple[str, str]] = {  # message and next step
    "acid": (
        "The fluid in this photo is not all yellow.",
        "Use the photo of the acid fluid, or add some vinegar, mix, and take it again.",
    ),
    "base": (
        "The fluid in this photo is not all blue.",
        "Use the photo of the basic fluid, or add some baking soda, mix, and take it again.",
    ),
    "known": (
        "The color of the fluid does not fit pH {ph:.2f}.",
        "Check pH and ionic strength of the buffer, or KH and hours in outdoor air of the diluted fluid.",
    ),
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
        If a photo cannot be used, or the photos do not belong together.
    """
    samples = []
    for measured in measure_photos(photos):
        if isinstance(measured, PhotoRefused):
            raise measured
        samples.append(measured)
    return profile_of(samples, light=light, base=base)


def measure_photos(photos: Iterable[KnownPhoto]) -> Iterator[KnownSample | PhotoRefused]:
    """
    Measure the photos of a calibration, each by itself.

    Parameters
    ----------
    photos : iterable of KnownPhoto
        In any order.

    Yields
    ------
    KnownSample or PhotoRefused
        Of each in turn; why, where it cannot be read or its fluid has not the color of its state.
    """
    for photo in photos:
        try:
            evidence, seen = known_fluid(photo)
        except Refusal as refusal:
            yield PhotoRefused(photo.path, refusal.reason)
        else:
            yield _sample(evidence, photo.path, seen, _sha256(photo.path))


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
            raise PhotoRefused(path, refusal.reason) from None
    labels = CHART_PH if patch_ph is None else tuple(sorted(patch_ph))
    samples = [
        sample
        for path, chart in zip(paths, charts, strict=True)
        for sample in _patch_samples(path, chart, labels, "chart" if patch_ph is None else "kit-chart")
    ]
    require_one_phone(samples)
    require_one_chart(paths, [chart.density for chart in charts], labels)
    return profile_of(samples, light=light, base=base)


def see_clear_fluid(path: str | os.PathLike[str], state: State) -> Fluid:
    """
    Measure a photo of the vial whose pH the photo is not asked for.

    Parameters
    ----------
    path : path
        The photo.
    state : {'acid', 'base', 'known'}
        State of its fluid.

    Returns
    -------
    Fluid
        With its photo.

    Raises
    ------
    Refusal
        As for a reading, and ``dark-fluid`` where the fluid of known pH is.
    """
    seen = see_fluid(path)
    if seen.fluid is None:
        assert seen.reason is not None
        raise Refusal.of(seen.reason)
    fluid = seen.fluid
    posterior = infer_ph(fluid.signal.samples, space=fluid.photo.color_space, pka=pka_prime(), ph_range=_USUAL_RANGE)
    require_clear_fluid(posterior, is_known=True)
    if state == "known" and "dark-fluid" in fluid.signal.flags:
        raise Refusal("dark-fluid", "The fluid is too dark to calibrate with.", "Use less dye or more light.")
    return fluid


def known_fluid(photo: KnownPhoto) -> tuple[Evidence, Photo]:
    """
    Measure a photo and hold its color against what is known of the fluid.

    Parameters
    ----------
    photo : KnownPhoto
        The photo and what is known of it.

    Returns
    -------
    evidence : Evidence
        For a profile.
    photo : Photo
        As it was loaded.

    Raises
    ------
    Refusal
        As `see_clear_fluid`, and ``other-fluid`` where the fluid has not the color of its state.
    """
    fluid = see_clear_fluid(photo.path, photo.state)
    evidence = Evidence(
        samples=fluid.signal.samples,
        space=fluid.photo.color_space,
        state=photo.state,
        ph=photo.ph,
        ph_std=photo.ph_std,
        pka=photo.pka,
    )
    if not fits_its_state(evidence):
        message, next_step = _WRONG_STATE[photo.state]
        raise Refusal("other-fluid", message.format(ph=photo.ph), next_step)
    return evidence, fluid.photo


def profile_of(samples: Sequence[KnownSample], *, light: str = "unknown", base: Profile | None = None) -> Profile:
    """
    Make a profile of what was measured.

    Parameters
    ----------
    samples : sequence of KnownSample
        At least one.
    light : str, default 'unknown'
        Lamp class of all photos.
    base : Profile, optional
        As in `make_profile`.

    Returns
    -------
    Profile
        With the evidence of all.

    Raises
    ------
    CalibrationError
        If the photos do not belong together.
    """
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


def _sha256(path: str | os.PathLike[str]) -> str:
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()
