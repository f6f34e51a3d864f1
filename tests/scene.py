"""
Photos of the vial in front of card or tag, drawn by computer, with their truth.

Nothing here comes from the code under test but the geometry of card and tag, read as data: dye, light, sensor, tone
curve and balance are the scene's own, so that an error in the reader cannot hide by being made twice. Only the values
of the dye are from the source that the reader's were fitted to.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Behind = Literal["card", "tag"]
Thing = Literal["sphere", "tube", "flat", "water", "disc", "print", "leaf", "nothing"]
Lamp = Literal["daylight", "warm", "cool-led", "blue"]
Array = NDArray[np.float64]
Drawn = NDArray[np.float32]

GEOMETRY = {
    name: json.loads((Path(__file__).parents[1] / "calibration" / f"{name}.json").read_text(encoding="utf-8"))
    for name in ("card", "tag")
}
CARD = GEOMETRY["card"]
WIDTH_MM, HEIGHT_MM = CARD["size"]

_WAVELENGTH_NM = np.arange(400.0, 701.0, 10.0)
# Single values of a digitised pair of spectra of bromothymol blue (github timrobinson/Dye-Indicator-Model, no primary
# paper named), scaled to 3.70e4 at the maximum of the blue form: wavelength [nm], yellow and blue form [L/mol/cm]. The
# reader uses a sum of bands instead, the scene joins the points by a monotone curve. The bands were fitted to the same
# pair, as no second published spectrum of both forms was found: an error of the pair itself shows in no test of photos.
# Single published values (tests/test_dye.py: absorptivity at 620 nm, a series over the pH) agree with it.
_DYE = (
    (400, 12340, 7860),
    (420, 15120, 4980),
    (433, 15750, 2850),
    (447, 14950, 1740),
    (450, 14760, 1780),
    (500, 5650, 5500),
    (550, 700, 16200),
    (575, 190, 24300),
    (600, 50, 33400),
    (616, 20, 37060),
    (620, 17, 36800),
    (650, 0, 18800),
    (700, 0, 820),
)
_DYE_PKA_25C = 7.30  # published values for fresh water spread from 7.1 to 7.4
# Linear sRGB from XYZ: IEC 61966-2-1:1999.
_RGB_FROM_XYZ = np.linalg.inv(np.array([(0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505)]))
# A phone balances in the signals of its sensor. The sharpened cones of the Bradford matrix (ICC.1:2022, annex E) stand
# for one here; the reader uses measured sensors.
_SIGNALS_FROM_RGB = np.array([(0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296)])
_SIGNALS_FROM_RGB = _SIGNALS_FROM_RGB @ np.linalg.inv(_RGB_FROM_XYZ)
# Solid black ink reflects 4 %, tints print darker than sent by a dot gain of 14 % at half coverage, as offset print.
_PAPER, _INK, _DOT_GAIN = 0.88, 0.035, 0.14
_TABLE_RGB = (0.24, 0.21, 0.18)  # linear reflectance of the wood around the card
CARD_PX_PER_MM = 10.0
_GLASS_MM = 1.0
_LEVELS = 65_535  # of linear light; a twentieth of a code in the darkest
_HALF_ANGLE = 43.3 / 26.0  # diagonal of 35 mm film over the focal length of a phone's main camera


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What stands in front of card or tag and how the photo is taken."""

    behind: Behind = "card"  # what is behind the thing; it counts as the card in what follows
    thing: Thing = "sphere"  # shape of the fluid, clear water in a bulb, or no vial at all: a ball, a picture, a leaf
    ph: float = 6.8
    load: float = 0.9  # absorbance of the all-blue fluid at 616 nm, there and back, where it is thickest
    radius_mm: float = 7.5  # half the width of the fluid
    center_mm: tuple[float, float] = (52.0, 38.0)  # its middle on the card
    filled: float = 0.8  # share of the height of the vial that the fluid takes, from below
    lamp: Lamp = "daylight"
    paper_lin: float = 0.6  # linear light of bare paper in the photo; 1 clips
    balance_error: tuple[float, float] = (1.03, 0.96)  # factors that white balance leaves in red and blue of paper
    s_curve: float = 0.2  # strength of the phone's contrast curve; 0 is plain sRGB
    shading: float = 0.1  # relative fall of the light from the left to the right edge of the card
    film: float = 0.0  # algae and slime on the print: about the density in blue that they add to paper
    glare: float = 0.0  # stray light of a smudged lens over the light of paper
    noise_u8: float = 1.2  # standard deviation of the noise in the encoded photo
    roll_deg: float = 3.0
    tilt_deg: float = 8.0
    tilt_axis_deg: float = 60.0
    card_width_px: float = 640.0
    size_px: tuple[int, int] = (960, 720)  # width and height of the photo
    has_card: bool = True  # without a card only its paper is left, unprinted

    @property
    def print_mm(self) -> tuple[float, float]:
        """Width and height of what is behind the thing."""
        width, height = GEOMETRY[self.behind]["size"]
        return width, height


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A photo and its truth, in pixels of the photo, the center of the first being (0, 0)."""

    rgb_u8: NDArray[np.uint8]  # shape (H, W, 3), sRGB
    card_px: Array  # corners of the card from top-left on, clockwise, shape (4, 2)
    fluid_px: Array  # outline of the fluid or of what is there instead, shape (N, 2); empty where there is nothing

    def fluid_box(self) -> tuple[float, float, float, float]:
        """Return left, top, width and height of the rectangle around the fluid."""
        (left, top), (right, bottom) = self.fluid_px.min(axis=0), self.fluid_px.max(axis=0)
        return float(left), float(top), float(right - left), float(bottom - top)


def take_photo(scene: Scene) -> Shot:
    """Draw the scene; the same scene gives the same photo."""
    homography = _photo_from_mm(scene)
    reflected, fluid_mm = _draw_card(scene)
    return Shot(
        rgb_u8=photograph(reflected, scene),
        card_px=_project(homography, np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * scene.print_mm),
        fluid_px=_project(homography, fluid_mm) if len(fluid_mm) else np.empty((0, 2)),
    )


def photograph(reflected: NDArray[np.floating], scene: Scene) -> NDArray[np.uint8]:
    """Photograph what was drawn at card scale, shape (H, W, 3), where the scene has its card, on a table."""
    homography = _photo_from_mm(scene)
    # Pixel (i, j) of the drawing has its middle at (i + 0.5) / scale mm.
    mm_from_drawn = np.diag([1 / CARD_PX_PER_MM, 1 / CARD_PX_PER_MM, 1.0])
    mm_from_drawn[:2, 2] = 0.5 / CARD_PX_PER_MM
    blur = max(0.4 * CARD_PX_PER_MM * scene.print_mm[0] / scene.card_width_px, 0.5)
    smooth = cv2.GaussianBlur(reflected.astype(np.float32), (0, 0), blur)
    drawn = np.dstack([smooth, np.ones(smooth.shape[:2], np.float32)])
    warped = cv2.warpPerspective(drawn, homography @ mm_from_drawn, scene.size_px)
    seen, covered = warped[..., :3], warped[..., 3:]
    light = _light_field(scene, homography)[..., None] * np.float32(scene.paper_lin / _PAPER)
    lin = cv2.GaussianBlur((seen + (1 - covered) * _table(scene.size_px)) * light, (0, 0), 0.7)
    red_error, blue_error = scene.balance_error
    gain = _SIGNALS_FROM_RGB @ (red_error, 1.0, blue_error) / _SIGNALS_FROM_RGB.sum(axis=1)
    balance = np.linalg.inv(_SIGNALS_FROM_RGB) @ np.diag(gain) @ _SIGNALS_FROM_RGB
    lin = cv2.transform(lin + np.float32(scene.glare * scene.paper_lin), balance)
    level = np.rint(_LEVELS * np.clip(lin, 0, 1)).astype(np.uint16)
    codes = _codes_of_levels(scene.s_curve)[level] + np.float32(scene.noise_u8) * _noise(scene.size_px)
    return np.clip(np.rint(codes), 0, 255).astype(np.uint8)


def fluid_rgb(ph: float, load: Array, lamp: Lamp) -> Array:
    """Return linear R, G, B of fluid over white paper for absorbances `load`, shape (N, 3), balanced on the paper."""
    wavelength, yellow, blue = np.array(_DYE, dtype=np.float64).T
    blue_share = 1.0 / (1.0 + 10.0 ** (_DYE_PKA_25C - ph))
    mixed = PchipInterpolator(wavelength, blue_share * blue + (1.0 - blue_share) * yellow)(_WAVELENGTH_NM)
    transmittance = 10.0 ** (-np.asarray(load)[:, None] * mixed / blue.max())
    seen = _RGB_FROM_XYZ @ (_observer() * _light(lamp))  # a camera that sees as the standard observer does
    rgb: Array = (transmittance @ seen.T) / seen.sum(axis=1)
    return rgb


def _observer() -> Array:
    """CIE 1931 color matching functions as sums of lobes: Wyman, Sloan, Shirley 2013, J. Comput. Graph. Tech. 2(2)."""

    def lobe(height: float, center: float, below: float, above: float) -> Array:
        offset = _WAVELENGTH_NM - center
        return height * np.exp(-0.5 * (offset / np.where(offset < 0.0, below, above)) ** 2)

    x = lobe(1.056, 599.8, 37.9, 31.0) + lobe(0.362, 442.0, 16.0, 26.7) + lobe(-0.065, 501.1, 20.4, 26.2)
    y = lobe(0.821, 568.8, 46.9, 40.5) + lobe(0.286, 530.9, 16.3, 31.1)
    z = lobe(1.217, 437.0, 11.8, 36.0) + lobe(0.681, 459.0, 26.0, 13.8)
    return np.stack([x, y, z])


def _light(lamp: Lamp) -> Array:
    def planck(temperature_k: float) -> Array:
        return (_WAVELENGTH_NM / 560.0) ** -5 / np.expm1(1.4388e7 / (_WAVELENGTH_NM * temperature_k))

    def peak(center: float, width: float) -> Array:
        return np.exp(-0.5 * ((_WAVELENGTH_NM - center) / width) ** 2)

    if lamp == "daylight":
        return planck(6000.0)
    if lamp == "warm":
        return planck(2900.0)
    if lamp == "cool-led":
        return 1.1 * peak(450.0, 11.0) + 0.75 * peak(560.0, 55.0)
    return peak(455.0, 15.0) + 0.02


@cache
def _print_card(has_card: bool, name: Behind = "card", px_per_mm: float = CARD_PX_PER_MM) -> Drawn:
    """Reflectance of the printed card or tag, shape (H, W)."""
    scale, geometry = px_per_mm, GEOMETRY[name]
    width_mm, height_mm = geometry["size"]
    paper = np.full((round(height_mm * scale), round(width_mm * scale)), _PAPER, np.float32)
    if not has_card:
        return paper

    def fill(x: float, y: float, width: float, height: float, coverage: float) -> None:
        inked = coverage + 4.0 * _DOT_GAIN * coverage * (1.0 - coverage)
        rows = slice(round(y * scale), round((y + height) * scale))
        paper[rows, round(x * scale) : round((x + width) * scale)] = _PAPER + inked * (_INK - _PAPER)

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, geometry["marker_dictionary"]))
    cell = geometry["marker_side"] / 6
    for marker_id, (x, y) in geometry["markers"].items():
        for (row, column), level in np.ndenumerate(cv2.aruco.generateImageMarker(dictionary, int(marker_id), 6)):
            fill(x + column * cell, y + row * cell, cell, cell, 0.0 if level else 1.0)
    patch, bar = geometry["grey_patch"], geometry["scale_bar"]
    for line in geometry.get("grey_rows", []):
        for x, coverage in zip(line["x"], line["black_coverage"], strict=True):
            fill(x, line["y"], patch["width"], patch["height"], coverage)
    for line in geometry.get("grey_columns", []):
        for y, coverage in zip(line["y"], line["black_coverage"], strict=True):
            fill(line["x"], y, patch["width"], patch["height"], coverage)
    if "x" in bar:
        fill(bar["x"] - 0.3, bar["y0"], 0.6, bar["length"], 1.0)
    else:
        fill(bar["x0"], bar["y"] - 0.3, bar["length"], 0.6, 1.0)
    return paper


def _draw_card(scene: Scene) -> tuple[Drawn, Array]:
    """Reflected light of card and thing, balanced on white, shape (H, W, 3), and the outline of the thing in mm."""
    # Algae and slime absorb, most of all blue, and scatter a little, most of all green.
    passed = 10.0 ** (-scene.film * np.array((0.3, 0.3, 1.2)))
    scattered = scene.film * np.array((0.018, 0.028, 0.008))
    if scene.lamp == "blue":  # balanced no more: the camera cannot make up for a channel without light
        passed, scattered = passed * (0.25, 0.5, 1.0), scattered * (0.25, 0.5, 1.0)
    paper = _print_card(scene.has_card, scene.behind)[..., None]
    reflected = paper * passed.astype(np.float32) + scattered.astype(np.float32)
    if scene.thing == "nothing":
        return reflected, np.empty((0, 2))
    middle, reach = np.array(scene.center_mm), 2.0 * scene.radius_mm + 2.0 * _GLASS_MM
    left, top = (max(round(at), 0) for at in CARD_PX_PER_MM * (middle - reach))
    right, bottom = (round(at) for at in CARD_PX_PER_MM * (middle + reach))
    part = reflected[top:bottom, left:right]  # to save time: all that the thing covers, and its glass
    columns, rows = (np.arange(n) + 0.5 for n in part.shape[1::-1])
    x, y = np.meshgrid(
        ((left + columns) / CARD_PX_PER_MM - middle[0]) / scene.radius_mm,
        ((top + rows) / CARD_PX_PER_MM - middle[1]) / scene.radius_mm,
    )
    if scene.thing in ("disc", "print", "leaf"):
        colors, inside = _solid(scene.thing, x, y)
        part[inside] = colors[inside]
    else:
        inside = _fill_vial(scene, part, x, y)
    contours, _ = cv2.findContours(
        inside.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=(left, top)
    )
    return reflected, (max(contours, key=len)[:, 0, :] + 0.5) / CARD_PX_PER_MM


def _fill_vial(scene: Scene, reflected: Drawn, x: Array, y: Array) -> NDArray[np.bool_]:
    """Draw glass, fluid, air and highlight into `reflected`; x and y count in radii from the middle of the vial."""
    if scene.thing == "tube":
        tall = 1.5
        within = np.maximum(np.abs(x), np.abs(y) / tall)
        thickness = np.sqrt(np.clip(1.0 - x**2, 0.0, None))
    elif scene.thing == "flat":
        tall = 1.0
        within = (x**6 + y**6) ** (1.0 / 6.0)
        thickness = np.ones_like(x)
    else:
        tall = 1.0
        within = np.hypot(x, y)
        thickness = np.sqrt(np.clip(1.0 - within**2, 0.0, None))
    inside = (within < 1.0) & (y > tall * (1.0 - 2.0 * scene.filled))
    rim = _GLASS_MM / scene.radius_mm
    reflected[within < 1.0 + rim] *= 0.96  # glass, and air above the fluid
    # Glass refracts at its outer edge and where the fluid ends: thin dark lines.
    reflected[np.abs(within - 1.0 - 0.8 * rim) < 0.2 * rim] *= 0.55
    surface = tall * (1.0 - 2.0 * scene.filled)
    reflected[(within < 1.0) & (np.abs(y - surface) < 0.25 / scene.radius_mm)] *= 0.8
    if scene.thing != "water":
        levels = np.linspace(0.0, 1.0, 101)
        table = fluid_rgb(scene.ph, scene.load * levels, scene.lamp)
        for channel in range(3):
            reflected[inside, channel] *= np.interp(thickness[inside], levels, table[:, channel])
    highlight = ((x + 0.35) / 0.12) ** 2 + ((y - 0.05) / 0.18) ** 2 < 1.0
    reflected[highlight & (within < 1.0)] = 1.6
    return inside


def _solid(thing: Thing, x: Array, y: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Colors and shape of things that are no fluid."""
    if thing == "disc":  # a ball of green plastic, lit from the upper left
        inside = np.hypot(x, y) < 1.0
        depth = np.sqrt(np.clip(1.0 - x**2 - y**2, 0.0, None))
        lit = 0.15 + 0.85 * np.clip((-0.5 * x - 0.6 * y + 0.62 * depth), 0.0, 1.0)
        return lit[..., None] * np.array((0.25, 0.6, 0.3)), inside
    if thing == "print":  # a picture of four colors
        inside = np.maximum(np.abs(x), np.abs(y)) < 1.0
        column, row = (np.clip((2.0 * (v + 1.0) / 2.0).astype(int), 0, 1) for v in (x, y))
        inks = np.array([[(0.8, 0.75, 0.15), (0.15, 0.55, 0.25)], [(0.1, 0.3, 0.7), (0.7, 0.2, 0.2)]])
        return inks[row, column], inside
    inside = (x / 0.7) ** 2 + (y / 1.7) ** 2 < 1.0  # a leaf with its veins
    vein = (np.abs(x) < 0.05) | (np.abs((y + 2.0 * np.abs(x)) % 0.5) < 0.06)
    return np.where(vein[..., None], (0.16, 0.28, 0.08), (0.05, 0.14, 0.03)), inside


