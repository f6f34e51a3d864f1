"""The path of the light in order: photo, card, balance, vial, signal, dye, carbonate, reading."""

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
    require_near,
    shows_chart,
)
from colorread.limits import FluidKind, LightName
from colorread.photo import Photo, Source, load_close_up, load_photo
from colorread.reading.interpretation import believed_ph, pka_of, with_numbers, without_numbers
from colorread.reading.stated import Stated
from colorread.reference import (
    ENOUGH_PX_PER_MM,
    CardView,
    ReferenceFit,
    balance_view,
    find_references,
    view_card,
)
from colorread.result import Reading, Trace
from colorread.words import USUAL_MARKS, Marks

_AROUND_MM = 4.0  # of card or tag: what the view shows beyond it, and what is smoothed into that
_CORNER_FLAGS = frozenset(("marker-missing", "two-markers", "marker-off"))
# From here on a color is called unlike the dye's: 1 in 20 of rendered fluids on photos left out of all fitting.
_ODD_MISFIT = 1.5
# No color of the dye: at most 4.8 on 497 rendered fluids never trained on, 5.3 on one of two other dyes in them.
_MAX_MISFIT = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fluid:
    """The fluid, with all that its color is judged by."""

    photo: Photo
    view: CardView
    signal: FluidSignal


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """
    What is seen of a photo; what a refusal cut off is None.

    Parameters
    ----------
    photo : Photo or None
        As loaded.
    card : ReferenceFit or None
        Where card or tag lies.
    outlines_px : tuple of ndarray of float64, shape (N, 2)
        Outline of the fluid in pixels of the loaded photo, or of the two things of which one may be it.
    fluid : Fluid or None
        The fluid, measured.
    reason : Reason or None
        Why there is no fluid.
    """

    photo: Photo | None = None
    card: ReferenceFit | None = None
    outlines_px: tuple[NDArray[np.float64], ...] = ()
    fluid: Fluid | None = None
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
        KH of the fluid in the vial, 4 where not given [dKH].
    temperature_c : float, optional
        Temperature of the water, 25 where not given [degC].
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
        What plants and fish are judged by; the customary ones where not given.

    Returns
    -------
    Reading
        Numbers with their intervals, or the reason why there are none: a bad photo raises nothing.

    Raises
    ------
    OSError, MemoryError
        Where the machine is to blame, not the photo: a disk that fails, memory that runs out.
    ValueError
        If an argument lies outside its range.
    """
    stated = Stated(
        kh_dkh=kh_dkh,
        temperature_c=temperature_c,
        fluid=fluid,
        tank_kh_dkh=tank_kh_dkh,
        light=light,
        vial_xywh=vial_xywh,
        profile=profile,
        marks=marks,
    )
    return read_photo_traced(source, stated)[0]


def read_photo_traced(source: Source, stated: Stated) -> tuple[Reading, Trace]:
    """
    Read one photo and keep what was seen on the way; errors as in `read_photo`.

    Parameters
    ----------
    source : path or ndarray
        As in `read_photo`.
    stated : Stated
        What is stated of the photo.

    Returns
    -------
    reading : Reading
        The result.
    trace : Trace
        For the evidence picture.
    """
    seen = see_fluid(source, stated.vial_xywh)
    reading = _so_far(source, stated, seen)
    if seen.fluid is None:
        return replace(reading, reason=seen.reason), _trace(seen)
    fluid, photo = seen.fluid, seen.fluid.photo
    posterior, flags = believed_ph(fluid.signal.samples, photo.color_space, photo.camera_model, stated)
    odd = ("odd-color",) if posterior.misfit > _ODD_MISFIT else ()
    reading = replace(reading, flags=(*reading.flags, *flags, *fluid.signal.flags, *odd))
    try:
        _require_believable(fluid.view.card.name, reading.flags)
        require_clear_fluid(posterior)
    except Refusal as refused:
        return replace(reading, reason=refused.reason), _trace(seen)
    if stated.profile is not None:
        reading = replace(reading, profile=stated.profile.name or f"made {stated.profile.made_at}")
    return with_numbers(reading, posterior, stated), _trace(seen, posterior, pka_of(stated))


def see_fluid(source: Source, vial_xywh: Rectangle | None = None) -> Seen:
    """
    Go from a photo to the color of the fluid.

    Parameters
    ----------
    source : path or ndarray
        As in `read_photo`.
    vial_xywh : tuple of float, optional
        As in `read_photo`.

    Returns
    -------
    Seen
        The fluid, or as far as it went and the reason why it went no further.
    """
    photo = None
    try:
        photo = load_photo(source)
        fits = find_references(photo.rgb_u8)
    except Refusal as refused:
        return Seen(photo=photo, reason=refused.reason)
    in_front_of = [_see_in_front_of(fit, source, photo, vial_xywh) for fit in fits]
    return next((seen for seen in in_front_of if seen.fluid is not None), in_front_of[0])


def _see_in_front_of(fit: ReferenceFit, source: Source, photo: Photo, vial_xywh: Rectangle | None) -> Seen:
    seen = Seen(photo=photo, card=fit)
    try:
        around_px = fit.plane.px_from_mm(fit.reference.outline.grown(_AROUND_MM).corners_mm)
        close_up = load_close_up(source, photo, around_px, ENOUGH_PX_PER_MM / fit.px_per_mm)
        view = view_card(close_up, fit)
        balance = balance_view(view)
        colors = color_map(balance.rgb_lin, balance.paper_lin, balance.chroma_std, view.px_per_mm)
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
        seen = replace(seen, outlines_px=tuple(view.photo_xy(vial.outline_px) for vial in vials))
        if len(vials) > 1:
            raise refusal("two-vials")
        require_near(vials[0].area_mm2, fit.px_per_mm * close_up.times, fit.distance_mm)
        signal = measure_fluid(view, balance, colors, vials[0])
    except Refusal as refused:
        return replace(seen, reason=refused.reason)
    return replace(seen, fluid=Fluid(photo=photo, view=view, signal=signal))


def _so_far(source: Source, stated: Stated, seen: Seen) -> Reading:
    """Return what a photo tells beside the color of the fluid."""
    reading = without_numbers("array" if isinstance(source, np.ndarray) else os.fspath(source), stated)
    pointed = () if stated.vial_xywh is None else ("vial-pointed",)
    photo, card = seen.photo, seen.card
    if photo is None:
        return replace(reading, flags=pointed)
    reading = replace(reading, taken_at=photo.taken_at, time_source=photo.time_source, flags=pointed)
    if card is None:
        return reading
    return replace(
        reading,
        flags=(*card.flags, *pointed),
        reference=card.reference.name,
        card_corners_px=photo.full_size(card.corners_px),
        vial_outline_px=photo.full_size(seen.outlines_px[0]) if len(seen.outlines_px) == 1 else None,
    )


def _require_believable(name: str, flags: Collection[str]) -> None:
    """Refuse where so much is wrong at once that the photo is rather damaged than badly taken."""
    if {"card-bent", "dark-fluid"} <= set(flags) and not _CORNER_FLAGS.isdisjoint(flags):
        raise refusal("doubtful-photo", name=name)


def require_clear_fluid(posterior: PhPosterior, *, is_known: bool = False) -> None:
    """
    Refuse what is no clear fluid, or too faint.

    Parameters
    ----------
    posterior : PhPosterior
        What the dye model makes of the fluid.
    is_known : bool, default False
        The keeper says what the fluid is: a color that fits badly then weighs little instead of being refused.

    Raises
    ------
    Refusal
        ``faint-color`` or ``not-the-dye``.
    """
    tells_nothing = posterior.open_below and posterior.open_above
    if tells_nothing and posterior.misfit < _ODD_MISFIT:
        raise refusal("faint-color")
    if (tells_nothing or posterior.misfit > _MAX_MISFIT) and not is_known:
        raise refusal("not-the-dye")


def _trace(seen: Seen, posterior: PhPosterior | None = None, pka: float = 0.0) -> Trace:
    used_px = fluid_rgb = None
    if seen.fluid is not None:
        fluid = seen.fluid
        rows, cols = np.nonzero(fluid.signal.used)
        used_px = fluid.view.photo_xy(np.stack([cols, rows], axis=-1))
        if posterior is not None:
            fluid_lin = fluid.signal.transmittance_rgb * 10.0**posterior.neutral_density
            srgb_lin = rgb_lin_from_xyz(xyz_from_rgb_lin(fluid_lin, fluid.photo.color_space), "srgb")
            fluid_rgb = _encoded(srgb_lin)
    scale_rgb: tuple[tuple[float, NDArray[np.float64]], ...] = ()
    if posterior is not None:
        spectra = dye_transmittance(np.array(CHART_PH) - pka, posterior.load)
        scale_rgb = tuple(zip(CHART_PH, _encoded(rgb_lin_under_d65(spectra, "srgb")), strict=True))
    return Trace(
        rgb_u8=None if seen.photo is None else seen.photo.rgb_u8,
        card_corners_px=None if seen.card is None else seen.card.corners_px,
        reference="card" if seen.card is None else seen.card.reference.name,
        vial_outlines_px=seen.outlines_px,
        used_px=used_px,
        fluid_rgb=fluid_rgb,
        scale_rgb=scale_rgb,
    )


def _encoded(srgb_lin: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    return np.asarray(encode_srgb(np.clip(srgb_lin, 0.0, 1.0)), dtype=np.float64)
