"""White balance by the card: the gray rows for the tone curve, and a smooth field of what paper looks like."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.reference import GrayPatch
from calibration.tone import GraySamples, ToneFit, decode_tone, fit_tone
from colorread.card.view import MARGIN_MM, CardView
from colorread.density import CLIPPED_U8
from colorread.errors import Refusal

# All assumptions.
_CELL_MM = 1.5  # evens out noise, and fits into what vial and fingers leave free
_TOO_DARK = 0.05  # linear light of paper: at density 1 a channel of the fluid is then at code 16 of 255
_MAX_CLIPPED = 0.9  # share of the blank paper
_MAX_CAST_RED, _MAX_CAST_BLUE = 0.2, 0.42  # log10 of paper R/G and B/G: beyond, one channel carries no light
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
        Light of bare paper over it.
    """

    tone: ToneFit
    decoded: NDArray[np.float64]
    steeper: NDArray[np.float64]
    rgb_lin: NDArray[np.float32]
    paper: PaperField


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
        ``too-dark``, ``overexposed``, ``colored-light`` or ``card-unclear``.
    """
    tone = fit_tone(_sample_grays(view))
    codes = np.arange(256) / 255.0
    decoded, steeper = (decode_tone(codes, tone.strength + more) for more in (0.0, tone.strength_std))
    rgb_lin = np.asarray(cv2.LUT(view.rgb_u8, decoded.astype(np.float32)), dtype=np.float32)
    blank = _blank_paper(view)
    paper = _fit_paper(view, blank, rgb_lin)
    _require_usable_light(view, blank, paper)
    _require_grays(view, rgb_lin, paper)
    return Balance(tone=tone, decoded=decoded, steeper=steeper, rgb_lin=rgb_lin, paper=paper)


def _sample_grays(view: CardView) -> GraySamples:
    """Measure the gray patches that lie within the photo, and the bare paper on both sides of each."""
    coverage, patches, papers = [], [], []
    for patch in view.card.gray_patches:
        areas = [view.area(rect) for rect in (patch.inner, *patch.paper)]
        if not all(view.seen[area].all() and view.seen[area].size for area in areas):
            continue
        middle, *paper = (np.median(view.rgb_u8[area].reshape(-1, 3), axis=0) / 255.0 for area in areas)
        coverage.append(patch.black_coverage)
        patches.append(middle)
        papers.append(paper)
    return GraySamples(
        black_coverage=np.array(coverage),
        patch=np.array(patches).reshape(-1, 3),
        paper=np.array(papers).reshape(-1, 2, 3),
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


def _require_usable_light(view: CardView, blank: NDArray[np.bool_], paper: PaperField) -> None:
    """Refuse a photo whose light cannot carry the color of the dye."""
    # Every third pixel either way tells shares and medians of so large an area.
    thinned = np.s_[::3, ::3]
    blank = blank[thinned]
    if (view.rgb_u8[thinned][blank] >= CLIPPED_U8).mean() > _MAX_CLIPPED:
        raise Refusal(
            "overexposed",
            "The paper of the card is overexposed, so its color is lost.",
            "Tap on the paper in the camera to darken the picture, or step back from the lamp, and try again.",
        )
    rgb = np.median(paper.rgb_lin[thinned][blank], axis=0)
    if rgb.max() < _TOO_DARK:
        raise Refusal(
            "too-dark",
            "The photo is too dark to see the color of the fluid.",
            "Add light, the same on card and vial, without flash, and try again.",
        )
    red, blue = np.log10(rgb[[0, 2]] / rgb[1])
    if abs(red) > _MAX_CAST_RED or abs(blue) > _MAX_CAST_BLUE:
        raise Refusal(
            "colored-light",
            "The light is strongly colored, so it hides the color of the dye.",
            "Switch the lamp to white or take the photo in daylight or under a white lamp.",
        )


def _require_grays(view: CardView, rgb_lin: NDArray[np.float32], paper: PaperField) -> None:
    """Refuse a photo in which a row of grays is not there, as in one whose lower part was lost in a damaged file."""

    def is_there(patch: GrayPatch) -> bool:
        area = view.area(patch.inner)
        shown = float(np.median(rgb_lin[area].mean(axis=-1) / paper.rgb_lin[area].mean(axis=-1)))
        return shown < 1.0 - 0.5 * patch.black_coverage + _DOT_LOSS  # half-way between bare paper and the print

    def is_dark(patch: GrayPatch) -> bool:
        area = view.area(patch.inner)
        return bool(patch.black_coverage >= _DARK_COVERAGE and view.seen[area].size and view.seen[area].all())

    rows = [[is_there(patch) for patch in row if is_dark(patch)] for row in view.card.gray_rows]
    if any(len(row) >= _LEAST_PATCHES and np.mean(row) < 0.5 for row in rows):
        raise Refusal(
            "card-unclear",
            "One of the rows of grays on the card is not as printed.",
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
        spread = max(float(1.4826 * np.median(np.abs(residual))), 0.003)
        weight = np.clip(1.0 - (residual / (4.0 * spread)) ** 2, 0.0, None) ** 2
    return coefficients, spread
