"""The color of the fluid against the paper next to it, as densities that the dye model understands."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.family_fit import SignalSamples
from calibration.inversion import PhPosterior
from calibration.tone import ToneFit, decode_tone
from colorread.balance import PaperField
from colorread.card.view import CardView
from colorread.errors import Refusal
from colorread.vial.color import ColorMap
from colorread.vial.outline import VialFit

_RIM_SHARE = 0.15  # of the radius: refraction bends the light at the glass
_PARTS = 4
_MIN_PIXELS = 60
_RING_MM = (2.0, 9.0)  # paper close to the vial, but beyond its glass
_MIN_RING_PIXELS = 150
# Bare paper around the window of the card, left, top, right and bottom of it, up to 1 to 2 mm before markers and grays:
# room for blur and for a print that is a little off; the width of that room is an assumption.
_BLANK_AROUND_WINDOW_MM = (3.0, 2.5, 2.0, 2.5)
_CLIPPED_U8, _BLACK_U8 = 252, 3
_PLATEAU_U8 = 235  # a tone curve may put clipped paper a little below the top, all at one code
_CLIPPED_STD = 0.04  # density that a clipped paper may hide
# Light and shade on the object that its depth of color does not explain, as robust spread of the green density. Clear
# fluid has little of it, leaves and caps are shaded bodies: 0.01 to 0.21 for the fluids of the rendered development
# photos, 0.30 and 0.86 for a leaf and a cap.
_MAX_SHADING = 0.25
# A print or a solid body is of one color throughout, fluid of unlike depth: robust spread 0.05 and more on the rendered
# photos (least in flat vials), mostly 0.02 to 0.03 on prints of the dye's colors, 0.01 on a drawn ball.
_EVEN_DEPTH = 0.04
_MAX_HUE_SPREAD_DEG = 25.0  # fluid has one hue: at most 18 degrees on the rendered photos, a picture 44
_MAX_NEUTRAL = 0.15  # density lost in all channels alike; fluid up to 0.10, leaf and cap from 0.20 there
_MAX_MISFIT = 3.0  # the dye explains the colors of the rendered fluids better: 1.4 at most, 0.6 of nearly all
# Pictures and solid things go on in color beyond the part that looks like fluid, and right beyond its outline, where
# around fluid there is clear glass. Shadows of the fluid go on too: by share of its depth of color, the most that the
# whole may cover, in areas of the fluid (2.3 and 4.9 on the rendered photos).
_MAX_WHOLE = {0.5: 2.6, 0.2: 6.0}
_GLASS_MM = (0.4, 1.6)
_MAX_COLORED_GLASS = 0.33
_MAX_LOAD = 2.7  # more dye than any recipe gives; 1.9 at most on the rendered photos, 2.8 and more for leaf and cap
_FAINT = 0.04  # colors weaker than this are within the noise of dim photos
_MIXED_STD = 0.02  # spread of the paper's color from which on the light is called mixed


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidSignal:
    """
    The measured color of the fluid.

    Parameters
    ----------
    samples : SignalSamples
        Densities of four parts of rising color, with uncertainties.
    used : ndarray of bool, shape (H, W)
        Pixels of the view that were used.
    transmittance_rgb : ndarray of float64, shape (3,)
        Median linear R, G, B of the fluid over those of paper [-].
    shading : float
        Light and shade that the depth of color does not explain, robust spread of density [-].
    depth_spread : float
        Spread of the depth of color over its median [-].
    hue_spread_deg : float
        80 % of the pixels have a hue closer to the middle one than this [deg].
    flags : tuple of str
        What makes the reading less sure.
    """

    samples: SignalSamples
    used: NDArray[np.bool_]
    transmittance_rgb: NDArray[np.float64]
    shading: float
    depth_spread: float
    hue_spread_deg: float
    flags: tuple[str, ...]


def measure_fluid(view: CardView, colors: ColorMap, vial: VialFit, paper: PaperField, tone: ToneFit) -> FluidSignal:
    """
    Measure the fluid against the paper in a ring around it.

    Parameters
    ----------
    view : CardView
        Rectified card.
    colors : ColorMap
        Its colors.
    vial : VialFit
        Where the fluid is.
    paper : PaperField
        Paper over the view, by which the ring is made even.
    tone : ToneFit
        Tone curve; its uncertainty enters those of the densities.

    Returns
    -------
    FluidSignal
        Densities and flags.

    Raises
    ------
    Refusal
        ``no-paper`` or ``small-vial``.
    """
    flags: list[str] = []
    # As indices, by which pixels are taken much faster than by masks.
    used, ring = np.nonzero(_inner_part(vial.mask)), _around(np.nonzero(_ring(view, vial.mask)), vial)
    if len(ring[0]) < _MIN_RING_PIXELS:
        raise Refusal(
            "no-paper",
            "There is too little bare paper around the vial to compare it with.",
            "Hold the vial before the blank middle of the card and take the photo again.",
        )
    fluid_u8, ring_u8 = view.rgb_u8[used], view.rgb_u8[ring]
    clipped = float((ring_u8 >= _CLIPPED_U8).mean())
    plateau = float(np.mean([(np.abs(ring_u8[:, i] - np.percentile(ring_u8[:, i], 90)) <= 1).mean() for i in range(3)]))
    ring_spread = _spread_beyond_noise(colors.chroma[ring], colors.noise)

    def densities(strength: float) -> tuple[NDArray[np.float64], float]:
        lut = decode_tone(np.arange(256) / 255.0, strength)
        reference, spread = _reference(lut[ring_u8], paper.rgb_lin[ring])
        expected = paper.rgb_lin[used] * reference
        return -np.log10(np.maximum(lut[fluid_u8], 1e-3) / expected), spread

    density, spread = densities(tone.strength)
    spread = max(spread, ring_spread)
    steeper = densities(tone.strength + tone.strength_std)[0]

    all_chroma = density[:, (0, 2)] - density[:, (1,)]
    depth = np.hypot(*all_chroma.T)
    shading = _shading(density, depth)
    depth_spread = float(depth.std() / max(float(np.median(depth)), 1e-6))
    hue_spread_deg = _hue_spread_deg(colors.chroma[used])
    keep = _without_highlights(density, fluid_u8)
    if keep.sum() < _MIN_PIXELS:
        raise Refusal(
            "small-vial",
            "Too few pixels of the fluid are free of reflections.",
            "Come closer, so that the card fills the picture, and turn the vial until the reflections move away.",
        )
    if keep.mean() < 0.6:
        flags.append("glare")
    density = density[keep]
    parts, variance = _parts_by_depth(density, steeper[keep])
    variance = variance + np.array([spread**2, 0.0, spread**2])
    if clipped > 0.2 or (plateau > 0.75 and np.percentile(ring_u8, 90) > _PLATEAU_U8):
        flags.append("clipped")
        variance = variance + _CLIPPED_STD**2
    dark = (fluid_u8[keep] <= _BLACK_U8).mean(axis=0)
    if dark.max() > 0.2:
        flags.append("dark-fluid")
        variance = variance + np.where(dark > 0.2, 0.3, 0.0) ** 2
    if spread > _MIXED_STD:
        flags.append("mixed-light")
    if tone.strength_std > 0.15:
        flags.append("tone-uncertain")
    mask = np.zeros_like(vial.mask)
    mask[used] = keep
    return FluidSignal(
        samples=SignalSamples(density=parts, density_std=np.sqrt(variance)),
        used=mask,
        transmittance_rgb=10.0 ** -np.median(density, axis=0),
        shading=shading,
        depth_spread=depth_spread,
        hue_spread_deg=hue_spread_deg,
        flags=tuple(flags),
    )


def require_fluid(
    view: CardView,
    colors: ColorMap,
    vial: VialFit,
    signal: FluidSignal,
    posterior: PhPosterior,
    *,
    pointed: bool,
) -> None:
    """
    Refuse what has the color of the dye but is no clear fluid.

    Parameters
    ----------
    view : CardView
        Rectified card.
    colors : ColorMap
        Its colors.
    vial : VialFit
        Where it was found.
    signal : FluidSignal
        What was measured there.
    posterior : PhPosterior
        What the dye model makes of it.
    pointed : bool
        The user pointed at it: its outline is then a rough one, and what lies beyond may be fluid too.

    Raises
    ------
    Refusal
        ``not-a-vial``.
    """
    inside = float(np.hypot(*np.median(colors.chroma[vial.mask], axis=0)))
    window = _blank_window(view)
    goes_on = any(
        _whole_area(colors.strength > max(share * inside, _FAINT), window, vial.mask) > limit
        for share, limit in _MAX_WHOLE.items()
    )
    distance = _distance_mm(view, vial.mask)
    glass = colors.strength[(distance > _GLASS_MM[0]) & (distance < _GLASS_MM[1])]
    clear_glass = float((glass > max(0.5 * inside, _FAINT)).mean()) < _MAX_COLORED_GLASS
    reasons = (
        (signal.shading > _MAX_SHADING, "is shaded like a solid thing"),
        (signal.depth_spread < _EVEN_DEPTH, "is of one depth of color throughout, like a print"),
        (posterior.neutral_density > _MAX_NEUTRAL, "is too dark in all colors for clear fluid"),
        (posterior.load > _MAX_LOAD, "holds more dye than any recipe gives, if it is fluid at all"),
        (signal.hue_spread_deg > _MAX_HUE_SPREAD_DEG, "shows several colors"),
        (not pointed and (goes_on or not clear_glass), "goes on beyond what looks like fluid in glass"),
        (posterior.misfit > _MAX_MISFIT, "has a color that the dye cannot have"),
    )
    for holds, what in reasons:
        if holds:
            raise Refusal(
                "not-a-vial",
                f"The colored thing before the card {what}, so it is not read.",
                "Hold the vial alone before the blank middle of the card, with the usual drops of dye, and turn it "
                "until reflections and shadows leave the fluid.",
            )


def _whole_area(colored: NDArray[np.bool_], window: NDArray[np.bool_], mask: NDArray[np.bool_]) -> float:
    """Area of all color that hangs together with the fluid, over that of the fluid."""
    _, labels = cv2.connectedComponents(((colored & window) | mask).astype(np.uint8))
    return float((labels == labels[mask][0]).sum() / mask.sum())


def _parts_by_depth(
    density: NDArray[np.float64], steeper: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Medians of four parts of rising color, and their variance by noise and tone curve, both of shape (4, 3)."""
    chroma = density[:, (0, 2)] - density[:, (1,)]
    order = np.array_split(np.argsort(np.hypot(*chroma.T)), _PARTS)
    parts = np.array([np.median(density[part], axis=0) for part in order])
    tone_shift = np.abs(np.array([np.median(steeper[part], axis=0) for part in order]) - parts)
    # What the tone curve does to all channels alike is not a change of color.
    tone_std = tone_shift - tone_shift.min(axis=1, keepdims=True)
    noise = np.array([density[part].std(axis=0) / np.sqrt(max(len(part) / 9.0, 1.0)) for part in order])
    return parts, tone_std**2 + noise**2


