"""The light of a photo, seen on its card or tag: tone curve and film from the grays, and a smooth field of paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats, GrayPatch, GraySamples, ToneFit, decode_tone, fit_tone, usual_reflectance
from colorread.errors import Refusal, refusal
from colorread.reference.plane import MARGIN_MM, VIEW_PX_PER_MM, CardView

CLIPPED_U8 = 252
"""Code from which on a channel may be cut off; below 255, as compression shifts codes a little: assumption."""
NEVER_CUT_OFF = 256.0
"""Beyond all codes."""
FILM_SEEN = 0.2
"""Amount of film from which on a photo is flagged, see `Balance`."""

# All assumptions, unless stated otherwise.
_CELL_MM = 1.5  # evens out noise, and fits between vial and fingers
_TOO_DARK = 0.05  # linear light of paper: at density 1 a channel of the fluid is then at code 16 of 255
_OVEREXPOSED = 0.15  # light that is cut off: pale fluid is then cut off too [log10]
# log10 of paper R/G and B/G. Yellow, green and turquoise come from the phone's white balance or from film, and are
# undone well: of 49 rendered photos beyond 0.2 (blue -0.48), which chose these limits, 47 intervals hold the truth.
# Bluer paper means a blue or purple lamp, whose few wavelengths the dye model does not know: of 14 read beyond 0.25,
# 4 miss.
_CAST_RED, _CAST_BLUE = (-0.6, 0.3), (-0.7, 0.25)
# Coverage of tints that show how bright the paper is: neither as bright as paper nor so dark that stray light matters.
# Then the least coverage of black ones, which show what lies on them, and how many of those are needed.
_TINTS, _BLACK_FROM, _LEAST_BLACKS = (0.05, 0.8), 0.8, 2
_MOST_ENCODED = 0.97  # paper beside black up to this value is not cut off
# Paper is cut off in a channel if its brighter part is above this code (give or take this wobble), and if at least this
# many tints show that it should be this much brighter; on 240 rendered photos that are not overexposed they differ by
# 0.01 in the median [log10].
_CUT_OFF_U8, _WOBBLE_U8, _LEAST_HIDDEN, _LEAST_CUT_OFF = 235.0, 3.0, 0.02, 2
# Algae and slime make paper yellow and black green; lamps and lens glare hardly ever do both. On 292 rendered photos
# of clean prints the sum in `_film_on` is over 0.2 in 2 % and 0.36 at most, whatever the glare. Even film behind the
# fluid tints paper like a lamp: of 19 rendered photos with film of 0.3 to 1 (as the renderer counts) and a sum below
# 0.7, which chose that limit, 16 intervals hold the truth and 3 miss it by 0.02 to 0.10 pH. Thicker film is seldom
# even. No lamp makes black this much greener than its paper.
_GREEN_WEIGHT, _GREEN_BLACK, _FILM_MOST = 2.0, 0.015, 0.7
# Least coverage of a dark patch, how much paler a print may come out, and how many such patches are needed. In every
# row of 625 rendered photos at least three in five patches were as dark as half-way to the print.
_DARK_COVERAGE, _DOT_LOSS, _LEAST_PATCHES = 0.4, 0.1, 3
_STD_PER_MAD = 1.4826  # standard deviation over median absolute deviation, normal distribution: from any table
# From log10 of R, G, B to log10 of green light, R/G and B/G, and back.
_LIGHT_AND_RATIOS = np.array([(0, 1, 0), (1, -1, 0), (0, -1, 1)], np.float32)
_RGB_OF_LIGHT_AND_RATIOS = np.array([(1, 1, 0), (1, 0, 0), (1, 0, 1)], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """
    What the gray rows and the paper of a card say about a photo.

    Parameters
    ----------
    tone : ToneFit
        Strength of the phone's tone curve.
    decoded, steeper : ndarray of float64, shape (256,)
        Linear light of each 8-bit code, and the same if the curve were steeper by its standard uncertainty [-].
    rgb_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view.
    paper_lin : ndarray of float32, shape (H, W, 3)
        Linear light of bare paper across the view, as the photo shows it: a smooth field.
    chroma_std : float
        Robust spread of the paper's color around that field, in log10 of R/G and B/G [-].
    ceiling : ndarray of float64, shape (3,)
        Code from which on the paper may be cut off, `NEVER_CUT_OFF` where it is too dark for that.
    hidden : ndarray of float32, shape (H, W, 3)
        How much brighter the paper is than it looks, judged by the grays; 0 in channels that are not cut off [log10].
    film : float
        How much film has grown on card or tag: how much yellower than neutral its paper is, plus twice how much greener
        than the paper its black is [log10].
    """

    tone: ToneFit
    decoded: Floats
    steeper: Floats
    rgb_lin: NDArray[np.float32]
    paper_lin: NDArray[np.float32]
    chroma_std: float
    ceiling: Floats
    hidden: NDArray[np.float32]
    film: float

    @property
    def is_overexposed(self) -> bool:
        """Whether the photo cuts off much of the light of paper in all channels."""
        return bool(np.median(self.hidden, axis=(0, 1)).min() > _OVEREXPOSED)


def balance_view(view: CardView) -> Balance:
    """
    Undo the tone curve and find the light of the paper.

    Parameters
    ----------
    view : CardView
        Rectified card, tag or chart.

    Returns
    -------
    Balance
        For `view`.

    Raises
    ------
    Refusal
        ``too-dark``, ``overgrown``, ``colored-light``, ``overexposed`` or ``card-unclear``.
    """
    patches = [patch for patch in view.card.gray_patches if view.sees(patch.inner, *patch.paper)]
    grays = _sampled(view, patches)
    tone = fit_tone(grays)
    codes = np.arange(256) / 255.0
    decoded, steeper = (decode_tone(codes, tone.strength + more) for more in (0.0, tone.strength_std))
    rgb_lin = np.asarray(cv2.LUT(view.rgb_u8, decoded.astype(np.float32)), dtype=np.float32)
    blank = view.mask(view.card.outline.grown(-1.0)) & ~view.mask(*view.card.printed) & view.seen
    paper_lin, chroma_std = _fit_paper(view, blank, rgb_lin)

    # Every third pixel in each direction is enough for the medians of such a large area.
    thinned = np.s_[::3, ::3]
    bare = blank[thinned]
    ceiling = _ceiling_u8(view.rgb_u8[thinned][bare])
    over_paper = _log10_over_paper(grays, tone)
    reflectance, is_cut_off = _darkness_of_tints(grays, over_paper, ceiling)
    hidden = np.zeros_like(rgb_lin)
    if is_cut_off.any():
        known, known_lin = _with_tints(view, patches, reflectance, rgb_lin)
        # Besides the tints, the paper around the window counts where it is not cut off.
        known |= blank & ~view.mask(view.card.vial_window) & (view.rgb_u8 < ceiling).all(axis=-1)
        by_tints, _ = _fit_paper(view, known, known_lin)
        hidden = np.maximum(np.log10(by_tints / paper_lin), 0.0) * is_cut_off
    light_rgb = np.median(paper_lin[thinned][bare] * 10.0 ** hidden[thinned][bare], axis=0)
    if light_rgb.max() < _TOO_DARK:
        raise refusal("too-dark")
    film = _film_on(view.card.name, grays, over_paper, light_rgb)
    unusable = _refusal_of_light(view, light_rgb, rgb_lin, paper_lin, hidden)
    if unusable is not None:
        # Paper that may be cut off in all channels is bright in all of them: overexposure hides color or grays.
        raise refusal("overexposed", what="paper") if (ceiling < NEVER_CUT_OFF).all() else unusable
    return Balance(
        tone=tone,
        decoded=decoded,
        steeper=steeper,
        rgb_lin=rgb_lin,
        paper_lin=paper_lin,
        chroma_std=chroma_std,
        ceiling=ceiling,
        hidden=hidden,
        film=film,
    )


def _ceiling_u8(paper_u8: NDArray[np.uint8]) -> Floats:
    """
    Return the code from which on each channel of the paper may be cut off, shape (3,).

    A tone curve may put it a little below 255, and haze lifts some of the paper above it: so it is taken just below the
    brighter paper, or below the code of most of the paper.
    """
    tops = np.percentile(paper_u8, 90.0, axis=0)
    commonest = np.array([np.bincount(channel).argmax() for channel in paper_u8.T])
    tops = np.where(commonest > _CUT_OFF_U8, np.minimum(tops, commonest), tops)
    return np.where(tops > _CUT_OFF_U8, np.minimum(tops - _WOBBLE_U8, CLIPPED_U8), NEVER_CUT_OFF)


def median(values: NDArray[Any]) -> NDArray[Any]:
    """
    Return the median like `numpy.median`, without its checks, which take most of the time for a few hundred values.

    Parameters
    ----------
    values : ndarray, shape (N, ...)
        Finite, at least one.

    Returns
    -------
    ndarray, shape (...)
        Over the first axis.
    """
    middle = [(len(values) - 1) // 2, len(values) // 2]
    return np.asarray(np.partition(values, middle, axis=0)[middle].mean(axis=0))


def _sampled(view: CardView, patches: list[GrayPatch]) -> GraySamples:
    """Return medians of gray patches and of the paper on both sides of each."""
    areas = [view.rgb_u8[view.area(rect)] for patch in patches for rect in (patch.inner, *patch.paper)]
    encoded = np.array([median(area.reshape(-1, 3)) for area in areas]).reshape(-1, 3, 3) / 255.0
    coverage = np.array([patch.black_coverage for patch in patches])
    return GraySamples(black_coverage=coverage, patch=encoded[:, 0], paper=encoded[:, 1:])


def _log10_over_paper(grays: GraySamples, tone: ToneFit) -> Floats:
    """Return log10 of the light of the patches over that of the paper beside them, shape (N, 3)."""
    patch, paper = (np.maximum(decode_tone(of, tone.strength), 1e-4) for of in (grays.patch, grays.paper))
    return np.asarray(np.log10(patch) - np.log10(paper).mean(axis=1))


def _darkness_of_tints(grays: GraySamples, over_paper: Floats, ceiling: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """
    Return how dark each tint is against bare paper where that may be cut off, and which channels of paper are cut off.

    Black ink is neutral, so a channel that is not cut off stands for the others. The first is log10 over paper, shape
    (N,), NaN for a patch that is not a tint or is cut off itself; the second has shape (3,).
    """
    is_free = 255.0 * grays.paper.mean(axis=1) < ceiling
    n_free = is_free.sum(axis=1)
    measured = (over_paper * is_free).sum(axis=1) / np.maximum(n_free, 1)
    usual = np.log10(usual_reflectance(grays.black_coverage))
    low, high = _TINTS
    is_tint = (grays.black_coverage > low) & (grays.black_coverage < high) & (255.0 * grays.patch < ceiling).all(axis=1)
    known = is_tint & (n_free > 0)
    print_is_darker = float(np.median((measured - usual)[known])) if known.sum() >= _LEAST_PATCHES else 0.0
    reflectance = np.where(n_free > 0, measured, usual + print_is_darker)
    reflectance[~is_tint] = np.nan
    above = [(over_paper[:, channel] - reflectance)[is_tint & ~is_free[:, channel]] for channel in range(3)]
    is_cut_off = [len(of) >= _LEAST_CUT_OFF and float(np.median(of)) > _LEAST_HIDDEN for of in above]
    return reflectance, np.array(is_cut_off) & (is_tint.sum() >= _LEAST_PATCHES)


def _with_tints(
    view: CardView, patches: list[GrayPatch], reflectance: Floats, rgb_lin: NDArray[np.float32]
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Return where tints show the light of paper, and that light."""
    known, paper_lin = np.zeros_like(view.seen), rgb_lin.copy()
    for patch, log_reflectance in zip(patches, reflectance, strict=True):
        if np.isfinite(log_reflectance):
            area = view.area(patch.rect)
            paper_lin[area] = np.median(rgb_lin[view.area(patch.inner)], axis=(0, 1)) / 10.0**log_reflectance
            known[area] = True
    return known, paper_lin


