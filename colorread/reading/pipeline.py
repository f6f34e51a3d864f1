"""The steps of a reading in order: photo, card, balance, vial, signal, dye, carbonate, reading."""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import (
    CHART_PH,
    PhPosterior,
    Profile,
    dye_transmittance,
    encode_srgb,
    rgb_lin_from_xyz,
    rgb_lin_under_d65,
    xyz_from_rgb_lin,
)
from colorread.errors import Reason, Refusal, refusal
from colorread.fluid import (
    FluidSignal,
    Rectangle,
    color_map,
    find_vial,
    measure_fluid,
    point_at_vial,
    require_enough_pixels,
    shows_chart,
)
from colorread.limits import FluidKind, LightName
from colorread.photo import Photo, Source, load_close_up, load_photo
from colorread.reading.interpretation import PhotoInputs, blank_reading, complete_reading, fluid_ph_posterior, pka_of
from colorread.reference import ENOUGH_PX_PER_MM, ReferenceFit, balance_view, find_references, view_card
from colorread.result import Reading, Trace
from colorread.words import USUAL_MARKS, Marks

_AROUND_MM = 4.0  # margin of the close-up: what the view shows around card or tag, plus the reach of its smoothing
_WASHED_OUT_FLAGS = frozenset(("glare", "clipped"))  # white may hide the color: more dye would not help
_CORNER_FLAGS = frozenset(("marker-missing", "two-markers", "marker-off"))
# Misfit from which a color counts as odd: 1 in 20 rendered fluids, on photos kept out of all fitting, has more.
_ODD_MISFIT = 1.5
# Misfit beyond which it cannot be the dye: at most 4.8 on 497 rendered fluids kept out of training, and 5.3 on one of
# the two other dyes among them.
_MAX_MISFIT = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """
    What was found in a photo; nothing of whatever a refusal cut short.

    Parameters
    ----------
    trace : Trace
        For the evidence picture, still without colors.
    photo : Photo or None
        As loaded.
    card : ReferenceFit or None
        Where card or tag lies.
    signal : FluidSignal or None
        Color of the fluid.
    reason : Reason or None
        Why it was not measured.
    """

    trace: Trace
    photo: Photo | None = None
    card: ReferenceFit | None = None
    signal: FluidSignal | None = None
    reason: Reason | None = None


def read_photo(
    source: Source,
    *,
    kh_dkh: float | None = None,
    temperature_c: float | None = None,
    fluid: FluidKind = "reference",
    tank_kh_dkh: float | None = None,
    light: LightName = "unknown",
    vial_xywh: Rectangle | None = None,
    profile: Profile | None = None,
    marks: Marks = USUAL_MARKS,
) -> Reading:
    """
    Read pH and CO2 from one photo of the vial in front of card or tag.

    Parameters
    ----------
    source : path or ndarray, shape (H, W, 3)
        A photo file, or an upright sRGB-encoded picture (uint8, or float 0..1).
    kh_dkh : float, optional
        KH of the fluid in the vial, 4 if not given [dKH].
    temperature_c : float, optional
        Temperature of the water, 25 if not given [degC].
    fluid : {'reference', 'tank-water'}, default 'reference'
        What the vial holds.
    tank_kh_dkh : float, optional
        KH of the tank; gives the pH that a probe in the tank should show [dKH].
    light : str, default 'unknown'
        Lamp class: daylight, warm-led, cool-led, fluorescent, tank-led or unknown.
    vial_xywh : tuple of float, optional
        Rectangle around the fluid, left, top, width, height, in pixels of the upright photo at full size.
    profile : Profile, optional
        Calibration of this phone, vial, fluid and light.
    marks : Marks, optional
        Limits that plants and fish are judged by; the usual ones if not given.

    Returns
    -------
    Reading
        Numbers with their intervals, or the reason why there are none; a bad photo does not raise.

    Raises
    ------
    OSError, MemoryError
        If the machine is at fault, not the photo: a disk that fails, memory that runs out.
    ValueError
        If an argument lies outside its range.
    """
    inputs = PhotoInputs(
        kh_dkh=kh_dkh,
        temperature_c=temperature_c,
        fluid=fluid,
        tank_kh_dkh=tank_kh_dkh,
        light=light,
        vial_xywh=vial_xywh,
        profile=profile,
        marks=marks,
    )
    return read_photo_traced(source, inputs)[0]


def read_photo_traced(source: Source, inputs: PhotoInputs) -> tuple[Reading, Trace]:
    """
    Read one photo, and also return what was found on the way; errors as in `read_photo`.

    Parameters
    ----------
    source : path or ndarray
        As in `read_photo`.
    inputs : PhotoInputs
        What the keeper entered.

    Returns
    -------
    reading : Reading
        The result.
    trace : Trace
        For the evidence picture.
    """
    seen = observe_fluid(source, inputs.vial_xywh)
    reading, photo, signal = _reading_before_color(source, inputs, seen), seen.photo, seen.signal
    if photo is None or signal is None:
        return reading, seen.trace
    posterior, flags = fluid_ph_posterior(signal.samples, photo.color_space, photo.camera_model, inputs)
    odd = ("odd-color",) if posterior.misfit > _ODD_MISFIT else ()
    # What changes the number most comes first: a terminal shows one flag in full.
    reading = replace(reading, flags=(*odd, *signal.flags, *flags, *reading.flags))
    try:
        # With this much wrong at once, a damaged file is more likely than a bad photo.
        if {"card-bent", "dark-fluid"} <= set(reading.flags) and not _CORNER_FLAGS.isdisjoint(reading.flags):
            raise refusal("doubtful-photo", name=reading.reference)
        require_clear_fluid(posterior, signal.flags)
    except Refusal as refused:
        return replace(reading, reason=refused.reason), seen.trace
    if inputs.profile is not None:
        reading = replace(reading, profile=inputs.profile.name or f"made {inputs.profile.made_at}")
    fluid_lin = signal.transmittance_rgb * 10.0**posterior.neutral_density
    spectra = dye_transmittance(np.array(CHART_PH) - pka_of(inputs), posterior.load)
    trace = replace(
        seen.trace,
        fluid_rgb=_encoded(rgb_lin_from_xyz(xyz_from_rgb_lin(fluid_lin, photo.color_space), "srgb")),
        scale_rgb=tuple(zip(CHART_PH, _encoded(rgb_lin_under_d65(spectra, "srgb")), strict=True)),
    )
    return complete_reading(reading, posterior, inputs), trace


