"""Finds the patches of a color chart, orders them from yellow to blue, and measures them against the card's paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats, Rect, chart_patches, direction_deg, load_card, over_white
from colorread.errors import refusal
from colorread.fluid.find import BLACK_U8, ColorMap, Rectangle, color_map, density_of, median_density, outer_contours
from colorread.photo import CloseUp, Photo, Source, load_photo
from colorread.reference import CLIPPED_U8, Balance, CardView, balance_view, find_references, view_card

# Assumptions, unless a comment says more; their only support is that the charts drawn by the tests are found.
_MAX_CLIPPED = 0.2  # share of the pixels of a patch in one channel: its median is then not clipped
_MIN_SEEN = 0.7  # share of the patches of this project's chart, as a vial may cover some
_INSET = 0.18  # share of a patch left out on each side, as its edge is blurred
_MIN_PIXELS = 30  # of a patch, which makes three independent ones
_MIN_MM2 = 3.0  # of a kit's patch; specks of noise are smaller
_MIN_CHROMA = 0.02  # paper and gray print stay below
_MAX_EDGE_U8 = 2.0  # change from pixel to pixel within one patch
_EDGE_BLUR_PX = 1.2  # against noise and compression, before edges are looked for
_MIN_SOLIDITY, _MAX_ASPECT = 0.8, 6.0  # of a patch: area over that of the ellipse in its box, and long side over short
_SIZE_RATIO = 2.5  # patches of one row are similar in size
_MAX_GAP_RATIO = 1.8  # and evenly spaced
_MIN_PITCH, _MAX_PITCH = 0.3, 6.0  # distance between neighbors over the root of their area
# Near both ends neighbors differ by 2 to 6 degrees, and simulated prints are off by 3 to 6 there (standard deviation).
_MAX_FALL_DEG = 8.0
_MIN_SPAN_DEG = 25.0  # of the whole chart; the dye spans 110 degrees from pH 6 to 7.6
_DYE_ANGLE_DEG = (-35.0, 165.0)  # of fluid in a photo, with ten degrees to spare, as inks are not the dye

_Box = tuple[Sequence[float], Sequence[float], float]  # center, sides, angle


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartColors:
    """
    The colors of a chart.

    Parameters
    ----------
    density : ndarray of float64, shape (N, 3)
        -log10 of each patch over the card's paper in linear R, G, B, from yellow to blue.
    density_std : ndarray of float64, shape (N, 3)
        Standard uncertainty from noise and tone curve [-].
    photo : Photo
        The photo they were measured in.
    """

    density: Floats
    density_std: Floats
    photo: Photo


def measure_chart(source: Source, n_patches: int | None = None, region_xywh: Rectangle | None = None) -> ChartColors:
    """
    Find and measure the patches of a chart.

    Parameters
    ----------
    source : path or ndarray, shape (H, W, 3)
        Photo file, or an upright sRGB-encoded picture.
    n_patches : int, optional
        Number of patches in the row of a kit's chart, which lies beside or in front of the card. If not given, the
        photo shows the chart of this project in place of the card.
    region_xywh : tuple of float, optional
        Where to look for that row: left, top, width, height in pixels of the upright photo at full size.

    Returns
    -------
    ChartColors
        From yellow to blue.

    Raises
    ------
    Refusal
        If the photo shows no card, no usable light or no such row; codes as in `colorread.reference.find` and
        `colorread.reference.balance`, and ``no-chart``, ``patch-count``, ``chart-order``, ``clipped-patch``.
    """
    photo = load_photo(source)
    fit = find_references(photo.rgb_u8)[0]
    view = view_card(CloseUp(rgb_u8=photo.rgb_u8), fit)
    balance = balance_view(view)
    if balance.hidden.any():
        raise refusal("overexposed", what="paper of the chart")
    if n_patches is None:
        if not shows_chart(view, color_map(balance.rgb_lin, balance.paper_lin, balance.chroma_std)):
            raise refusal("no-chart/blank")
        quads_px = [fit.plane.px_from_mm(patch.rect.inset(_INSET).corners_mm) for patch in chart_patches()]
    else:
        middle = np.median(balance.paper_lin[view.seen], axis=0)
        density = density_of(cv2.LUT(photo.rgb_u8, balance.decoded.astype(np.float32)) / middle)
        region = np.ones(photo.rgb_u8.shape[:2], bool)
        if region_xywh is not None:
            region = _filled(region.shape, photo.corners_px(region_xywh))
        boxes = _flat_boxes(photo.rgb_u8, density, region, _MIN_MM2 * fit.px_per_mm**2)
        quads_px = _row_quads_px(boxes, n_patches)
    patches = [_density_in(quad, photo, view, balance) for quad in quads_px]
    densities, variances = map(np.array, zip(*patches, strict=True))
    # A row may run either way.
    direction = direction_deg(densities)
    step = 1 if direction[-1] > direction[0] else -1
    rising = direction[::step]
    if np.diff(rising).min() < -_MAX_FALL_DEG or rising[-1] - rising[0] < _MIN_SPAN_DEG:
        raise refusal("chart-order")
    return ChartColors(density=densities[::step], density_std=np.sqrt(variances)[::step], photo=photo)


def shows_chart(view: CardView, colors: ColorMap) -> bool:
    """
    Return whether this shows the chart of this project, and not card or tag, which have no colors.

    Parameters
    ----------
    view : CardView
        Rectified card, tag or chart.
    colors : ColorMap
        Its colors.

    Returns
    -------
    bool
        Whether there are colored patches, with paper between them, in most of the places where the chart has them.
    """
    if view.card is not load_card():  # charts are printed on cards only
        return False

    def depths(rects: list[Rect]) -> NDArray[np.float32]:
        return np.array([np.median(colors.strength[view.area(rect)]) for rect in rects])

    patches = [patch.rect for patch in chart_patches()]
    gaps = [
        replace(patch, x_mm=patch.right_mm, width_mm=following.x_mm - patch.right_mm)
        for patch, following in pairwise(patches)
    ]
    inner = depths([patch.grown(-1.0) for patch in patches])
    between = depths([gap.grown(-0.9, -1.0) for gap in gaps])
    is_colored = inner > _MIN_CHROMA
    is_parted = between < 0.6 * np.minimum(inner[:-1], inner[1:])
    return bool(is_colored.mean() >= _MIN_SEEN and is_parted.mean() >= _MIN_SEEN)


def _density_in(quad_px: Floats, photo: Photo, view: CardView, balance: Balance) -> tuple[Floats, Floats]:
    """Return the density of a patch within four corners, and its variance."""
    rows, cols = np.nonzero(_filled(photo.rgb_u8.shape[:2], quad_px))
    pixels = photo.rgb_u8[rows, cols]
    if len(pixels) < _MIN_PIXELS:
        raise refusal("no-chart/small")
    if (pixels >= CLIPPED_U8).mean(axis=0).max() > _MAX_CLIPPED:
        raise refusal("clipped-patch/bright")
    if (pixels <= BLACK_U8).mean(axis=0).max() > _MAX_CLIPPED:
        raise refusal("clipped-patch/dark")
    at = np.rint(view.view_xy(np.stack([cols, rows], axis=-1).astype(np.float64))).astype(int)
    # Beyond the view, the paper at its edge stands in: the color of the light matters, not its strength.
    x, y = np.clip(at, 0, np.array(view.seen.shape[::-1]) - 1).T
    paper = balance.paper_lin[y, x]
    density, steeper = (
        density_of(over_white(decoded[pixels], paper, photo.color_space))
        for decoded in (balance.decoded, balance.steeper)
    )
    return median_density(density, steeper)


def _filled(shape: tuple[int, ...], corners_px: Floats) -> NDArray[np.bool_]:
    mask = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(corners_px).astype(np.int32), 1)
    return mask.astype(bool)


def _flat_boxes(rgb_u8: NDArray[np.uint8], density: Floats, region: NDArray[np.bool_], min_px2: float) -> list[_Box]:
    """Return rectangles around the parts of a photo with a single color that the dye could have."""
    smooth = cv2.GaussianBlur(rgb_u8, (0, 0), _EDGE_BLUR_PX).astype(np.float32)
    edges = (np.abs(cv2.Scharr(smooth, cv2.CV_32F, dx, dy)).max(axis=-1) / 32.0 for dx, dy in ((1, 0), (0, 1)))
    density = np.asarray(cv2.GaussianBlur(density, (0, 0), 2.0 * _EDGE_BLUR_PX), dtype=np.float64)
    chroma = np.hypot(density[..., 0] - density[..., 1], density[..., 2] - density[..., 1])
    angle = direction_deg(density)
    dyed = (chroma > _MIN_CHROMA) & (angle > _DYE_ANGLE_DEG[0]) & (angle < _DYE_ANGLE_DEG[1])
    flat = (dyed & region & (np.maximum(*edges) < _MAX_EDGE_U8)).astype(np.uint8)
    boxes: list[_Box] = []
    for contour in outer_contours(cv2.morphologyEx(flat, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))):
        box = cv2.minAreaRect(contour)
        area = box[1][0] * box[1][1]
        is_compact = cv2.contourArea(contour) > _MIN_SOLIDITY * area * np.pi / 4.0  # allows discs
        if area > max(min_px2, 3.0 * _MIN_PIXELS) and is_compact and max(box[1]) < _MAX_ASPECT * min(box[1]):
            boxes.append(box)
    return boxes


def _row_quads_px(boxes: list[_Box], n_patches: int) -> list[Floats]:
    """Return the corners of the inner parts of the patches of a kit's chart, in their order along the row."""
    row = _longest_row(boxes)
    if len(row) < n_patches:  # a few leaves or stones may form a row too
        raise refusal("no-chart/row", n_patches=n_patches)
    if len(row) > n_patches:
        raise refusal("patch-count", found=len(row), n_patches=n_patches)
    inner = 1.0 - 2.0 * _INSET
    return [
        cv2.boxPoints((center, (inner * width, inner * height), angle)).astype(float)
        for center, (width, height), angle in (boxes[index] for index in row)
    ]


