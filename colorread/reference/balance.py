"""White balance by the card: the gray rows for the tone curve, and a smooth field of what paper looks like."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import GrayPatch, ToneFit, decode_tone, fit_tone
from colorread.errors import Refusal
from colorread.reference.density import median
from colorread.reference.grays import (
    NEVER_CUT_OFF,
    ceiling_u8,
    film_on,
    overexposed,
    sample_grays,
    seen_patches,
    tint_reflectance,
)
from colorread.reference.view import MARGIN_MM, CardView

# All assumptions.
_CELL_MM = 1.5  # evens out noise, and fits into what vial and fingers leave free
_TOO_DARK = 0.05  # linear light of paper: at density 1 a channel of the fluid is then at code 16 of 255
# log10 of paper R/G and B/G: beyond, one channel carries no light. A little film takes blue and can be read.
_OVEREXPOSED = 0.15  # light that is cut off: pale fluid is then cut off too [log10]
_CAST_RED, _CAST_BLUE = (-0.2, 0.2), (-0.48, 0.42)
# Patches with so much black, and how much paler a print may come out. No row of 625 rendered photos had fewer than
# three in five patches as dark as half-way to the print.
_DARK_COVERAGE, _DOT_LOSS, _LEAST_PATCHES = 0.4, 0.1, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperField:
    """
    Paper as a smooth field over the view.

    Parameters
    ----------
    rgb_lin : ndarray of float32, shape (H, W, 3)
        Expected linear light of bare paper.
    chroma_std : float
        Robust spread of the paper's color around the field, in log10 of R/G and B/G [-].
    """

    rgb_lin: NDArray[np.float32]
    chroma_std: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """
    What the gray rows and the paper of a card say of a photo.

    Parameters
    ----------
    tone : ToneFit
        Strength of the phone's tone curve.
    decoded, steeper : ndarray of float64, shape (256,)
        Linear light of each 8-bit code, and what it was if the curve was steeper by its standard uncertainty [-].
    rgb_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view.
    paper : PaperField
        Light of bare paper over it, as the photo shows it.
    ceiling : ndarray of float64, shape (3,)
        Code from which on the paper may be cut off.
    hidden : ndarray of float32, shape (H, W, 3)
        How much brighter paper is than it shows, by the grays; 0 in channels that are not cut off [log10].
    film : float
        How much film has grown on card or tag, as by `film_on` [log10].
    """

    tone: ToneFit
    decoded: NDArray[np.float64]
    steeper: NDArray[np.float64]
    rgb_lin: NDArray[np.float32]
    paper: PaperField
    ceiling: NDArray[np.float64]
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
        Rectified card or chart.

    Returns
    -------
    Balance
        For `view`.

    Raises
    ------
    Refusal
        ``too-dark``, ``overgrown``, ``colored-light``, ``overexposed`` or ``card-unclear``.
    """
    grays = sample_grays(view)
    tone = fit_tone(grays)
    codes = np.arange(256) / 255.0
    decoded, steeper = (decode_tone(codes, tone.strength + more) for more in (0.0, tone.strength_std))
    rgb_lin = np.asarray(cv2.LUT(view.rgb_u8, decoded.astype(np.float32)), dtype=np.float32)
    blank = _blank_paper(view)
    paper = _fit_paper(view, blank, rgb_lin)
    # Every third pixel either way tells the medians of so large an area.
    thinned = np.s_[::3, ::3]
    bare = blank[thinned]
    ceiling = ceiling_u8(view.rgb_u8[thinned][bare])
    reflectance, is_cut_off = tint_reflectance(grays, tone, ceiling)
    hidden = np.zeros_like(rgb_lin)
    if is_cut_off.any():
        by_tints = _paper_by_tints(view, blank, rgb_lin, ceiling, reflectance)
        hidden = np.maximum(np.log10(by_tints.rgb_lin / paper.rgb_lin), 0.0) * is_cut_off
    light_rgb = np.median(paper.rgb_lin[thinned][bare] * 10.0 ** hidden[thinned][bare], axis=0)
    _require_bright(light_rgb)
    film = film_on(view.card.name, grays, tone, light_rgb)
    # Paper that may be cut off in all channels is bright in all, so it is the exposure that hides color or grays.
    all_bright = bool((ceiling < NEVER_CUT_OFF).all())
    if not _is_white(light_rgb):
        raise overexposed("paper") if all_bright else _colored_light()
    if not _shows_grays(view, rgb_lin, paper, hidden):
        raise overexposed("paper") if all_bright else _no_grays()
    return Balance(
        tone=tone,
        decoded=decoded,
        steeper=steeper,
        rgb_lin=rgb_lin,
        paper=paper,
        ceiling=ceiling,
        hidden=hidden,
        film=film,
    )


def _blank_paper(view: CardView) -> NDArray[np.bool_]:
    """Where bare paper is in the photo, shape (H, W)."""
    return view.mask(view.card.outline.grown(-1.0)) & ~view.mask(*view.card.printed) & view.seen


