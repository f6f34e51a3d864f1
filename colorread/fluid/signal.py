"""The color of the fluid against the paper next to it, as densities for the dye model."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import ColorSpace, Floats, SignalSamples, over_white
from colorread.errors import refusal
from colorread.fluid.find import BLACK_U8, ColorMap, VialFit, density_of, median_density
from colorread.reference import CLIPPED_U8, FILM_SEEN, NEVER_CUT_OFF, VIEW_PX_PER_MM, Balance, CardView, median

Indices = tuple[NDArray[np.intp], NDArray[np.intp]]
"""Rows and columns; indexing with them is much faster than with masks."""

# Assumptions, unless a comment says more.
_RIM_SHARE = 0.15  # of the radius: refraction bends the light at the glass
_PARTS = 4  # each of nearly one depth of color, with enough pixels for a median
_MIN_PIXELS = 60  # of the fluid apart from highlights, a good dozen in each part
_RING_MM = (2.0, 9.0)  # paper close to the vial, but beyond its glass
_MIN_RING_PIXELS = 150  # enough for the color of its brighter half
_MIN_KEPT = 0.6  # share of the pixels of the fluid; those that glare leaves may be the edge of a reflection
_MAX_CLIPPED = 0.2  # share of the values of the paper: the median of its brighter half is then not clipped
# A tone curve may put clipped paper a little below 255, all at one code: share of the values within one code of the
# brighter ones, where the paper may be cut off at all.
_MAX_PLATEAU = 0.75
_CLIPPED_STD = 0.04  # density that clipped paper may hide, beyond what the grays show
_UNEVEN_FILM = 0.1  # fluid and ring may differ by this share of the blue that film absorbs: assumption
# A print has one depth of color throughout, fluid has many. Of 70 rectangles drawn on photos of the card and marked as
# fluid this refuses 60. It leaves room below the flattest of 519 photos of fluid (0.030, then 0.040).
_EVEN_DEPTH = 0.024
# Share of the fluid cut off in each channel. Without this limit, water without dye in a spot of light was read as
# pH 7.1.
_MAX_CUT_OFF = 0.9
# The vial gathers light, so fluid may be cut off where its paper is not. How much brighter it may be then: two standard
# deviations of the neutral loss in `calibration.inversion` below its mean. Of 23 photos kept out of building this, in
# which most of a channel of the fluid is cut off, the intervals cover all; without it, 21 of 24.
_GATHERED = 0.25
_MOSTLY = 0.5  # share of a channel of the fluid that makes it count as overexposed
_MAX_DARK, _DARK_STD = 0.2, 0.3  # share of black pixels in a channel of the fluid, and the density that they may hide
# Standard deviation of the tone curve's strength, 0.25 in the prior: at most 0.19 on rendered photos that show all
# grays. The interval includes such uncertainty; the flag is for grays that could not be used.
_UNSURE_TONE_STD = 0.2
# With two lamps of different color the shadow of each shows the color of the other, so the paper's color goes to both
# sides. How far its red goes at this percentile before the light counts as mixed: of 668 rendered photos 61 % of those
# with unlike lamps, and 3 % of the others.
_SHADOWS, _MIXED = 5.0, 0.03
# How far the light behind the vial may then be off, in units of how far the paper's color goes; otherwise 1. All parts
# share this error but count as if they did not, which makes it 2, and the shadow behind the vial may be the fullest:
# with 2 one more of 206 photos below pH 6.3 says too little CO2.
_BEHIND = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidSignal:
    """
    The measured color of the fluid.

    Parameters
    ----------
    samples : SignalSamples
        Densities of four parts of rising color, with uncertainties.
    used_px : ndarray of float64, shape (N, 2)
        Centers of the pixels of the view that were used, as x and y in the photo.
    transmittance_rgb : ndarray of float64, shape (3,)
        Median linear R, G, B of the fluid over those of paper [-].
    flags : tuple of str
        What makes the reading less certain.
    """

    samples: SignalSamples
    used_px: Floats
    transmittance_rgb: Floats
    flags: tuple[str, ...]


def measure_fluid(view: CardView, balance: Balance, colors: ColorMap, vial: VialFit, space: ColorSpace) -> FluidSignal:
    """
    Measure the fluid against the paper in a ring around it.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    balance : Balance
        Tone curve, whose uncertainty enters that of the densities, and field of paper, which evens out the ring.
    colors : ColorMap
        Colors of the view.
    vial : VialFit
        Where the fluid is.
    space : {'srgb', 'display-p3'}
        Primaries of the photo.

    Returns
    -------
    FluidSignal
        Densities and flags.

    Raises
    ------
    Refusal
        ``no-paper``, ``overexposed`` or ``not-a-vial``.
    """
    inner, ring = _inner_part_and_ring(view, vial)
    fluid_u8, ring_u8 = view.rgb_u8[inner], view.rgb_u8[ring]
    hidden = balance.hidden[inner]
    is_cut_off = fluid_u8 >= balance.ceiling
    if (is_cut_off.mean(axis=0) > _MAX_CUT_OFF).all():
        raise refusal("overexposed", what="fluid")
    # A cut-off value may stand for any density from that of gathered light up to what the paper hides.
    span = is_cut_off * (hidden + _GATHERED)

    def against_paper(decoded: Floats) -> Floats:
        """Return the density of the fluid against the lit paper of the ring."""
        paper = -density_of(decoded[ring_u8] / balance.paper_lin[ring])
        light = paper.sum(axis=1)
        is_lit = light > np.median(light)  # the rest is shadows and glass
        lit = paper[is_lit] if is_lit.any() else paper
        white = balance.paper_lin[inner] * 10.0 ** (median(lit) + hidden)
        return density_of(over_white(decoded[fluid_u8], white, space)) - span / 2.0

    density, steeper = map(against_paper, (balance.decoded, balance.steeper))
    keep = _without_highlights(density, fluid_u8)
    if keep.sum() < _MIN_PIXELS:
        raise refusal("overexposed", what="fluid")
    shown = density + span / 2.0
    depth = np.hypot(shown[:, 0] - shown[:, 1], shown[:, 2] - shown[:, 1])
    if depth.std() < _EVEN_DEPTH * np.median(depth):
        raise refusal("not-a-vial")
    parts, variance = _parts_by_depth(density[keep], steeper[keep], span[keep], depth[keep])
    shadows = _colors_of_shadows(colors.chroma[ring])
    fluid_is_cut_off = is_cut_off[keep].mean(axis=0).max() > _MOSTLY
    doubts = _doubts(fluid_u8[keep], ring_u8, keep.mean(), shadows, balance, fluid_is_cut_off=fluid_is_cut_off)
    light_std = shadows * (_BEHIND if "mixed-light" in doubts else 1.0)
    for doubt_std in (light_std, *doubts.values()):
        variance = variance + doubt_std**2
    return FluidSignal(
        samples=SignalSamples(density=parts, density_std=np.sqrt(variance)),
        used_px=view.photo_xy(np.stack(inner[::-1], axis=-1)[keep]),
        transmittance_rgb=10.0 ** -np.median(density[keep], axis=0),
        flags=tuple(doubts),
    )


def _inner_part_and_ring(view: CardView, vial: VialFit) -> tuple[Indices, Indices]:
    """Return the fluid without its rim, and the paper around it."""
    low_px, high_px = np.array(_RING_MM) * VIEW_PX_PER_MM
    x, y, width, height = cv2.boundingRect(vial.mask.view(np.uint8))
    reach = int(high_px) + 2
    top, left = max(y - reach, 0), max(x - reach, 0)
    near = np.s_[top : y + height + reach, left : x + width + reach]  # to save time: most vials are small
    fluid = np.pad(vial.mask[near], 1)
    inside_px, outside_px = (
        cv2.distanceTransform(region.view(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1] for region in (fluid, ~fluid)
    )
    rim_px = max(_RIM_SHARE * np.sqrt(fluid.sum() / np.pi), 1.5)
    is_bare = (view.mask(view.card.blank) & view.seen)[near]
    rows, cols = np.nonzero((outside_px > low_px) & (outside_px < high_px) & is_bare)
    if len(rows) < _MIN_RING_PIXELS:
        raise refusal("no-paper", name=view.card.name)
    inner_rows, inner_cols = np.nonzero(inside_px > rim_px)
    return (inner_rows + top, inner_cols + left), (rows + top, cols + left)


def _parts_by_depth(
    density: Floats, steeper: Floats, span: NDArray[np.float32], depth: Floats
) -> tuple[Floats, Floats]:
    """
    Return the medians of four parts of rising color, and their variances, shape (4, 3) both.

    The variance includes noise, tone curve, and the `span` of densities that cut-off pixels may have.
    """
    parts = np.array_split(np.argsort(depth), _PARTS)
    medians, variances = zip(*(median_density(density[part], steeper[part]) for part in parts), strict=True)
    # The variance of a uniform distribution, for a median that is cut off itself. All parts share this error, but count
    # as if they did not.
    of_span = [_PARTS * median(span[part]) ** 2 / 12.0 for part in parts]
    return np.array(medians), np.array(variances) + np.array(of_span)


def _doubts(
    fluid_u8: NDArray[np.uint8],
    ring_u8: NDArray[np.uint8],
    kept: float,
    shadows: Floats,
    balance: Balance,
    *,
    fluid_is_cut_off: bool,
) -> dict[str, Floats]:
    """Return the flags that apply, each with the density that it may hide, shape () or (3,)."""
    is_clipped = (ring_u8 >= CLIPPED_U8).mean() > _MAX_CLIPPED
    if not is_clipped and (balance.ceiling < NEVER_CUT_OFF).any():
        is_clipped = (np.abs(ring_u8 - np.percentile(ring_u8, 90, axis=0)) <= 1).mean() > _MAX_PLATEAU
    dark = (fluid_u8 <= BLACK_U8).mean(axis=0) > _MAX_DARK
    doubts = (
        ("glare", kept < _MIN_KEPT, 0.0),
        ("clipped", is_clipped or fluid_is_cut_off, _CLIPPED_STD),
        ("dirty", balance.film > FILM_SEEN, np.array([0.0, 0.0, _UNEVEN_FILM * balance.film])),
        ("dark-fluid", dark.any(), _DARK_STD * dark),
        ("mixed-light", shadows[0] > _MIXED, 0.0),
        ("tone-uncertain", balance.tone.strength_std > _UNSURE_TONE_STD, 0.0),
    )
    return {flag: np.asarray(hidden_std) for flag, applies, hidden_std in doubts if applies}


def _colors_of_shadows(chroma: NDArray[np.float32]) -> Floats:
    """
    Return how far red and blue of the paper, over green, go to both sides of their median, shape (3,) with 0 for green.

    Light that has passed through the fluid tints the paper to one side only.
    """
    low, middle, high = np.percentile(chroma, (_SHADOWS, 50.0, 100.0 - _SHADOWS), axis=0)
    red, blue = np.minimum(middle - low, high - middle)
    return np.array([red, 0.0, blue])


def _without_highlights(density: Floats, fluid_u8: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return which pixels are neither reflections nor dark refractions, shape (N,)."""
    light = density.mean(axis=1)
    low, middle, high = np.percentile(light, (25.0, 50.0, 75.0))
    reach = 2.5 * max(high - low, 0.03)
    return np.asarray((np.abs(light - middle) < reach) & ~(fluid_u8 >= CLIPPED_U8).all(axis=1))
