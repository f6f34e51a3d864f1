"""The path of the light in order: photo, card, balance, vial, signal, dye, carbonate, reading."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.camera import dye_transmittance, rgb_lin_under_d65
from calibration.card import load_card
from calibration.dye import pka_prime
from calibration.inversion import PhPosterior, infer_ph
from calibration.tone import decode_tone, fit_tone
from colorread.balance import fit_paper, require_usable_light, sample_greys
from colorread.carbonate import co2_from_ph, co2_rule_of_thumb, ionic_strength, ph_from_co2
from colorread.card_find import CardFit, find_card
from colorread.card_view import CardView, view_card
from colorread.color_space import encode_srgb, rgb_lin_from_xyz, xyz_from_rgb_lin
from colorread.errors import Refusal
from colorread.photo import Photo, load_photo, photo_from_array
from colorread.ranges import checked_range
from colorread.reading import FluidKind, Interval, LightName, Limit, Reading, Reason, Trace
from colorread.signal import FluidSignal, measure_fluid, require_fluid
from colorread.verdict import judge
from colorread.vial_find import chroma_map, find_vial, point_at_vial

DEFAULT_KH_DKH = 4.0
DEFAULT_TEMPERATURE_C = 25.0
# Before looking, the CO2 of a tank with gas is taken as equally likely between these, as pH; outside it falls off.
# From a third of the customary lower mark to twice the upper one: assumption.
_USUAL_CO2_MG_L = (5.0, 60.0)
# Uncertainty of the KH of a mixed fluid and of the temperature, as pH: 5 % in KH are 0.02 (see colorread.fluid).
_KH_STD_PH = 0.02
_OTHER_ACIDS_STD_PH = 0.1  # tank water in the vial: humic acids and phosphate buffer too; assumption
_LITTLE_DYE_LOAD = 0.15
_SCALE_PH = (6.0, 6.2, 6.4, 6.6, 6.8, 7.0, 7.2, 7.4, 7.6)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Settings:
    kh_dkh: float
    temperature_c: float
    fluid: FluidKind
    tank_kh_dkh: float | None
    light: LightName
    assumed: tuple[str, ...]
    vial_xywh: tuple[float, float, float, float] | None


def read_photo(
    source: str | os.PathLike[str] | NDArray[Any],
    *,
    kh_dkh: float | None = None,
    temperature_c: float | None = None,
    fluid: FluidKind = "reference",
    tank_kh_dkh: float | None = None,
    light: LightName = "unknown",
    vial_xywh: tuple[float, float, float, float] | None = None,
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

    Returns
    -------
    Reading
        Numbers with their intervals, or the reason why there are none: a bad photo raises nothing.

    Raises
    ------
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
    )[0]


def read_photo_traced(
    source: str | os.PathLike[str] | NDArray[Any],
    *,
    kh_dkh: float | None = None,
    temperature_c: float | None = None,
    fluid: FluidKind = "reference",
    tank_kh_dkh: float | None = None,
    light: LightName = "unknown",
    vial_xywh: tuple[float, float, float, float] | None = None,
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
    settings = _checked_settings(kh_dkh, temperature_c, fluid, tank_kh_dkh, light, vial_xywh)
    reading = _empty_reading(_name_of(source), settings)
    trace = Trace(rgb_u8=None)
    try:
        photo = photo_from_array(source) if isinstance(source, np.ndarray) else load_photo(source)
        reading = replace(reading, taken_at=photo.taken_at, time_source=photo.time_source)
        trace = replace(trace, rgb_u8=photo.rgb_u8)
        card = find_card(photo.rgb_u8)
        reading = replace(reading, flags=card.flags, card_corners_px=_full_size(card.corners_px, photo))
        trace = replace(trace, card_corners_px=card.corners_px)
        return _read_vial(photo, card, settings, reading, trace)
    except Refusal as refusal:
        return _refused(reading, refusal), trace


def _read_vial(
    photo: Photo, fit: CardFit, settings: _Settings, reading: Reading, trace: Trace
) -> tuple[Reading, Trace]:
    card = load_card()
    view = view_card(photo.rgb_u8, fit.homography, fit.px_per_mm, (card.outline.width_mm, card.outline.height_mm))
    tone = fit_tone(sample_greys(view, card))
    rgb_lin = decode_tone(np.arange(256) / 255.0, tone.strength).astype(np.float32)[view.rgb_u8]
    paper = fit_paper(view, rgb_lin, card)
    flags = list(reading.flags)
    try:
        require_usable_light(view, paper, card)
        chroma = chroma_map(rgb_lin, paper.rgb_lin, view.px_per_mm)
        if settings.vial_xywh is None:
            vial = find_vial(view, rgb_lin, chroma, paper.chroma_std, card)
        else:
            flags.append("vial-pointed")
            vial = point_at_vial(view, chroma, _rectangle_in_view(settings.vial_xywh, photo, view), card)
        if vial is None:
            raise Refusal(
                "no-vial",
                "No fluid with the color of the dye was found before the card.",
                "Hold the filled vial before the blank middle of the card, not beside it, or point at it with "
                "--vial X,Y,W,H; an empty vial or clear water cannot be read.",
            )
        outline_px = view.photo_xy(vial.outline_px)
        reading = replace(reading, vial_outline_px=_full_size(outline_px, photo))
        trace = replace(trace, vial_outline_px=outline_px)
        signal = measure_fluid(view, chroma, vial, paper, tone)
        used_rows, used_cols = np.nonzero(signal.used)
        trace = replace(trace, used_px=view.photo_xy(np.stack([used_cols, used_rows], axis=-1)))
        posterior, pka = _infer(signal, photo, settings)
        require_fluid(view, chroma, vial, signal, posterior)
        if posterior.open_below and posterior.open_above:
            raise Refusal(
                "faint-color",
                "The color of the fluid is too faint to tell yellow from blue.",
                "Add a drop or two more of the dye to the vial, or come closer with more light, and try again.",
            )
    except Refusal as refusal:
        return _refused(replace(reading, flags=tuple(flags)), refusal), trace

    flags += signal.flags
    if posterior.load < _LITTLE_DYE_LOAD:
        flags.append("little-dye")
    if settings.fluid == "tank-water":
        flags.append("tank-water")
    trace = replace(
        trace,
        fluid_rgb=_display_color(signal.transmittance_rgb * 10.0**posterior.neutral_density, photo),
        scale_rgb=_color_scale(posterior.load, pka),
    )
    return _with_numbers(reading, posterior, settings, flags), trace


def _infer(signal: FluidSignal, photo: Photo, settings: _Settings) -> tuple[PhPosterior, float]:
    ionic = float(ionic_strength(settings.kh_dkh))
    pka = pka_prime(settings.temperature_c, ionic_strength_mol_kg=ionic)
    low, high = (
        float(ph_from_co2(co2, settings.kh_dkh, temperature_c=settings.temperature_c))
        for co2 in reversed(_USUAL_CO2_MG_L)
    )
    light_class = None if settings.light == "unknown" else settings.light
    posterior = infer_ph(
        signal.samples, space=photo.color_space, pka=pka, ph_range=(low, high), light_class=light_class
    )
    return posterior, pka


def _with_numbers(reading: Reading, posterior: PhPosterior, settings: _Settings, flags: list[str]) -> Reading:
    extra_std = {"KH of the fluid": _KH_STD_PH}
    if settings.fluid == "tank-water":
        extra_std["other acids in tank water"] = _OTHER_ACIDS_STD_PH
    acids = extra_std.get("other acids in tank water", 0.0)
    ph = _widened(posterior.median, posterior.low, posterior.high, 0.0)
    ph_of_co2 = _widened(posterior.median, posterior.low, posterior.high, float(np.hypot(_KH_STD_PH, acids)))
    limit: Limit | None = "below" if posterior.open_below else "above" if posterior.open_above else None
    if limit is not None:
        flags.append("near-dye-limit")

    def co2(ph_value: float) -> float:
        return float(co2_from_ph(ph_value, settings.kh_dkh, temperature_c=settings.temperature_c))

    co2_mg_l = Interval(value=co2(ph_of_co2[1]), low=co2(ph_of_co2[2]), high=co2(ph_of_co2[0]))
    ph_interval = Interval(low=ph[0], value=ph[1], high=ph[2])
    if limit == "below":
        ph_interval = Interval(value=None, low=None, high=ph[2])
        co2_mg_l = Interval(value=None, low=co2_mg_l.low, high=None)
    elif limit == "above":
        ph_interval = Interval(value=None, low=ph[0], high=None)
        co2_mg_l = Interval(value=None, low=None, high=co2_mg_l.high)
    rule = None if limit else float(co2_rule_of_thumb(posterior.median, settings.kh_dkh))
    return replace(
        reading,
        status="read",
        ph=ph_interval,
        co2_mg_l=co2_mg_l,
        limit=limit,
        geometry="front",
        co2_rule_of_thumb_mg_l=rule,
        tank_ph=_tank_ph(co2_mg_l, settings),
        verdict=judge(co2_mg_l, limit),
        flags=tuple(dict.fromkeys(flags)),
        budget={**posterior.budget, **extra_std},
    )


def _widened(median: float, low: float, high: float, std: float) -> tuple[float, float, float]:
    extra = 1.645 * std
    return median - float(np.hypot(median - low, extra)), median, median + float(np.hypot(high - median, extra))


def _tank_ph(co2_mg_l: Interval, settings: _Settings) -> Interval | None:
    if settings.tank_kh_dkh is None:
        return None
    kh = settings.tank_kh_dkh

    def ph(co2: float | None) -> float | None:
        return None if co2 is None else float(ph_from_co2(co2, kh, temperature_c=settings.temperature_c))

    return Interval(value=ph(co2_mg_l.value), low=ph(co2_mg_l.high), high=ph(co2_mg_l.low))


def _display_color(rgb_lin: NDArray[np.float64], photo: Photo) -> NDArray[np.float64]:
    srgb_lin = rgb_lin_from_xyz(xyz_from_rgb_lin(rgb_lin, photo.color_space), "srgb")
    return np.asarray(encode_srgb(np.clip(srgb_lin, 0.0, 1.0)), dtype=np.float64)


def _color_scale(load: float, pka: float) -> tuple[tuple[float, NDArray[np.float64]], ...]:
    spectra = dye_transmittance(np.array(_SCALE_PH) - pka, load)
    colors = encode_srgb(np.clip(rgb_lin_under_d65(spectra, "srgb"), 0.0, 1.0))
    return tuple(zip(_SCALE_PH, colors, strict=True))


def _rectangle_in_view(xywh: tuple[float, float, float, float], photo: Photo, view: CardView) -> NDArray[np.float64]:
    """Corners of a rectangle of the full-size photo in view pixels, shape (4, 2)."""
    x, y, width, height = (value * photo.scale for value in xywh)
    return view.view_xy(np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)]))


def _full_size(xy_px: NDArray[np.float64], photo: Photo) -> tuple[tuple[float, float], ...]:
    """Working pixels to pixels of the upright photo at full size (first pixel centered at 0, 0)."""
    full = (xy_px + 0.5) / photo.scale - 0.5
    return tuple((float(x), float(y)) for x, y in full)


def _checked_settings(
    kh_dkh: float | None,
    temperature_c: float | None,
    fluid: FluidKind,
    tank_kh_dkh: float | None,
    light: LightName,
    vial_xywh: tuple[float, float, float, float] | None,
) -> _Settings:
    if fluid == "tank-water" and kh_dkh is None:
        if tank_kh_dkh is None:
            raise ValueError("With tank water in the vial its KH must be given.")
        kh_dkh = tank_kh_dkh
    for name, kh in (("kh_dkh", kh_dkh), ("tank_kh_dkh", tank_kh_dkh)):
        if kh is not None:
            checked_range(name, kh, 0.25, 30.0)
    if temperature_c is not None:
        checked_range("temperature_c", temperature_c, 5.0, 40.0)
    if vial_xywh is not None and min(vial_xywh[2:]) <= 0.0:
        raise ValueError("The rectangle around the vial needs a width and a height above zero.")
    stated = {"kh": kh_dkh, "temperature": temperature_c, "light": None if light == "unknown" else light}
    return _Settings(
        kh_dkh=DEFAULT_KH_DKH if kh_dkh is None else kh_dkh,
        temperature_c=DEFAULT_TEMPERATURE_C if temperature_c is None else temperature_c,
        fluid=fluid,
        tank_kh_dkh=tank_kh_dkh,
        light=light,
        assumed=tuple(name for name, value in stated.items() if value is None),
        vial_xywh=vial_xywh,
    )


def _name_of(source: str | os.PathLike[str] | NDArray[Any]) -> str:
    return "array" if isinstance(source, np.ndarray) else os.fspath(source)


def _empty_reading(name: str, settings: _Settings) -> Reading:
    return Reading(
        photo=name,
        status="refused",
        taken_at=None,
        time_source="unknown",
        ph=None,
        co2_mg_l=None,
        limit=None,
        kh_dkh=settings.kh_dkh,
        temperature_c=settings.temperature_c,
        fluid=settings.fluid,
        light=settings.light,
        assumed=settings.assumed,
        geometry=None,
        co2_rule_of_thumb_mg_l=None,
        tank_ph=None,
        tank_kh_dkh=settings.tank_kh_dkh,
        verdict=None,
        flags=(),
        reason=None,
        card_corners_px=None,
        vial_outline_px=None,
        budget={},
    )


def _refused(reading: Reading, refusal: Refusal) -> Reading:
    reason = Reason(code=refusal.code, message=refusal.message, next_step=refusal.next_step)
    return replace(reading, status="refused", reason=reason)
