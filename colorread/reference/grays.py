"""What the gray patches of card or tag tell: the tone curve, how bright cut-off paper is, how overgrown it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration import GrayPatch, GraySamples, ToneFit, decode_tone, usual_reflectance
from colorread.errors import Refusal
from colorread.reference.density import CLIPPED_U8, median
from colorread.reference.view import CardView

# Tints that tell how bright the paper is: neither as bright as paper themselves nor dark, where stray light counts. And
# the black ones, which tell what lies on them. Assumptions.
_TINTS, _LEAST_PATCHES, _LEAST_CUT_OFF = (0.05, 0.8), 3, 2
_BLACK_FROM, _LEAST_BLACKS = 0.8, 2
_MOST_ENCODED = 0.97  # of paper that is not cut off: assumption
# Paper is cut off in a channel whose median lies from here on and is this much darker than the grays tell: on 240
# rendered photos that are not overexposed the grays differ by 0.01 in the median [log10].
_CUT_OFF_U8, _WOBBLE_U8, _LEAST_HIDDEN = 235.0, 3.0, 0.02
NEVER_CUT_OFF = 256.0
"""Beyond all codes."""
# Algae and slime make paper yellow and black green, lamps and lens glare hardly ever both. Of 292 rendered photos of
# clean prints the sum below is over 0.2 in 2 % and 0.36 at most, whatever the glare; with film that may be read 0.41 at
# most, with too much of it 0.55 at least. Black that is so much greener than its paper is no lamp's doing.
_GREEN_WEIGHT, _GREEN_BLACK = 2.0, 0.015
FILM_SEEN, _FILM_MOST = 0.2, 0.48


def seen_patches(view: CardView) -> tuple[GrayPatch, ...]:
    """
    Return the gray patches that lie within the photo.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.

    Returns
    -------
    tuple of GrayPatch
        Those that are seen with the bare paper on both sides.
    """

    def is_seen(patch: GrayPatch) -> bool:
        areas = [view.area(rect) for rect in (patch.inner, *patch.paper)]
        return all(view.seen[area].all() and view.seen[area].size for area in areas)

    return tuple(patch for patch in view.card.gray_patches if is_seen(patch))


def sample_grays(view: CardView) -> GraySamples:
    """
    Measure the gray patches, and the bare paper on both sides of each.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.

    Returns
    -------
    GraySamples
        Of `seen_patches`, sRGB-encoded medians.
    """
    coverage, patches, papers = [], [], []
    for patch in seen_patches(view):
        areas = [view.area(rect) for rect in (patch.inner, *patch.paper)]
        middle, *paper = (median(view.rgb_u8[area].reshape(-1, 3)) / 255.0 for area in areas)
        coverage.append(patch.black_coverage)
        patches.append(middle)
        papers.append(paper)
    return GraySamples(
        black_coverage=np.array(coverage),
        patch=np.array(patches).reshape(-1, 3),
        paper=np.array(papers).reshape(-1, 2, 3),
    )


def ceiling_u8(paper_u8: NDArray[np.uint8]) -> NDArray[np.float64]:
    """
    Return the code from which on each channel of the paper may be cut off.

    Parameters
    ----------
    paper_u8 : ndarray of uint8, shape (N, 3)
        Bare paper, as encoded.

    Returns
    -------
    ndarray of float64, shape (3,)
        Just below the brighter paper, which a tone curve may put a little below the top; beyond all codes where even
        that is too dark to be cut off.
    """
    tops = np.percentile(paper_u8, 90.0, axis=0)
    return np.where(tops > _CUT_OFF_U8, np.minimum(tops - _WOBBLE_U8, CLIPPED_U8), NEVER_CUT_OFF)


def tint_reflectance(
    grays: GraySamples, tone: ToneFit, ceiling: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """
    Tell how dark each tint is against bare paper, where the photo may cut that off.

    Black ink is neutral: what a channel that is not cut off shows holds for the others.

    Parameters
    ----------
    grays : GraySamples
        The gray patches.
    tone : ToneFit
        Tone curve of the photo.
    ceiling : ndarray of float64, shape (3,)
        From `ceiling_u8`.

    Returns
    -------
    reflectance : ndarray of float64, shape (N,)
        Over that of paper, not a number for a patch that is no tint or cut off itself [log10].
    is_cut_off : ndarray of bool, shape (3,)
        Whether tints tell of brighter paper than shows.
    """
    shown = _log10_over_paper(grays, tone)
    is_free = 255.0 * grays.paper.mean(axis=1) < ceiling
    n_free = is_free.sum(axis=1)
    measured = (shown * is_free).sum(axis=1) / np.maximum(n_free, 1)
    usual = np.log10(usual_reflectance(grays.black_coverage))
    low, high = _TINTS
    is_tint = (grays.black_coverage > low) & (grays.black_coverage < high) & (255.0 * grays.patch < ceiling).all(axis=1)
    known = is_tint & (n_free > 0)
    print_is_darker = float(np.median((measured - usual)[known])) if known.sum() >= _LEAST_PATCHES else 0.0
    reflectance = np.where(n_free > 0, measured, usual + print_is_darker)
    reflectance[~is_tint] = np.nan
    above = [(shown[:, channel] - reflectance)[is_tint & ~is_free[:, channel]] for channel in range(3)]
    is_cut_off = [len(of) >= _LEAST_CUT_OFF and float(np.median(of)) > _LEAST_HIDDEN for of in above]
    return reflectance, np.array(is_cut_off) & (is_tint.sum() >= _LEAST_PATCHES)


def film_on(name: str, grays: GraySamples, tone: ToneFit, light_rgb: NDArray[np.float64]) -> float:
    """
    Tell how much film has grown on card or tag.

    Parameters
    ----------
    name : str
        The word for it.
    grays : GraySamples
        The gray patches.
    tone : ToneFit
        Tone curve of the photo.
    light_rgb : ndarray of float64, shape (3,)
        Light of its paper.

    Returns
    -------
    float
        How much yellower than neutral the paper is, and greener than paper the black; seen from `FILM_SEEN` on [log10].

    Raises
    ------
    Refusal
        ``overgrown`` where the paper is tinted so much that it cannot be trusted.
    """
    green_or_red_cut_off = grays.paper[:, :, :2].max(axis=(1, 2)) > _MOST_ENCODED
    black = (grays.black_coverage > _BLACK_FROM) & ~green_or_red_cut_off
    over_paper = _log10_over_paper(grays, tone)[black]
    greener = float(np.median(over_paper[:, 1] - over_paper[:, 0])) if len(over_paper) >= _LEAST_BLACKS else 0.0
    film = float(np.log10(light_rgb[1] / light_rgb[2])) + _GREEN_WEIGHT * greener
    if film > _FILM_MOST and greener > _GREEN_BLACK:
        raise Refusal(
            "overgrown",
            f"The {name} is overgrown: film tints its paper too much to compare the fluid with it.",
            f"Wipe the {name} clean, or hang up a new one, and take the photo again.",
        )
    return film


def overexposed(what: str) -> Refusal:
    """Return the refusal of a photo in which fluid or paper is overexposed."""
    return Refusal(
        "overexposed",
        f"The {what} is overexposed, so its color is lost.",
        "Tap on the paper in the camera to darken the picture, or step back from the lamp, and try again.",
    )


def _log10_over_paper(grays: GraySamples, tone: ToneFit) -> NDArray[np.float64]:
    """Light of the patches over that of the paper beside them, shape (N, 3)."""
    patch, paper = (np.maximum(decode_tone(of, tone.strength), 1e-4) for of in (grays.patch, grays.paper))
    return np.asarray(np.log10(patch) - np.log10(paper).mean(axis=1))