@cache
def _table(size_px: tuple[int, int]) -> Drawn:
    """Linear light of the table with a coarse grain, shape (H, W, 3)."""
    width, height = size_px
    grain = np.random.default_rng(3).normal(1.0, 0.12, (height // 40, width // 40))
    large = cv2.resize(grain, size_px, interpolation=cv2.INTER_CUBIC)[..., None]
    return (large * np.array(_TABLE_RGB)).astype(np.float32)


@cache
def _noise(size_px: tuple[int, int]) -> Drawn:
    """Standard normal noise, the same in every photo, shape (H, W, 3)."""
    return np.random.default_rng(7).standard_normal((*size_px[::-1], 3), dtype=np.float32)


def _light_field(scene: Scene, homography: Array) -> Drawn:
    """Light over the photo, 1 at the middle of the card, falling along its width, shape (H, W)."""
    width_mm, height_mm = scene.print_mm
    left, right = _project(homography, np.array([(0.0, height_mm / 2.0), (width_mm, height_mm / 2.0)]))
    along = (right - left) / np.sum((right - left) ** 2)
    x, y = (np.arange(n) for n in scene.size_px)
    share = np.add.outer((y - left[1]) * along[1], (x - left[0]) * along[0])
    return (1.0 - scene.shading * np.clip(share - 0.5, -1.0, 1.0)).astype(np.float32)


@cache
def _codes_of_levels(s_curve: float) -> Drawn:
    """sRGB (IEC 61966-2-1:1999) and the contrast curve, 0..255, not rounded, of linear light in fine levels."""
    level = np.linspace(0.0, 1.0, _LEVELS + 1)
    srgb = np.where(level <= 0.0031308, 12.92 * level, 1.055 * level ** (1.0 / 2.4) - 0.055)
    return (255.0 * (srgb + s_curve * (0.5 - 0.5 * np.cos(np.pi * srgb) - srgb))).astype(np.float32)


def _photo_from_mm(scene: Scene) -> Array:
    """Map from the card to the photo of a camera that looks at the middle of the card."""
    size = np.array(scene.size_px, dtype=np.float64)
    width_mm, height_mm = scene.print_mm
    focal_px = float(np.hypot(*size)) / _HALF_ANGLE
    roll, tilt, axis = np.radians((scene.roll_deg, scene.tilt_deg, scene.tilt_axis_deg))
    tilted, _ = cv2.Rodrigues(np.array([np.cos(axis), np.sin(axis), 0.0]) * tilt)
    rolled, _ = cv2.Rodrigues(np.array([0.0, 0.0, roll]))
    pose = np.column_stack([(tilted @ rolled)[:, :2], (0.0, 0.0, focal_px * width_mm / scene.card_width_px)])
    centered = np.array([(1.0, 0.0, -width_mm / 2.0), (0.0, 1.0, -height_mm / 2.0), (0.0, 0.0, 1.0)])
    camera = np.diag([focal_px, focal_px, 1.0])
    camera[:2, 2] = (size - 1.0) / 2.0
    return camera @ pose @ centered


def _project(homography: Array, xy: Array) -> Array:
    points = np.column_stack([xy, np.ones(len(xy))]) @ homography.T
    return points[:, :2] / points[:, 2:]
