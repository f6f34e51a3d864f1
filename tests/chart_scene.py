"""
Photos of printed color charts and of vials by the same phone, drawn by computer.

Print, sensor, color matrix and dye are the scene's own: inks by lobes and halftones after Yule and Nielsen, so that
a print errs as prints do, by wrong inks, wrong amounts and another spectrum than the fluid. Light, tone curve and pose
are those of `tests.scene`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pypdfium2
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from . import scene as vials
from .scene import Array, Lamp, Scene

_NM = vials._WAVELENGTH_NM
_PX_PER_MM = vials.CARD_PX_PER_MM
_YULE_NIELSEN = 2.0  # light spreads in paper: usual for uncoated paper (common practice, no source)
_BELOW_MM = 24.0  # drawn below the card, for the chart of a kit


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """What is wrong with a printer: its inks in hue [nm] and strength, and how much of each (C, M, Y) it lays down."""

    shift_nm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    strength: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gamma: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """Sensor as lobes of R, G, B (center, width below and above in nm), and how the phone makes colors of it."""

    lobes: tuple[tuple[float, float, float], ...]
    saturation: float
    lamp_share: float  # of the color matrix made for the lamp instead of daylight


PHONES = (
    Phone(lobes=((602, 22, 38), (534, 34, 40), (460, 26, 28)), saturation=1.1, lamp_share=0.2),
    Phone(lobes=((594, 30, 42), (528, 40, 44), (452, 22, 34)), saturation=1.3, lamp_share=0.4),
    Phone(lobes=((608, 18, 34), (541, 28, 46), (466, 30, 24)), saturation=1.2, lamp_share=0.0),
)
PRINTERS = (
    Printer(shift_nm=(8.0, -5.0, 4.0), gain=(0.93, 1.08, 0.95), gamma=(1.08, 0.94, 1.05)),
    Printer(shift_nm=(-7.0, 6.0, -5.0), strength=(1.1, 0.9, 1.1), gain=(1.06, 0.92, 1.05), gamma=(0.93, 1.05, 0.96)),
    Printer(shift_nm=(4.0, 7.0, 6.0), strength=(0.9, 1.1, 0.85), gamma=(1.1, 1.0, 0.9)),
)


def dye_spectra(ph: Array, load: Array, pka: float = vials._DYE_PKA_25C) -> Array:
    """Return transmittances of the fluid, shape (..., 31)."""
    nm, yellow, blue = np.array(vials._DYE, dtype=np.float64).T
    forms = PchipInterpolator(nm, np.stack([yellow, blue], axis=1) / blue.max())(_NM)
    share = 1.0 / (1.0 + 10.0 ** (pka - np.asarray(ph, dtype=np.float64)))[..., None]
    return 10.0 ** (-np.asarray(load)[..., None] * ((1.0 - share) * forms[:, 0] + share * forms[:, 1]))


def printed_spectra(rgb_lin: Array, printer: Printer) -> Array:
    """Return reflectances over paper of colors as printed, shape (N, 31)."""
    wanted = [_coverage(tuple(color)) for color in np.clip(rgb_lin, 0.0, 1.0)]
    return _halftone(np.clip(np.array(printer.gain) * np.array(wanted) ** printer.gamma, 0.0, 1.0), printer)


def seen_rgb(spectra: Array, phone: Phone, lamp: Lamp) -> Array:
    """Return linear sRGB of spectra over paper as the phone gives it, white being 1, shape (N, 3)."""
    raw = _raw(spectra, phone, lamp)
    matrix = (1.0 - phone.lamp_share) * _matrix(phone, "daylight") + phone.lamp_share * _matrix(phone, lamp)
    rgb = raw @ matrix
    luma = (rgb @ (0.2126, 0.7152, 0.0722))[:, None]
    return np.clip(luma + phone.saturation * (rgb - luma), 1e-4, None)


def chart_photo(pdf: bytes, printer: Printer, phone: Phone, scene: Scene) -> Array:
    """Return the photo of the upper chart of a sheet, printed and taken."""
    gray, patch, wanted = _sheet(pdf)
    inked = _inked(1.0 - gray)[..., None] * np.ones(3)
    colors = seen_rgb(printed_spectra(wanted, printer), phone, scene.lamp)
    inked[patch >= 0] = vials._PAPER * colors[patch[patch >= 0]]
    return vials.photograph(inked, scene)


def kit_photo(
    rgb_lin: Array,
    printer: Printer,
    phone: Phone,
    scene: Scene,
    gap_mm: float = 1.0,
    board_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> Array:
    """Return the photo of the card with the chart of a kit below it: a row of patches on board, white or tinted."""
    below = np.full((round(_BELOW_MM * _PX_PER_MM), round(vials.WIDTH_MM * _PX_PER_MM), 3), vials._TABLE_RGB)
    below[30:] = vials._PAPER * np.array(board_rgb)
    colors = seen_rgb(printed_spectra(rgb_lin, printer), phone, scene.lamp)
    pitch = 95.0 / len(colors)
    for place, color in enumerate(colors):
        left, right = 5.0 + place * pitch, 5.0 + (place + 1) * pitch - gap_mm
        below[80:200, round(left * _PX_PER_MM) : round(right * _PX_PER_MM)] = vials._PAPER * color
    card = np.repeat(vials._print_card(True)[..., None], 3, axis=2)
    return vials.photograph(np.concatenate([card, below]), scene)


def kit_box(scene: Scene) -> tuple[float, float, float, float]:
    """Return left, top, width and height in pixels of the row of a kit's chart."""
    corners = np.array([(5.0, 82.0), (100.0, 82.0), (100.0, 94.0), (5.0, 94.0)])
    xy = vials._project(vials._photo_from_mm(scene), corners)
    return (*xy.min(axis=0), *np.ptp(xy, axis=0))