def _hue_spread_deg(chroma: NDArray[np.float32]) -> float:
    """80th percentile of the angle between the color of the pixels and their median color."""
    middle = np.median(chroma, axis=0)
    cosine = (chroma @ middle) / np.maximum(np.hypot(*chroma.T) * np.hypot(*middle), 1e-9)
    return float(np.percentile(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), 80.0))


def _shading(density: NDArray[np.float64], strength: NDArray[np.float64]) -> float:
    """Robust spread of the green density around its line over the depth of color."""
    slope, offset = np.polyfit(strength, density[:, 1], 1)
    rest = density[:, 1] - slope * strength - offset
    return float(1.4826 * np.median(np.abs(rest - np.median(rest))))


def _inner_part(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the fluid without its rim."""
    distance = cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    inner: NDArray[np.bool_] = distance > max(_RIM_SHARE * np.sqrt(mask.sum() / np.pi), 1.5)
    return inner


def _ring(view: CardView, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels of the blank window around the fluid."""
    distance = _distance_mm(view, mask)
    ring: NDArray[np.bool_] = (distance > _RING_MM[0]) & (distance < _RING_MM[1]) & _blank_window(view) & view.seen
    return ring


def _around(pixels: tuple[NDArray[np.intp], ...], vial: VialFit) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of pixels in the order of their direction from the middle of the fluid."""
    rows, cols = pixels
    x, y = vial.outline_px.mean(axis=0)
    order = np.argsort(np.arctan2(rows - y, cols - x))
    return rows[order], cols[order]


def _blank_window(view: CardView) -> NDArray[np.bool_]:
    """Where the blank middle of the card is."""
    return view.mask(view.card.vial_window.grown(*_BLANK_AROUND_WINDOW_MM))


def _distance_mm(view: CardView, mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Distance of every pixel outside the fluid from it, 0 inside [mm]."""
    distance_px = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 3)
    return np.asarray(distance_px / view.px_per_mm, dtype=np.float32)