def _fit_paper(view: CardView, blank: NDArray[np.bool_], rgb_lin: NDArray[np.float32]) -> PaperField:
    """
    Fit a smooth field of paper light to the blank parts of the card, extrapolated gently beyond it.

    Second-order polynomials of log light and of both color ratios, fitted robustly to cells of 1.5 mm, so that vial,
    fingers, shadows and stray light weigh little.
    """
    height, width = view.seen.shape
    columns = int(width / view.px_per_mm / _CELL_MM)
    rows = int(height / view.px_per_mm / _CELL_MM)
    bare = cv2.resize(blank.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) > 0.95
    cells = cv2.resize(rgb_lin, (columns, rows), interpolation=cv2.INTER_AREA)
    log_cells = np.log10(np.maximum(cells, 1e-4))
    value = np.stack(
        [log_cells[..., 1], log_cells[..., 0] - log_cells[..., 1], log_cells[..., 2] - log_cells[..., 1]], axis=-1
    )
    basis = _polynomial(rows, columns)
    field = np.empty_like(value)
    spreads = []
    for channel in range(3):
        # Things in front of the paper are darker, hardly ever brighter: start from the bright side of the light.
        start = 75.0 if channel == 0 else 50.0
        coefficients, spread = _robust_fit(basis[bare], value[bare][:, channel], start)
        field[..., channel] = basis @ coefficients
        spreads.append(spread)
    log_field = np.stack([field[..., 0] + field[..., 1], field[..., 0], field[..., 0] + field[..., 2]], axis=-1)
    resized = cv2.resize((10.0**log_field).astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    chroma_std = float(np.sqrt(np.mean(np.square(spreads[1:]))))
    return PaperField(rgb_lin=np.asarray(resized, dtype=np.float32), chroma_std=chroma_std)


def _paper_by_tints(
    view: CardView,
    blank: NDArray[np.bool_],
    rgb_lin: NDArray[np.float32],
    ceiling: NDArray[np.float64],
    reflectance: NDArray[np.float64],
) -> PaperField:
    """Fit the light of paper to the tints and to what is not cut off of the paper around the window."""
    known = blank & ~view.mask(view.card.vial_window) & (view.rgb_u8 < ceiling).all(axis=-1)
    rgb_lin = rgb_lin.copy()
    for patch, log_reflectance in zip(seen_patches(view), reflectance, strict=True):
        if np.isfinite(log_reflectance):
            area = view.area(patch.rect)
            rgb_lin[area] = np.median(rgb_lin[view.area(patch.inner)], axis=(0, 1)) / 10.0**log_reflectance
            known[area] = True
    return _fit_paper(view, known, rgb_lin)


def _require_bright(light_rgb: NDArray[np.float64]) -> None:
    if light_rgb.max() < _TOO_DARK:
        raise Refusal(
            "too-dark",
            "The photo is too dark to see the color of the fluid.",
            "Add light, the same on vial and paper, without flash, and try again.",
        )


def _is_white(light_rgb: NDArray[np.float64]) -> bool:
    """Tell whether light can carry the color of the dye."""
    red, blue = np.log10(light_rgb[[0, 2]] / light_rgb[1])
    return bool(_CAST_RED[0] <= red <= _CAST_RED[1] and _CAST_BLUE[0] <= blue <= _CAST_BLUE[1])


def _colored_light() -> Refusal:
    return Refusal(
        "colored-light",
        "The light is strongly colored, so it hides the color of the dye.",
        "Switch the lamp to white or take the photo in daylight or under a white lamp.",
    )


def _shows_grays(view: CardView, rgb_lin: NDArray[np.float32], paper: PaperField, hidden: NDArray[np.float32]) -> bool:
    """Tell whether both rows of grays are there, one of which is not where a damaged file lost its lower part."""

    def is_there(patch: GrayPatch) -> bool:
        area = view.area(patch.inner)
        light = paper.rgb_lin[area] * 10.0 ** hidden[area]
        shown = float(np.median(rgb_lin[area].mean(axis=-1) / light.mean(axis=-1)))
        return shown < 1.0 - 0.5 * patch.black_coverage + _DOT_LOSS  # half-way between bare paper and the print

    def is_dark(patch: GrayPatch) -> bool:
        area = view.area(patch.inner)
        return bool(patch.black_coverage >= _DARK_COVERAGE and view.seen[area].size and view.seen[area].all())

    rows = [[is_there(patch) for patch in row if is_dark(patch)] for row in view.card.gray_rows]
    return not any(len(row) >= _LEAST_PATCHES and np.mean(row) < 0.5 for row in rows)


def _no_grays() -> Refusal:
    return Refusal(
        "card-unclear",
        "One of the rows of grays is not as printed.",
        "Take the photo again with both rows uncovered; if they are, copy the original file from the phone again.",
    )


def _polynomial(rows: int, columns: int) -> NDArray[np.float64]:
    """Second-order basis, shape (rows, columns, 6), held constant beyond the edge of the card."""
    margin = MARGIN_MM / _CELL_MM
    y, x = (np.clip((np.arange(n) - (n - 1) / 2.0) / ((n - 1) / 2.0 - margin), -1.0, 1.0) for n in (rows, columns))
    grid_y, grid_x = np.meshgrid(y, x, indexing="ij")
    return np.stack([np.ones_like(grid_x), grid_x, grid_y, grid_x**2, grid_x * grid_y, grid_y**2], axis=-1)


def _robust_fit(
    basis: NDArray[np.float64], value: NDArray[np.float64], start_percentile: float
) -> tuple[NDArray[np.float64], float]:
    """Return coefficients of iterated least squares with Tukey weights, and the robust spread."""
    center = np.percentile(value, start_percentile)
    weight = 1.0 / (1.0 + ((value - center) / 0.1) ** 2)
    spread = 0.1
    coefficients: NDArray[np.float64] = np.zeros(basis.shape[1])
    for _ in range(8):
        weighted = basis * weight[:, None]
        # A light ridge keeps the field flat where vial and fingers leave little paper.
        normal = weighted.T @ basis + 0.5 * np.diag([0, 0, 0, 1, 1, 1]) + 1e-9 * np.eye(basis.shape[1])
        coefficients = np.asarray(np.linalg.solve(normal, weighted.T @ value), dtype=np.float64)
        residual = value - basis @ coefficients
        spread = max(float(1.4826 * median(np.abs(residual))), 0.003)
        weight = np.clip(1.0 - (residual / (4.0 * spread)) ** 2, 0.0, None) ** 2
    return coefficients, spread