def vial_photo(phone: Phone, scene: Scene, pka: float = vials._DYE_PKA_25C) -> Array:
    """Return the photo of a round vial before the card."""
    reflected = np.repeat(vials._print_card(True)[..., None], 3, axis=2)
    x, y = np.meshgrid(*((np.arange(n) + 0.5) / _PX_PER_MM for n in reflected.shape[1::-1]))
    within = np.hypot(x - scene.center_mm[0], y - scene.center_mm[1]) / scene.radius_mm
    levels = np.linspace(0.0, 1.0, 101)
    table = seen_rgb(dye_spectra(np.full(101, scene.ph), scene.load * levels, pka), phone, scene.lamp)
    thickness = np.sqrt(np.clip(1.0 - within**2, 0.0, None))
    inside = (within < 1.0) & (y > scene.center_mm[1] - 0.6 * scene.radius_mm)
    reflected[within < 1.0 + vials._GLASS_MM / scene.radius_mm] *= 0.96
    for channel in range(3):
        reflected[inside, channel] *= np.interp(thickness[inside], levels, table[:, channel])
    return vials.photograph(reflected, scene)


def another(scene: Scene) -> Scene:
    """Return the scene from elsewhere: other pose, exposure and shading."""
    return replace(scene, roll_deg=-4.0, tilt_deg=12.0, tilt_axis_deg=200.0, paper_lin=0.5, shading=-0.05)


@cache
def _sheet(pdf: bytes) -> tuple[Array, Array, Array]:
    """Return gray level, number of the patch (or -1) and wanted colors of the upper chart on a sheet."""
    page = pypdfium2.PdfDocument(pdf)[0]
    rgb = np.asarray(page.render(scale=_PX_PER_MM * 25.4 / 72.0).to_pil().convert("RGB"))
    origin = round(8.0 * _PX_PER_MM)
    rgb = rgb[
        origin : origin + round(vials.HEIGHT_MM * _PX_PER_MM), origin : origin + round(vials.WIDTH_MM * _PX_PER_MM)
    ]
    colored = np.ptp(rgb.astype(int), axis=2) > 8
    colors, counts = np.unique(rgb[colored], axis=0, return_counts=True)
    colors = colors[counts > 500].astype(float)  # the others are edges
    nearest = np.argmin(np.abs(rgb[colored][:, None].astype(float) - colors).sum(axis=2), axis=1)
    patch = np.full(rgb.shape[:2], -1)
    patch[colored] = nearest
    encoded = colors / 255.0
    return rgb[..., 1] / 255.0, patch, ((encoded + 0.055) / 1.055) ** 2.4