def _longest_row(boxes: list[_Box]) -> list[int]:
    """Return the longest row of boxes of similar size, evenly spaced on a line; empty if there is none."""
    centers = np.array([box[0] for box in boxes]).reshape(-1, 2)
    areas = np.array([box[1][0] * box[1][1] for box in boxes])
    row: list[int] = []
    for a, (center, area) in enumerate(zip(centers, areas, strict=True)):
        pitch = np.linalg.norm(centers - center, axis=1) / np.sqrt(area)
        is_near = (pitch > _MIN_PITCH) & (pitch < _MAX_PITCH)
        for b in np.flatnonzero((is_near & _are_alike(areas, area))[:a]):
            row = max(row, _row_through(centers, areas, a, int(b)), key=len)
    return row


def _row_through(centers: Floats, areas: Floats, a: int, b: int) -> list[int]:
    """Return the boxes similar to `a` and `b` on the line through both, in order, while they are evenly spaced."""
    along = (centers[b] - centers[a]) / np.linalg.norm(centers[b] - centers[a])
    offset = np.abs((centers - centers[a]) @ np.array((-along[1], along[0])))
    area = areas[[a, b]].mean()
    members = np.flatnonzero(_are_alike(areas, area) & (offset < 0.3 * np.sqrt(area)))
    members = members[np.argsort(centers[members] @ along)]
    gaps = np.diff(centers[members] @ along)
    if len(gaps) < 2:
        return []
    breaks = np.flatnonzero(gaps > _MAX_GAP_RATIO * np.median(gaps)) + 1
    return [int(index) for index in max(np.split(members, breaks), key=len)]


def _are_alike(areas: Floats, area: float) -> NDArray[np.bool_]:
    return (areas * _SIZE_RATIO > area) & (areas < _SIZE_RATIO * area)