def observe_fluid(source: Source, vial_xywh: Rectangle | None = None) -> Observation:
    """
    Find and measure the fluid in a photo.

    Parameters
    ----------
    source : path or ndarray
        As in `read_photo`.
    vial_xywh : tuple of float, optional
        As in `read_photo`.

    Returns
    -------
    Observation
        The fluid, or whatever was found and the reason why there is no more.
    """
    photo = None
    try:
        photo = load_photo(source)
        fits = find_references(photo.rgb_u8)
    except Refusal as refused:
        trace = Trace(rgb_u8=None if photo is None else photo.rgb_u8)
        return Observation(trace=trace, photo=photo, reason=refused.reason)
    observations = [_observe_in_front_of(fit, source, photo, vial_xywh) for fit in fits]
    return next((seen for seen in observations if seen.signal is not None), observations[0])


def _observe_in_front_of(fit: ReferenceFit, source: Source, photo: Photo, vial_xywh: Rectangle | None) -> Observation:
    trace = Trace(rgb_u8=photo.rgb_u8, card_corners_px=fit.corners_px, reference=fit.reference.name)
    try:
        around_px = fit.plane.px_from_mm(fit.reference.outline.grown(_AROUND_MM).corners_mm)
        close_up = load_close_up(source, photo, around_px, ENOUGH_PX_PER_MM / fit.px_per_mm)
        view = view_card(close_up, fit)
        balance = balance_view(view)
        colors = color_map(balance.rgb_lin, balance.paper_lin, balance.chroma_std)
        if shows_chart(view, colors):
            raise refusal("chart-not-card")
        if vial_xywh is None:
            vials = find_vial(view, colors)
        else:
            vials = point_at_vial(view, colors, view.view_xy(photo.corners_px(vial_xywh)))
        if not vials:
            if balance.is_overexposed:
                raise refusal("overexposed", what="paper")
            raise refusal("no-vial", name=view.card.name)
        trace = replace(trace, vial_outlines_px=tuple(view.photo_xy(vial.outline_px) for vial in vials))
        if len(vials) > 1:
            raise refusal("two-vials")
        require_enough_pixels(vials[0].area_mm2, fit.px_per_mm * close_up.times, fit.distance_mm)
        signal = measure_fluid(view, balance, colors, vials[0], photo.color_space)
    except Refusal as refused:
        return Observation(trace=trace, photo=photo, card=fit, reason=refused.reason)
    return Observation(trace=replace(trace, used_px=signal.used_px), photo=photo, card=fit, signal=signal)


def _reading_before_color(source: Source, inputs: PhotoInputs, seen: Observation) -> Reading:
    """Return the part of a reading that does not depend on the color of the fluid."""
    photo, card, outlines_px = seen.photo, seen.card, seen.trace.vial_outlines_px
    flags = (*(() if card is None else card.flags), *(() if inputs.vial_xywh is None else ("vial-pointed",)))
    name = "array" if isinstance(source, np.ndarray) else os.fspath(source)
    reading = replace(blank_reading(name, inputs), flags=flags, reason=seen.reason)
    if photo is not None:
        reading = replace(reading, taken_at=photo.taken_at, time_source=photo.time_source)
    if photo is None or card is None:
        return reading
    return replace(
        reading,
        reference=card.reference.name,
        card_corners_px=photo.full_size(card.corners_px),
        vial_outline_px=photo.full_size(outlines_px[0]) if len(outlines_px) == 1 else None,
    )


def require_clear_fluid(posterior: PhPosterior, flags: Collection[str], *, is_known: bool = False) -> None:
    """
    Refuse fluid that is overexposed, too faint, or not clearly colored by the dye.

    Parameters
    ----------
    posterior : PhPosterior
        Result of the dye model for the fluid.
    flags : collection of str
        What makes its color less certain, as in `FluidSignal`.
    is_known : bool, default False
        Whether the keeper knows the fluid; a color that fits badly then counts for little instead of being refused.

    Raises
    ------
    Refusal
        ``overexposed``, ``faint-color`` or ``not-the-dye``.
    """
    tells_nothing = posterior.open_below and posterior.open_above
    if tells_nothing and posterior.misfit < _ODD_MISFIT:
        if not _WASHED_OUT_FLAGS.isdisjoint(flags):
            raise refusal("overexposed", what="fluid")
        if "mixed-light" in flags:
            raise refusal("faint-color/two-lights")
        raise refusal("faint-color")
    if (tells_nothing or posterior.misfit > _MAX_MISFIT) and not is_known:
        raise refusal("not-the-dye")


def _encoded(srgb_lin: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    return np.asarray(encode_srgb(np.clip(srgb_lin, 0.0, 1.0)), dtype=np.float64)
