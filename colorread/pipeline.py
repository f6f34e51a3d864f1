"""The path of the light in order: photo, card, balance, vial, signal, dye, carbonate, reading."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.camera import dye_transmittance, rgb_lin_under_d65
from calibration.color_space import encode_srgb, rgb_lin_from_xyz, xyz_from_rgb_lin
from calibration.dye import pka_prime
from calibration.evidence import Evidence
from calibration.inversion import PhPosterior, infer_ph
from calibration.profile import Profile, validity
from colorread.balance import balance_view
from colorread.carbonate import ionic_strength
from colorread.card.find import CardFit, find_card
from colorread.card.view import CardView, view_card
from colorread.chart_find import shows_chart
from colorread.errors import Refusal
from colorread.interpretation import Settings, checked_settings, usual_ph_range, with_numbers, without_numbers
from colorread.photo.load import Photo, load_photo, photo_from_array
from colorread.reading import FluidKind, LightName, Reading, Reason, Trace
from colorread.signal import FluidSignal, measure_fluid, require_fluid
from colorread.verdict import USUAL_MARKS, Marks
from colorread.vial.color import ColorMap, color_map
from colorread.vial.find import find_vial, point_at_vial
from colorread.vial.outline import VialFit

_SCALE_PH = (6.0, 6.2, 6.4, 6.6, 6.8, 7.0, 7.2, 7.4, 7.6)
# Probability that a profile applies to a photo: of the phone it was made with, and of another one, under another lamp
# or beyond the pH it reached. Assumptions; they set how much a contradiction must weigh before it is given up.
_TRUST_SAME_PHONE, _TRUST_ELSEWHERE = 0.95, 0.3

Source = str | os.PathLike[str] | NDArray[Any]
Rectangle = tuple[float, float, float, float]


@dataclass(slots=True, kw_only=True)
class Seen:
    """What was seen of one photo so far; what a refusal cut off stays None."""

    photo: Photo | None = None
    card: CardFit | None = None
    view: CardView | None = None
    colors: ColorMap | None = None
    vial: VialFit | None = None
    signal: FluidSignal | None = None


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
    Read pH and CO2 from one photo of the vial before the card.

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
    return read_photo_traced(
        source,
        kh_dkh=kh_dkh,
        temperature_c=temperature_c,
        fluid=fluid,
        tank_kh_dkh=tank_kh_dkh,
        light=light,
        vial_xywh=vial_xywh,
        profile=profile,
        marks=marks,
    )[0]


def read_photo_traced(
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
) -> tuple[Reading, Trace]:
    """
    Read one photo and keep what was seen on the way; parameters and errors as in `read_photo`.

    Returns
    -------
    reading : Reading
        The result.
    trace : Trace
        For the evidence picture.
    """
    settings = checked_settings(kh_dkh, temperature_c, fluid, tank_kh_dkh, light, marks)
    _check_rectangle(vial_xywh)
    seen = Seen()
    flags = [] if vial_xywh is None else ["vial-pointed"]
    try:
        measure_photo(source, seen, vial_xywh)
        assert seen.photo is not None
        assert seen.signal is not None
        pka = pka_prime(settings.temperature_c, ionic_strength_mol_kg=float(ionic_strength(settings.kh_dkh)))
        posterior = _infer(seen.photo, seen.signal, settings, pka, profile, flags)
        require_clear_fluid(seen, posterior, pointed=vial_xywh is not None)
    except Refusal as refusal:
        reason = Reason(code=refusal.code, message=refusal.message, next_step=refusal.next_step)
        return _reading_without_numbers(source, seen, settings, flags, reason), _trace(seen)
    reading = _reading_without_numbers(source, seen, settings, flags, None)
    if profile is not None:
        reading = replace(reading, profile=profile.name or f"made {profile.made_at}")
    return with_numbers(reading, posterior, settings), _trace(seen, posterior, pka)


def measure_photo(source: Source, seen: Seen, vial_xywh: Rectangle | None = None) -> None:
    """
    Go from a photo to the color of the fluid.

    Parameters
    ----------
    source : path or ndarray
        As in `read_photo`.
    seen : Seen
        Is filled step by step, so that after a refusal it tells what was found.
    vial_xywh : tuple of float, optional
        As in `read_photo`.

    Raises
    ------
    Refusal
        Where a step finds that the photo gives no reading.
    """
    photo = seen.photo = photo_from_array(source) if isinstance(source, np.ndarray) else load_photo(source)
    fit = seen.card = find_card(photo.rgb_u8)
    view = seen.view = view_card(photo.rgb_u8, fit)
    balance = balance_view(view)
    colors = color_map(balance.rgb_lin, balance.paper.rgb_lin, balance.paper.chroma_std, view.px_per_mm)
    seen.colors = colors
    if shows_chart(view, colors):
        raise Refusal(
            "chart-not-card",
            "This is the printed color chart, not the card: its patches are no fluid.",
            "Hold the vial before the blank card; the chart is for calibrating.",
        )
    if vial_xywh is None:
        seen.vial = find_vial(view, balance.rgb_lin, colors)
    else:
        seen.vial = point_at_vial(view, colors, _rectangle_in_view(vial_xywh, photo, view))
    if seen.vial is None:
        raise Refusal(
            "no-vial",
            "No fluid with the color of the dye was found before the card.",
            "Hold the filled vial before the blank middle of the card, not beside it; an empty vial or clear water "
            "cannot be read.",
        )
    seen.signal = measure_fluid(view, colors, seen.vial, balance)


def _infer(
    photo: Photo, signal: FluidSignal, settings: Settings, pka: float, profile: Profile | None, flags: list[str]
) -> PhPosterior:
    if profile is None:
        return _posterior(photo, signal, settings, pka)
    flags.extend(elsewhere := _flags_of_unlike_photo(profile, photo, settings))
    if not elsewhere:
        posterior = _posterior(photo, signal, settings, pka, profile.evidence, _TRUST_SAME_PHONE)
        low, high = validity(profile)
        if low <= posterior.median <= high:
            return posterior
        flags.append("beyond-profile")
    posterior = _posterior(photo, signal, settings, pka, profile.evidence, _TRUST_ELSEWHERE)
    # A profile made elsewhere must not close an end that the photo by itself leaves open.
    alone = _posterior(photo, signal, settings, pka)
    return replace(
        posterior,
        open_below=posterior.open_below or alone.open_below,
        open_above=posterior.open_above or alone.open_above,
    )


def _flags_of_unlike_photo(profile: Profile, photo: Photo, settings: Settings) -> list[str]:
    """Return flags for what a photo does not share with those of a profile."""
    flags = []
    if profile.camera_models and photo.camera_model not in profile.camera_models:
        flags.append("unknown-phone" if photo.camera_model is None else "other-phone")
    if "unknown" not in (profile.light, settings.light) and profile.light != settings.light:
        flags.append("other-light")
    return flags


def _posterior(
    photo: Photo,
    signal: FluidSignal,
    settings: Settings,
    pka: float,
    evidence: tuple[Evidence, ...] = (),
    trust: float = 1.0,
) -> PhPosterior:
    return infer_ph(
        signal.samples,
        space=photo.color_space,
        pka=pka,
        ph_range=usual_ph_range(settings),
        light_class=None if settings.light == "unknown" else settings.light,
        evidence=evidence,
        trust=trust,
    )


def require_clear_fluid(seen: Seen, posterior: PhPosterior, *, pointed: bool) -> None:
    """
    Refuse what is no clear fluid, or too faint.

    Parameters
    ----------
    seen : Seen
        From `measure_photo`.
    posterior : PhPosterior
        What the dye model makes of it.
    pointed : bool
        The user pointed at it.

    Raises
    ------
    Refusal
        ``not-a-vial`` or ``faint-color``.
    """
    assert seen.view is not None
    assert seen.colors is not None
    assert seen.vial is not None
    assert seen.signal is not None
    require_fluid(seen.view, seen.colors, seen.vial, seen.signal, posterior, pointed=pointed)
    if posterior.open_below and posterior.open_above:
        raise Refusal(
            "faint-color",
            "The color of the fluid is too faint to tell yellow from blue.",
            "Add a drop or two more of the dye to the vial, or come closer with more light, and try again.",
        )


def _trace(seen: Seen, posterior: PhPosterior | None = None, pka: float = 0.0) -> Trace:
    outline_px = used_px = fluid_rgb = None
    if seen.view is not None and seen.vial is not None:
        outline_px = seen.view.photo_xy(seen.vial.outline_px)
    if seen.view is not None and seen.signal is not None:
        rows, cols = np.nonzero(seen.signal.used)
        used_px = seen.view.photo_xy(np.stack([cols, rows], axis=-1))
    if seen.photo is not None and seen.signal is not None and posterior is not None:
        fluid_lin = seen.signal.transmittance_rgb * 10.0**posterior.neutral_density
        fluid_rgb = _display_color(fluid_lin, seen.photo)
    return Trace(
        rgb_u8=None if seen.photo is None else seen.photo.rgb_u8,
        card_corners_px=None if seen.card is None else seen.card.corners_px,
        vial_outline_px=outline_px,
        used_px=used_px,
        fluid_rgb=fluid_rgb,
        scale_rgb=() if posterior is None else _color_scale(posterior.load, pka),
    )


def _display_color(rgb_lin: NDArray[np.float64], photo: Photo) -> NDArray[np.float64]:
    srgb_lin = rgb_lin_from_xyz(xyz_from_rgb_lin(rgb_lin, photo.color_space), "srgb")
    return np.asarray(encode_srgb(np.clip(srgb_lin, 0.0, 1.0)), dtype=np.float64)


def _color_scale(load: float, pka: float) -> tuple[tuple[float, NDArray[np.float64]], ...]:
    spectra = dye_transmittance(np.array(_SCALE_PH) - pka, load)
    colors = encode_srgb(np.clip(rgb_lin_under_d65(spectra, "srgb"), 0.0, 1.0))
    return tuple(zip(_SCALE_PH, colors, strict=True))


def _check_rectangle(vial_xywh: Rectangle | None) -> None:
    if vial_xywh is None:
        return
    if len(vial_xywh) != 4 or not np.isfinite(vial_xywh).all() or min(vial_xywh[2:]) <= 0.0:
        raise ValueError("The rectangle around the vial needs four numbers, width and height above zero.")


def _rectangle_in_view(xywh: Rectangle, photo: Photo, view: CardView) -> NDArray[np.float64]:
    """Return the corners of a rectangle of the full-size photo in view pixels, shape (4, 2)."""
    x, y, width, height = (value * photo.scale for value in xywh)
    return view.view_xy(np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)]))


def _full_size(xy_px: NDArray[np.float64], photo: Photo) -> tuple[tuple[float, float], ...]:
    """Return working pixels as pixels of the upright photo at full size (first pixel centered at 0, 0)."""
    full = (xy_px + 0.5) / photo.scale - 0.5
    return tuple((float(x), float(y)) for x, y in full)


def _reading_without_numbers(
    source: Source, seen: Seen, settings: Settings, flags: list[str], reason: Reason | None
) -> Reading:
    photo, card = seen.photo, seen.card
    outline = corners = None
    if photo is not None and card is not None:
        corners = _full_size(card.corners_px, photo)
        flags = [*card.flags, *flags]
        if seen.view is not None and seen.vial is not None:
            outline = _full_size(seen.view.photo_xy(seen.vial.outline_px), photo)
    if seen.signal is not None:
        flags = [*flags, *seen.signal.flags]
    return replace(
        without_numbers("array" if isinstance(source, np.ndarray) else os.fspath(source), settings, reason),
        taken_at=None if photo is None else photo.taken_at,
        time_source="unknown" if photo is None else photo.time_source,
        flags=tuple(flags),
        card_corners_px=corners,
        vial_outline_px=outline,
    )