def _film_on(name: str, grays: GraySamples, over_paper: Floats, light_rgb: Floats) -> float:
    """Return how much film has grown on card or tag, see `Balance`; refuse it if it is too much."""
    green_or_red_cut_off = grays.paper[:, :, :2].max(axis=(1, 2)) > _MOST_ENCODED
    black = over_paper[(grays.black_coverage > _BLACK_FROM) & ~green_or_red_cut_off]
    greener = float(np.median(black[:, 1] - black[:, 0])) if len(black) >= _LEAST_BLACKS else 0.0
    film = float(np.log10(light_rgb[1] / light_rgb[2])) + _GREEN_WEIGHT * greener
    if film > _FILM_MOST and greener > _GREEN_BLACK:
        raise refusal("overgrown", name=name)
    return film


def _refusal_of_light(
    view: CardView,
    light_rgb: Floats,
    rgb_lin: NDArray[np.float32],
    paper_lin: NDArray[np.float32],
    hidden: NDArray[np.float32],
) -> Refusal | None:
    """Return why the colors cannot be used, if so: colored light, or a row of grays lost, as in a damaged file."""
    red, blue = np.log10(light_rgb[[0, 2]] / light_rgb[1])
    if not (_CAST_RED[0] <= red <= _CAST_RED[1] and _CAST_BLUE[0] <= blue <= _CAST_BLUE[1]):
        return refusal("colored-light")
    for row in view.card.gray_rows:
        as_printed = []
        for patch in row:
            if patch.black_coverage >= _DARK_COVERAGE and view.sees(patch.inner):
                area = view.area(patch.inner)
                paper = (paper_lin[area] * 10.0 ** hidden[area]).sum(axis=-1)
                shown = median((rgb_lin[area].sum(axis=-1) / paper).ravel())
                as_printed.append(shown < 1.0 - 0.5 * patch.black_coverage + _DOT_LOSS)  # half-way to the print
        if len(as_printed) >= _LEAST_PATCHES and np.mean(as_printed) < 0.5:
            return refusal("card-unclear/row")
    return None


