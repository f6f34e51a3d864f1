"""From photos of the vial with fluid of known state (ends, buffer, in fresh air), or of a color chart, to a profile."""

from __future__ import annotations

import hashlib
import math
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration import (
    CHART_PH,
    PRINTED_STATES,
    RATIO,
    Evidence,
    Floats,
    KnownSample,
    Profile,
    SignalSamples,
    State,
    direction_deg,
    fit_family,
    infer_ph,
    pka_prime,
    signal_family,
)
from colorread import limits
from colorread.chemistry import dye_ph_std, ionic_strength, ph_by_rule_of_thumb, ph_in_air_equilibrium
from colorread.errors import Reason, Refusal, refusal
from colorread.fluid import ChartColors, measure_chart
from colorread.photo import Photo
from colorread.profiles.presentation import known_words
from colorread.reading import observe_fluid, require_clear_fluid

# A fresh store-bought buffer is right within 0.02 (its makers), plus some for handling: assumption.
_BUFFER_PH_STD = 0.03
# Indoor air has 600 to 1500 ppm while outdoor air has 420 (common practice, no source). The value entered is taken as
# known within 15 %, the KH of each dilution within 5 %; the alkalinity of the dye adds to both. All dilutions share the
# errors of air and dye, but each counts them as its own, so several narrow the pKa' a little too much. This is left so:
# the prior of the pKa' masks it, and the intervals covered 90 % either way.
_AIR_STD, _KH_STD = 0.15, 0.05
_PATCH_PH_RANGE = (5.0, 9.0)  # bromothymol blue stops changing color well inside it
_PATCH_CO2_RANGE_MG_L = (0.1, 1000.0)
_PATCH_UNIT = re.compile(r"\s*(mg\s*/\s*l|ppm)\s*$", re.IGNORECASE)  # the same number in tank water
_PATCHES_MIN = 3
_PATCH_EXAMPLES = 'such as "6.4 6.6 6.8 7.0" or, with the KH, "5 10 20 30 mg/L"'
_USUAL_RANGE = (5.5, 8.5)  # pH range for checking a calibration photo: that of the dye, rounded out
# How far the color of a print lies from that of the fluid it stands for, through wrong inks and metamerism: density,
# and share of the density. From simulated prints with a color difference (CIEDE2000) of 2.6, and from printers with
# twice those faults; with the chart of a kit weighted like this, intervals of vials covered 90 % or more.
_PRINT_STD, _PRINT_STD_PER_DENSITY = 0.02, 0.1
_KIT_PH_STD = 0.1  # how well a maker's patches match the maker's own dye: assumption
# Least likelihood of dye that is all yellow or blue, relative to the dye that fits best: 0.7 or more for the acid and
# basic fluids of four rendered vials, below 0.1 for the yellowest fluids from pH 6.3 up.
_END_NOT_EXCLUDED = 0.1
# A fluid that needs a pKa' this far off to fit its known pH is another fluid (3 standard deviations).
_STRANGE_PKA_SHIFT = 0.3
_LEAST_PROBABILITY = 0.05  # of a pKa' nearer than that, for the fluid to be the known one: the usual level
_MAX_CHART_DIFFERENCE_PH = 0.12  # median between photos of one chart in one light: assumption
# Words for the ends of the dye's range.
_ENDS: Mapping[State, Mapping[str, str]] = {
    "acid": {"kind": "acid", "color": "yellow", "add": "vinegar"},
    "base": {"kind": "basic", "color": "blue", "add": "baking soda"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPhoto:
    """
    A photo of the vial with known fluid.

    Parameters
    ----------
    path : path
        The photo.
    state : {'acid', 'base', 'known'}
        Dye all yellow, all blue, or at a known pH.
    ph, ph_std : float
        Known pH and its standard uncertainty; unused for the ends [-].
    pka : float
        pKa' expected in that fluid [-].
    """

    path: str | os.PathLike[str]
    state: State
    ph: float
    ph_std: float
    pka: float


def end_photo(path: str | os.PathLike[str], state: State) -> KnownPhoto:
    """
    Return a photo of fully acid or fully basic fluid.

    Parameters
    ----------
    path : path
        The photo.
    state : {'acid', 'base'}
        Which end.

    Returns
    -------
    KnownPhoto
        With a nominal pH.
    """
    return KnownPhoto(path=path, state=state, ph=4.5 if state == "acid" else 9.5, ph_std=0.0, pka=pka_prime())


def buffer_photo(
    path: str | os.PathLike[str], ph: float, *, ionic_strength_mol_kg: float, temperature_c: float = 25.0
) -> KnownPhoto:
    """
    Return a photo of fluid of known pH.

    Parameters
    ----------
    path : path
        The photo.
    ph : float
        Its pH, 6.0 to 8.0 [-].
    ionic_strength_mol_kg : float
        Ionic strength of the fluid, which shifts its pKa' [mol/kg].
    temperature_c : float, default 25.0
        Temperature of the fluid [degC].

    Returns
    -------
    KnownPhoto
        With the pKa' of that fluid.

    Raises
    ------
    ValueError
        If a number is out of range.
    """
    limits.checked_number("The known pH", ph, *limits.KNOWN_PH_RANGE)
    limits.checked_number("The ionic strength", ionic_strength_mol_kg, *limits.IONIC_STRENGTH_RANGE_MOL_KG)
    limits.checked_number("The temperature", temperature_c, *limits.TEMPERATURE_RANGE_C)
    pka = pka_prime(temperature_c, ionic_strength_mol_kg=ionic_strength_mol_kg)
    return KnownPhoto(path=path, state="known", ph=ph, ph_std=_BUFFER_PH_STD, pka=pka)


def air_photo(
    path: str | os.PathLike[str], kh_dkh: float, *, air_ppm: float = limits.OUTDOOR_AIR_PPM, temperature_c: float = 25.0
) -> KnownPhoto:
    """
    Return a photo of fluid in equilibrium with air.

    Parameters
    ----------
    path : path
        The photo.
    kh_dkh : float
        KH of the fluid, 0.5 to 10 [dKH].
    air_ppm : float, default 420.0
        CO2 of the air at 1 atm, 200 to 3000; at high altitude, multiply by the air pressure in atm [ppm].
    temperature_c : float, default 25.0
        Temperature of fluid and air [degC].

    Returns
    -------
    KnownPhoto
        With the pH of the equilibrium; its uncertainty includes what the dye does to the KH.

    Raises
    ------
    ValueError
        If a number is out of range.
    """
    limits.checked_number("The KH", kh_dkh, *limits.AIR_KH_RANGE_DKH)
    limits.checked_number("The CO2 of the air", air_ppm, *limits.AIR_PPM_RANGE)
    limits.checked_number("The temperature", temperature_c, *limits.TEMPERATURE_RANGE_C)
    ph = float(ph_in_air_equilibrium(kh_dkh, temperature_c=temperature_c, air_ppm=air_ppm))
    std = float(np.hypot(np.hypot(_AIR_STD, _KH_STD) / np.log(10.0), dye_ph_std(kh_dkh)))
    pka = pka_prime(temperature_c, ionic_strength_mol_kg=float(ionic_strength(kh_dkh)))
    return KnownPhoto(path=path, state="known", ph=ph, ph_std=std, pka=pka)


def ph_of_patches(text: str, *, kh_dkh: float | None = None) -> tuple[float, ...]:
    """
    Return the pH of the patches of a chart.

    Kits compute CO2 by the usual rule 3 x KH x 10^(7 - pH) at any temperature, so the rule also gives back their pH:
    assumption.

    Parameters
    ----------
    text : str
        Numbers in the order of the patches, separated by blanks: pH, or CO2 in mg/L with the unit after the last.
    kh_dkh : float, optional
        KH for which the CO2 holds [dKH].

    Returns
    -------
    tuple of float
        In the order of the text [-].

    Raises
    ------
    ValueError
        If a number cannot be read or is out of range, if there are fewer than three, if they do not rise or fall
        throughout, or if the KH is missing; one sentence.
    """
    numbers_text = _PATCH_UNIT.sub("", text)
    is_co2 = numbers_text != text
    words = numbers_text.replace(";", " ").replace(", ", " ").split()
    values = [_number(word) for word in words]
    name, unit, (low, high) = ("CO2", " mg/L", _PATCH_CO2_RANGE_MG_L) if is_co2 else ("pH", "", _PATCH_PH_RANGE)
    if len(values) < _PATCHES_MIN:
        raise ValueError(
            f"The list names {len(values)} patches, but at least {_PATCHES_MIN} are needed, {_PATCH_EXAMPLES}."
        )
    for value in values:
        if not low <= value <= high:
            hint = "" if is_co2 else '; for CO2 write "mg/L" after the last number'
            raise ValueError(f"The list of patches: {name} {value:g}{unit} is outside {low:g} to {high:g}{hint}.")
    if sorted(set(values)) not in (values, values[::-1]):
        raise ValueError("The list of patches must rise or fall throughout, in the order of the row.")
    if not is_co2:
        return tuple(values)
    if kh_dkh is None:
        raise ValueError("Patches in mg/L need the KH that the chart is made for.")
    return tuple(float(ph_by_rule_of_thumb(value, kh_dkh)) for value in values)


def _number(word: str) -> float:
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(
            f"The list of patches: {word!r} is not a number; separate numbers by spaces, {_PATCH_EXAMPLES}."
        )
    return value


class CalibrationError(ValueError):
    """Photos from which no profile can be made; one sentence."""


class PhotoRefused(CalibrationError):  # noqa: N818 - an error by its base
    """
    A photo that cannot be used; the others may be.

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


def make_profile(photos: Sequence[KnownPhoto], *, light: str = "unknown", base: Profile | None = None) -> Profile:
    """
    Measure photos and make a profile from them.

    Parameters
    ----------
    photos : sequence of KnownPhoto
        At least one.
    light, base
        As in `profile_from`.

    Returns
    -------
    Profile
        With the evidence of all photos.

    Raises
    ------
    CalibrationError
        If a photo cannot be used, or the photos do not belong together.
    """
    return profile_from([measure_known_fluid(photo) for photo in photos], light=light, base=base)


def make_chart_profile(
    paths: Sequence[str | os.PathLike[str]],
    *,
    patch_ph: Sequence[float] | None = None,
    region_xywh: tuple[float, float, float, float] | None = None,
    light: str = "unknown",
    base: Profile | None = None,
) -> Profile:
    """
    Measure photos of one color chart and make a profile from them.

    A chart counts little, since its inks are not the dye. The chart of this project only reveals phone and lamp; a
    kit's chart also reveals the dye, to which its maker matched it.

    Parameters
    ----------
    paths : sequence of path
        Photos of the same chart in the light of the readings.
    patch_ph : sequence of float, optional
        pH of the patches of a kit's chart, in their order along the row; without it the photos show the chart of this
        project [-].
    region_xywh : tuple of float, optional
        Where the row of a kit's chart lies: left, top, width, height in pixels of the upright photo at full size.
    light, base
        As in `profile_from`.

    Returns
    -------
    Profile
        With a sample for each patch of each photo.

    Raises
    ------
    CalibrationError
        If a photo cannot be read, or the photos do not belong together.
    """
    state: State = "chart" if patch_ph is None else "kit-chart"
    labels = CHART_PH if patch_ph is None else tuple(sorted(patch_ph))
    charts, samples = [], []
    for path in paths:
        with _naming(path):
            chart = measure_chart(path, None if patch_ph is None else len(patch_ph), region_xywh)
        charts.append(chart)
        about = _about(path, chart.photo)
        samples += [KnownSample(evidence=patch, **about) for patch in _patches(chart, labels, state)]
    _require_one_phone(samples)
    for path, chart in zip(paths[1:], charts[1:], strict=True):
        difference = np.abs(ph_by_chart(chart.density, charts[0].density, labels) - labels)
        if float(np.median(difference)) > _MAX_CHART_DIFFERENCE_PH:
            raise CalibrationError(
                f"{paths[0]} and {path} do not show the same chart in the same light; use photos of one chart, taken "
                "one after another."
            )
    return profile_from(samples, light=light, base=base)


def measure_clear_fluid(path: str | os.PathLike[str], state: State) -> tuple[Photo, SignalSamples]:
    """
    Measure the fluid in a calibration photo.

    Parameters
    ----------
    path : path
        The photo.
    state : {'acid', 'base', 'known'}
        State of its fluid.

    Returns
    -------
    photo : Photo
        As loaded.
    samples : SignalSamples
        Color of the fluid.

    Raises
    ------
    PhotoRefused
        As for a reading, and ``dark-fluid`` if a fluid of known pH is too dark.
    """
    with _naming(path):
        seen = observe_fluid(path)
        if seen.reason is not None:
            raise Refusal(seen.reason)
        photo, signal = seen.photo, seen.signal
        assert photo is not None
        assert signal is not None
        posterior = infer_ph(signal.samples, space=photo.color_space, pka=pka_prime(), ph_range=_USUAL_RANGE)
        require_clear_fluid(posterior, signal.flags, is_known=True)
        if state == "known" and "dark-fluid" in signal.flags:
            raise refusal("dark-fluid")
    return photo, signal.samples


def measure_known_fluid(known: KnownPhoto) -> KnownSample:
    """
    Measure a photo and check its color against what is known of the fluid.

    Parameters
    ----------
    known : KnownPhoto
        The photo and what is known of it.

    Returns
    -------
    KnownSample
        For a profile.

    Raises
    ------
    PhotoRefused
        As in `measure_clear_fluid`, and ``other-fluid`` if the fluid does not have the color of its state.
    """
    photo, samples = measure_clear_fluid(known.path, known.state)
    space, state = photo.color_space, known.state
    evidence = Evidence(samples=samples, space=space, state=state, ph=known.ph, ph_std=known.ph_std, pka=known.pka)
    if not _fits_its_state(evidence):
        raise PhotoRefused(known.path, _other_fluid(evidence).reason)
    return KnownSample(evidence=evidence, **_about(known.path, photo))


def _other_fluid(evidence: Evidence) -> Refusal:
    """Return the refusal of a fluid whose color is not that of its state."""
    if evidence.state == "known":
        return refusal("other-fluid/known", ph=evidence.ph)
    expected, opposite = _ENDS[evidence.state], replace(evidence, state="base" if evidence.state == "acid" else "acid")
    if _fits_its_state(opposite):
        return refusal("other-fluid/exchanged", color=_ENDS[opposite.state]["color"], expected=expected["color"])
    return refusal("other-fluid/end", **expected)


@contextmanager
def _naming(path: str | os.PathLike[str]) -> Iterator[None]:
    """Name the photo that is refused in a ``with`` block."""
    try:
        yield
    except Refusal as refused:
        raise PhotoRefused(path, refused.reason) from None


def profile_from(samples: Sequence[KnownSample], *, light: str = "unknown", base: Profile | None = None) -> Profile:
    """
    Make a profile from samples.

    Parameters
    ----------
    samples : sequence of KnownSample
        At least one.
    light : str, default 'unknown'
        Lamp class of all photos.
    base : Profile, optional
        An earlier profile of the same vial, phone and light, to which the samples are added.

    Returns
    -------
    Profile
        With the samples of both.

    Raises
    ------
    CalibrationError
        If the photos do not belong together.
    """
    earlier = () if base is None else base.samples
    seen = {sample.sha256 for sample in earlier}
    fresh = [sample for sample in samples if sample.sha256 not in seen]
    _require_same_as_before(samples, earlier)
    if not fresh:
        raise CalibrationError("All these photos are already in the profile.")
    fluids = [sample.sha256 for sample in fresh if sample.evidence.state not in PRINTED_STATES]
    if len(set(fluids)) < len(fluids):
        raise CalibrationError("The same photo is given twice; each fluid needs its own.")
    everything = (*earlier, *fresh)
    _require_one_phone(everything)
    return Profile(
        samples=everything,
        light=light if base is None else _common_light(light, base.light),
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
    )


def ph_by_chart(density: Floats, chart_density: Floats, chart_ph: Sequence[float]) -> Floats:
    """
    Return the pH at which a chart has the direction of each color, like a comparison by eye.

    The patches of the chart, shape (N, 3), run from yellow to blue, and their pH rises.
    """
    # Print and noise may swap neighbors that hardly differ, so no direction may fall.
    rising = np.maximum.accumulate(direction_deg(chart_density))
    return np.interp(direction_deg(density), rising, chart_ph)


def _patches(chart: ChartColors, labels: Sequence[float], state: State) -> list[Evidence]:
    std = np.hypot(chart.density_std, _PRINT_STD + _PRINT_STD_PER_DENSITY * np.maximum(chart.density, 0.0))
    return [
        Evidence(
            samples=SignalSamples(density=chart.density[[n]], density_std=std[[n]]),
            space=chart.photo.color_space,
            state=state,
            ph=ph,
            ph_std=0.0 if state == "chart" else _KIT_PH_STD,
            pka=pka_prime(),
        )
        for n, ph in enumerate(labels)
    ]


def _about(path: str | os.PathLike[str], photo: Photo) -> dict[str, str]:
    """Return what a sample says about its photo."""
    # A file's time is usually the time when it was copied.
    taken_at = None if photo.time_source == "file time" else photo.taken_at
    return {
        "photo": Path(path).name,
        "sha256": hashlib.sha256(Path(path).read_bytes()).hexdigest(),
        "taken_at": "" if taken_at is None else taken_at.isoformat(),
        "camera_model": photo.camera_model or "",
    }


def _fits_its_state(evidence: Evidence) -> bool:
    """
    Return whether the color of a fluid agrees with its known state.

    False if dye that should be all yellow or all blue is in between, or if only a dye with an unusual pKa' would have
    that color at the known pH.
    """
    family = signal_family(evidence.space)
    log_likelihood = fit_family(evidence.samples, family.density).log_likelihood[:, 0]
    by_ratio = family.weight @ np.exp(log_likelihood - log_likelihood.max())  # over `RATIO`
    if evidence.state == "known":
        near = np.abs(RATIO - (evidence.ph - evidence.pka)) < _STRANGE_PKA_SHIFT
        return float(by_ratio[near].sum()) > _LEAST_PROBABILITY * float(by_ratio.sum())
    at_end = by_ratio[0 if evidence.state == "acid" else -1]
    return float(at_end) > _END_NOT_EXCLUDED * float(by_ratio.max())


def _require_same_as_before(samples: Sequence[KnownSample], earlier: Sequence[KnownSample]) -> None:
    """Refuse a photo that the profile holds with another state."""
    by_hash = {sample.sha256: sample.evidence for sample in earlier}
    known = {_known_state(sample) for sample in earlier}
    for sample in samples:
        if sample.sha256 in by_hash and _known_state(sample) not in known:
            raise CalibrationError(
                f"{sample.photo} is already in the profile as {known_words(by_hash[sample.sha256])}; to change that, "
                "make a new profile."
            )


def _known_state(sample: KnownSample) -> tuple[str, str, float, float]:
    known = sample.evidence
    return sample.sha256, known.state, round(known.ph, 4), round(known.pka, 4)  # as precise as a profile stores them


def _require_one_phone(samples: Sequence[KnownSample]) -> None:
    models = {sample.camera_model for sample in samples if sample.camera_model}
    if len(models) > 1:
        raise CalibrationError(f"The photos come from different phones ({', '.join(sorted(models))}); use one.")


def _common_light(light: str, earlier: str) -> str:
    """Return the lamp of both parts of a profile; unknown if neither is known."""
    if "unknown" not in (light, earlier) and light != earlier:
        raise CalibrationError(
            f"The profile is for {earlier}, these photos are for {light}; make a separate profile for each lamp."
        )
    return earlier if light == "unknown" else light
