"""Finds the fluid in front of card or tag: the color and class of every pixel, and the outline of the vial."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Floats
from colorread.errors import refusal
from colorread.reference import CLIPPED_U8, VIEW_PX_PER_MM, CardView, median

Rectangle = tuple[float, float, float, float]
"""x, y, width and height [px]."""
BLACK_U8 = 3
"""Code up to which a channel may be cut off; above 0, as compression shifts codes a little: assumption."""
_LEAST_LIGHT = 1e-3  # over that of paper: about code 3 in plain sRGB, where black begins; its logarithm is finite
_PIXELS_OF_ONE_SAMPLE = 9.0  # that share noise, through demosaicing, compression and the view: assumption
_SMOOTH_MM = 0.3  # assumption: the fluid in the rendered photos is found with it

MASK_PX_PER_MM = 2.0
"""Scale at which the network works [px/mm]."""
NEITHER, DYED, OTHER_LIQUID = range(3)
"""Classes that the network distinguishes: anything else, fluid with the dye, clear water or another dye in glass."""
_MULTIPLE = 8  # divides the sides of its input, as the network halves them three times
_SPAN = (-0.5, 1.5)  # of the densities in its input
_GREEN_AND_CHROMA = np.array([(0.0, 1.0, 0.0), (1.0, -1.0, 0.0), (0.0, -1.0, 1.0)])  # of R, G, B
_MEAN = np.full((1, 3), 1.0 / 3.0)

_MIN_AREA_MM2 = 14.0  # a few drops in a small flat vial: assumption
# Share of the fluid in front of bare paper, as ink behind it changes its color: of 1231 rendered photos all have at
# least 0.52 but one, where a leaf's edge over a gray patch is taken for the fluid.
_MIN_ON_PAPER = 0.3
# Photo pixels on the fluid. When 38 rendered photos were reduced until it had 280 or more, 34 intervals held the truth,
# as before; with 180 or more, 32. The number asked for when there are too few, and the length of a small step, are
# assumptions.
_MIN_PIXELS, _WANTED_PIXELS, _STEP_MM = 250.0, 1000.0, 500.0
_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_EDGE_MM = 2.0  # rim of card or tag where nobody points at fluid
# Chroma below which a marked area cannot be distinguished from paper, absolute and relative to noise: assumptions.
_MIN_CHROMA, _CHROMA_PER_NOISE = 0.012, 2.5
# Share of a marked area that the network must call dyed: at least 0.68 on 113 rendered vials, 0 on colored caps and
# leaves.
_MIN_DYED = 0.5
# A second vial: its area over that of the first, and the difference in hue; assumptions.
_RIVAL_SHARE, _RIVAL_HUE_DEG = 0.3, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ColorMap:
    """
    The color of every pixel of the view against paper.

    Parameters
    ----------
    density : ndarray of float32, shape (H, W, 3)
        In R, G, B [-].
    chroma : ndarray of float32, shape (H, W, 2)
        Density in R minus G, and in B minus G, smoothed over 0.3 mm: free of light and shade [-].
    strength : ndarray of float32, shape (H, W)
        Depth of color, density [-].
    noise : float
        Spread of the chroma of bare paper [-].
    """

    density: NDArray[np.float32]
    chroma: NDArray[np.float32]
    strength: NDArray[np.float32]
    noise: float


def color_map(rgb_lin: NDArray[np.float32], paper_lin: NDArray[np.float32], noise: float) -> ColorMap:
    """
    Compare every pixel with paper.

    Parameters
    ----------
    rgb_lin, paper_lin : ndarray of float32, shape (H, W, 3)
        Linear light of the view and of bare paper there.
    noise : float
        Spread of the chroma of bare paper [-].

    Returns
    -------
    ColorMap
        Colors of the view.
    """
    density = density_of(rgb_lin / paper_lin)
    red, green, blue = cv2.split(density)
    chroma = cv2.GaussianBlur(cv2.merge([red - green, blue - green]), (0, 0), _SMOOTH_MM * VIEW_PX_PER_MM)
    strength = np.asarray(cv2.magnitude(*cv2.split(chroma)), np.float32)
    return ColorMap(density=density, chroma=np.asarray(chroma, np.float32), strength=strength, noise=noise)


def density_of(ratio: NDArray[Any]) -> NDArray[Any]:
    """
    Return the density of light over that of paper.

    Parameters
    ----------
    ratio : ndarray of float, shape (..., 3)
        Linear light over that of paper.

    Returns
    -------
    ndarray of float, shape (..., 3)
        -log10 of it, at most 3 [-].
    """
    # OpenCV's logarithm takes a fifth of the time of NumPy's.
    logarithm = cv2.log(np.maximum(ratio, _LEAST_LIGHT)).reshape(ratio.shape)
    return np.asarray(logarithm * ratio.dtype.type(-1.0 / np.log(10.0)))


def median_density(density: Floats, steeper: Floats) -> tuple[Floats, Floats]:
    """
    Return the median of pixels of one color, and its variance from noise and tone curve.

    Parameters
    ----------
    density, steeper : ndarray of float64, shape (N, 3)
        Densities of the pixels, and the same if the tone curve were steeper by its standard uncertainty [-].

    Returns
    -------
    median, variance : ndarray of float64, shape (3,)
        In R, G, B.
    """
    of_pixels = median(density)
    shift = np.abs(median(steeper) - of_pixels)
    # A change that the tone curve makes to all channels alike does not change the color.
    tone_std = shift - shift.min()
    noise = density.std(axis=0) / np.sqrt(max(len(density) / _PIXELS_OF_ONE_SAMPLE, 1.0))
    return of_pixels, tone_std**2 + noise**2


def mask_input(view: CardView, colors: ColorMap) -> NDArray[np.float32]:
    """
    Return the input of the network.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.

    Returns
    -------
    ndarray of float32, shape (4, h, w)
        Green density, R minus G and B minus G density, and the share of clipped values, at 2 px/mm; zero outside the
        photo.
    """
    height, width = view.seen.shape
    size = round(width * MASK_PX_PER_MM / VIEW_PX_PER_MM), round(height * MASK_PX_PER_MM / VIEW_PX_PER_MM)
    layers = np.empty((height, width, 4), np.float32)
    layers[..., :3] = cv2.transform(np.clip(colors.density, *_SPAN), _GREEN_AND_CHROMA)
    layers[..., 3] = cv2.transform((view.rgb_u8 >= CLIPPED_U8).astype(np.float32), _MEAN)
    layers[~view.seen] = 0.0
    return np.ascontiguousarray(np.moveaxis(cv2.resize(layers, size, interpolation=cv2.INTER_AREA), -1, 0))


def _pixel_classes(view: CardView, colors: ColorMap) -> NDArray[np.uint8]:
    """Return the most probable of `NEITHER`, `DYED` and `OTHER_LIQUID` for each pixel of the view, shape (H, W)."""
    layers = mask_input(view, colors)
    _, height, width = layers.shape
    padded = np.pad(layers, ((0, 0), (0, -height % _MULTIPLE), (0, -width % _MULTIPLE)))
    net = _network()
    net.setInput(padded[None])
    scores = np.asarray(net.forward())[0, :, :height, :width]
    neither, dyed, other = (
        cv2.resize(score, view.seen.shape[::-1], interpolation=cv2.INTER_LINEAR) for score in scores
    )
    classes = np.where(dyed > neither, np.uint8(DYED), np.uint8(NEITHER))
    classes[other > np.maximum(neither, dyed)] = OTHER_LIQUID
    return classes


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(np.frombuffer(files(__package__).joinpath("mask.onnx").read_bytes(), np.uint8))


@dataclass(frozen=True, slots=True, kw_only=True)
class VialFit:
    """
    Where the fluid is.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)
        The fluid in the view, out to its edge.
    outline_px : ndarray of float64, shape (N, 2)
        Outline in view pixels, x and y.
    area_mm2 : float
        Area on the plane of the card [mm2].
    """

    mask: NDArray[np.bool_]
    outline_px: Floats
    area_mm2: float


def find_vial(view: CardView, colors: ColorMap) -> tuple[VialFit, ...]:
    """
    Find the fluid in front of card or tag with the network that marks every pixel.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.

    Returns
    -------
    tuple of VialFit
        Empty if there is no liquid in glass; two if there is a second vial of another color.

    Raises
    ------
    Refusal
        ``no-dye`` if there is liquid in glass without the color of the dye.
    """
    classes = _pixel_classes(view, colors)
    dyed, other = (_large_parts(classes == kind, view) for kind in (DYED, OTHER_LIQUID))
    if other and (not dyed or other[0].area_mm2 > dyed[0].area_mm2):
        raise refusal("no-dye")
    rivals = [
        vial
        for vial in dyed[1:]
        if vial.area_mm2 > _RIVAL_SHARE * dyed[0].area_mm2 and _hue_apart_deg(vial, dyed[0], colors) > _RIVAL_HUE_DEG
    ]
    return (*dyed[:1], *rivals[:1])


def point_at_vial(view: CardView, colors: ColorMap, corners_px: Floats) -> tuple[VialFit, ...]:
    """
    Take the fluid where the user points.

    Parameters
    ----------
    view : CardView
        Rectified card or tag.
    colors : ColorMap
        Its colors.
    corners_px : ndarray of float64, shape (4, 2)
        Corners of the rectangle in view pixels.

    Returns
    -------
    tuple of VialFit
        The part of the rectangle's ellipse that has the color of its middle; empty if the rectangle lies beyond the
        card or holds no color, as with clear water.

    Raises
    ------
    Refusal
        ``no-dye`` if the network does not mark most of that part as fluid with the dye.
    """
    ellipse = np.zeros(view.seen.shape, np.uint8)
    center, sides, angle = cv2.minAreaRect(corners_px.astype(np.float32))
    cv2.ellipse(ellipse, (center, (0.9 * sides[0], 0.9 * sides[1]), angle), 1, cv2.FILLED)
    region = ellipse.astype(bool) & view.seen & view.mask(view.card.outline.grown(-_EDGE_MM))
    if region.sum() < _MIN_AREA_MM2 * VIEW_PX_PER_MM**2 * 0.5:
        return ()
    middle = float(np.median(colors.strength[region]))
    if middle < max(_MIN_CHROMA, _CHROMA_PER_NOISE * colors.noise):
        return ()
    colored = (region & (colors.strength > 0.5 * middle)).view(np.uint8)
    speck = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    contours = outer_contours(cv2.morphologyEx(colored, cv2.MORPH_OPEN, speck))
    if not contours:
        return ()
    vial = _inside(max(contours, key=cv2.contourArea), view)
    if (_pixel_classes(view, colors)[vial.mask] == DYED).mean() < _MIN_DYED:
        raise refusal("no-dye/marked")
    return (vial,)


def require_enough_pixels(area_mm2: float, px_per_mm: float, distance_mm: float) -> None:
    """
    Refuse fluid that covers too few pixels.

    Parameters
    ----------
    area_mm2 : float
        Area of the fluid on the plane of card or tag [mm2].
    px_per_mm : float
        Scale of the photo there [px/mm].
    distance_mm : float
        Distance from the camera [mm].

    Raises
    ------
    Refusal
        ``small-vial``, with how much closer to go.
    """
    n_pixels = area_mm2 * px_per_mm**2
    if n_pixels >= _MIN_PIXELS:
        return
    closer_mm = distance_mm * (1.0 - np.sqrt(n_pixels / _WANTED_PIXELS))
    n_steps = int(np.clip(round(closer_mm / _STEP_MM), 1, len(_NUMBERS)))
    raise refusal("small-vial", steps=f"{_NUMBERS[n_steps - 1]} small step{'s' if n_steps > 1 else ''}")


def outer_contours(region: NDArray[Any]) -> list[NDArray[Any]]:
    """
    Return the outlines of all parts of a region; holes, such as highlights, are ignored.

    Parameters
    ----------
    region : ndarray of bool or uint8, shape (H, W)
        True or 1 inside.

    Returns
    -------
    list of ndarray of int32, shape (N, 1, 2)
        x and y; a part inside a hole of another one is included.
    """
    contours, tree = cv2.findContours(region.view(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    return [contour for index, contour in enumerate(contours) if tree[0, index, 3] < 0]  # without a parent


def _large_parts(region: NDArray[np.bool_], view: CardView) -> list[VialFit]:
    """Return the parts of a region that may be a vial, large enough and in front of bare paper, the largest first."""
    least_px2 = _MIN_AREA_MM2 * VIEW_PX_PER_MM**2
    large = [contour for contour in outer_contours(region) if cv2.contourArea(contour) >= least_px2]
    parts = [_inside(contour, view) for contour in sorted(large, key=cv2.contourArea, reverse=True)]
    is_bare = view.mask(view.card.blank)
    return [part for part in parts if is_bare[part.mask].mean() >= _MIN_ON_PAPER]


def _inside(contour: NDArray[Any], view: CardView) -> VialFit:
    """Return the fluid inside an outline, with holes filled."""
    filled = np.zeros(view.seen.shape, np.uint8)
    cv2.drawContours(filled, [contour], -1, 1, cv2.FILLED)
    return VialFit(
        mask=filled.astype(bool),
        outline_px=contour[:, 0].astype(np.float64),
        area_mm2=float(cv2.contourArea(contour) / VIEW_PX_PER_MM**2),
    )


def _hue_apart_deg(one: VialFit, other: VialFit, colors: ColorMap) -> float:
    hues = [np.arctan2(*np.median(colors.chroma[vial.mask], axis=0)) for vial in (one, other)]
    return float(np.degrees(abs((hues[0] - hues[1] + np.pi) % (2.0 * np.pi) - np.pi)))