def _fit_paper(
    view: CardView, blank: NDArray[np.bool_], rgb_lin: NDArray[np.float32]
) -> tuple[NDArray[np.float32], float]:
    """
    Fit a smooth field of paper light to the blank parts of the card, extrapolated gently beyond; return its spread too.

    Second-order polynomials of log light and of both color ratios, fitted robustly to cells of 1.5 mm, so that vial,
    fingers, shadows and stray light weigh little.
    """
    height, width = view.seen.shape
    columns = int(width / VIEW_PX_PER_MM / _CELL_MM)
    rows = int(height / VIEW_PX_PER_MM / _CELL_MM)
    bare = cv2.resize(blank.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) > 0.95
    cells = cv2.resize(rgb_lin, (columns, rows), interpolation=cv2.INTER_AREA)
    value = np.log10(np.maximum(cells, 1e-4)) @ _LIGHT_AND_RATIOS.T
    basis = _polynomial(rows, columns)
    # Things in front of the paper are darker, hardly ever brighter: start from the bright side of the light.
    fits = [
        _robust_fit(basis[bare], value[bare][:, channel], start) for channel, start in enumerate((75.0, 50.0, 50.0))
    ]
    fitted = np.stack([basis @ coefficients for coefficients, _ in fits], axis=-1).astype(np.float32)
    field = fitted @ _RGB_OF_LIGHT_AND_RATIOS.T
    resized = cv2.resize(10.0**field, (width, height), interpolation=cv2.INTER_LINEAR)
    chroma_std = float(np.sqrt(np.mean([spread**2 for _, spread in fits[1:]])))
    return np.asarray(resized, dtype=np.float32), chroma_std