def _reference(ring_lin: NDArray[np.float64], field_lin: NDArray[np.float32]) -> tuple[NDArray[np.float64], float]:
    """Paper around the vial, in order, over the smooth field, shape (3,), and the spread of its color [log10]."""
    ratio = np.log10(np.maximum(ring_lin, 1e-3) / field_lin)
    light = ratio.mean(axis=1)
    lit = ratio[light > np.median(light)]  # the darker half holds shadows, glass and hooks
    reference = np.median(lit, axis=0)
    color = lit[:, (0, 2)] - lit[:, (1,)]
    # Neighbouring pixels share noise; what is left between twelve sectors of the ring is uneven light.
    sectors = np.array([np.median(part, axis=0) for part in np.array_split(color, 12)])
    return 10.0**reference, float(sectors.std(axis=0).max())


def _spread_beyond_noise(chroma: NDArray[np.float32], noise: float) -> float:
    """Robust spread of the paper's color around the vial: large where lamps of two colors cast shadows."""
    spread = 1.4826 * np.median(np.abs(chroma - np.median(chroma, axis=0)), axis=0)
    return float(np.sqrt(max(float(spread.max()) ** 2 - noise**2, 0.0)))


def _without_highlights(density: NDArray[np.float64], fluid_u8: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Pixels that are neither reflections nor dark refractions, shape (N,)."""
    light = density.mean(axis=1)
    low, middle, high = np.percentile(light, (25.0, 50.0, 75.0))
    reach = 2.5 * max(high - low, 0.03)
    bright = (fluid_u8 >= _CLIPPED_U8).all(axis=1)
    keep: NDArray[np.bool_] = (np.abs(light - middle) < reach) & ~bright
    return keep