def _inked(coverage: Array) -> Array:
    dots = coverage + 4.0 * vials._DOT_GAIN * coverage * (1.0 - coverage)
    return vials._PAPER + dots * (vials._INK - vials._PAPER)


def _lobe(center: float, below: float, above: float) -> Array:
    offset = _NM - center
    return np.exp(-0.5 * (offset / np.where(offset < 0.0, below, above)) ** 2)


def _halftone(coverage: Array, printer: Printer) -> Array:
    """Neugebauer primaries mixed by area, with the correction of Yule and Nielsen; shape (N, 31)."""
    cyan, magenta, yellow = printer.strength
    inks = np.stack(
        [
            cyan * (1.35 * _lobe(640.0 + printer.shift_nm[0], 55, 70) + 0.18 * _lobe(440.0, 40, 50)) + 0.03,
            magenta * (1.35 * _lobe(545.0 + printer.shift_nm[1], 38, 25) + 0.30 * _lobe(430.0, 40, 60)) + 0.03,
            yellow * 1.35 * _lobe(440.0 + printer.shift_nm[2], 50, 38) + 0.03,
        ]
    )
    mixed = np.zeros((len(coverage), len(_NM)))
    for dots in np.ndindex(2, 2, 2):
        area = np.prod(np.where(dots, coverage, 1.0 - coverage), axis=1)
        mixed += area[:, None] * (10.0 ** -(np.array(dots) @ inks)) ** (1.0 / _YULE_NIELSEN)
    return mixed**_YULE_NIELSEN


@cache
def _coverage(rgb_lin: tuple[float, float, float]) -> Array:
    """Return the dots of C, M, Y by which a printer without fault meets a color in daylight."""
    seen = vials._RGB_FROM_XYZ @ (vials._observer() * vials._light("daylight"))

    def miss(logit: Array) -> Array:
        spectrum = _halftone(1.0 / (1.0 + np.exp(-logit))[None], Printer())[0]
        return np.cbrt(np.maximum(seen @ spectrum / seen.sum(axis=1), 1e-4)) - np.cbrt(np.maximum(rgb_lin, 1e-4))

    return 1.0 / (1.0 + np.exp(-least_squares(miss, np.full(3, -1.0)).x))


def _raw(spectra: Array, phone: Phone, lamp: Lamp) -> Array:
    weight = np.stack([_lobe(*lobe) for lobe in phone.lobes]) * vials._light(lamp)
    return spectra @ (weight / weight.sum(axis=1, keepdims=True)).T


@cache
def _matrix(phone: Phone, lamp: Lamp) -> Array:
    """Return the matrix, from the right, that takes random smooth colors nearest to sRGB and keeps white."""
    rng = np.random.default_rng(5)
    center, width = rng.uniform(400, 700, (80, 2, 1)), rng.uniform(35, 90, (80, 2, 1))
    bumps = rng.uniform(-0.45, 0.45, (80, 2, 1)) * np.exp(-0.5 * ((_NM - center) / width) ** 2)
    spectra = np.clip(0.5 + bumps.sum(axis=1), 0.02, 1.0)
    seen = vials._RGB_FROM_XYZ @ (vials._observer() * vials._light("daylight"))
    wanted, raw = spectra @ seen.T / seen.sum(axis=1), _raw(spectra, phone, lamp)
    slope = np.linalg.lstsq(raw[:, (0, 2)] - raw[:, (1,)], wanted - raw[:, (1,)], rcond=None)[0]
    return np.stack([slope[0], 1.0 - slope.sum(axis=0), slope[1]])