def _polynomial(rows: int, columns: int) -> Floats:
    """Return the second-order basis, shape (rows, columns, 6), held constant beyond the edge of the card."""
    margin = MARGIN_MM / _CELL_MM
    y, x = (np.clip((np.arange(n) - (n - 1) / 2.0) / ((n - 1) / 2.0 - margin), -1.0, 1.0) for n in (rows, columns))
    grid_y, grid_x = np.meshgrid(y, x, indexing="ij")
    return np.stack([np.ones_like(grid_x), grid_x, grid_y, grid_x**2, grid_x * grid_y, grid_y**2], axis=-1)


def _robust_fit(basis: Floats, value: NDArray[np.floating[Any]], start_percentile: float) -> tuple[Floats, float]:
    """Return coefficients of iterated least squares with Tukey weights, and the robust spread."""
    center = np.percentile(value, start_percentile)
    weight = 1.0 / (1.0 + ((value - center) / 0.1) ** 2)
    spread = 0.1
    coefficients: Floats = np.zeros(basis.shape[1])
    for _ in range(8):
        weighted = basis * weight[:, None]
        # A light ridge keeps the field flat where vial and fingers leave little paper.
        normal = weighted.T @ basis + 0.5 * np.diag([0, 0, 0, 1, 1, 1]) + 1e-9 * np.eye(basis.shape[1])
        coefficients = np.asarray(np.linalg.solve(normal, weighted.T @ value), dtype=np.float64)
        residual = value - basis @ coefficients
        spread = max(float(_STD_PER_MAD * median(np.abs(residual))), 0.003)
        weight = np.clip(1.0 - (residual / (4.0 * spread)) ** 2, 0.0, None) ** 2
    return coefficients, spread
