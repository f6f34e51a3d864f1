"""How cameras see the dye: spectra of lamps and cameras, and the densities expected from each pair of them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.color_space import XYZ_FROM_RGB, ColorSpace, Floats
from calibration.dye import BASE_MAXIMUM_L_MOL_CM, absorptivity, base_fraction

_LUMA = np.array((0.2126, 0.7152, 0.0722))  # luminance weights of sRGB, IEC 61966-2-1:1999

# Phones boost colors: assumption. On the rendered photos of known fluid 1.0 explained the colors worst.
_SATURATION = (1.1, 1.3, 1.5)
# A color outside the gamut is cut off channel by channel, or pulled toward gray until no channel is below this share of
# the luminance. Phones do one or the other: assumption.
_LEAST_SHARE_OF_LUMA = (0.0, 0.3)

LOG_RATIO: Floats = np.round(np.arange(-2.0, 2.001, 0.1), 3)
"""Grid of pH - pKa', shape (41,) [-]; at both ends the dye is all yellow or all blue."""
LOAD: Floats = np.geomspace(0.08, 4.5, 20)
"""Grid of dye amounts: absorbance that the all-blue fluid would have at its maximum, shape (20,) [-]."""
USUAL_LOAD = 0.7
"""A usual dye amount, from drops per milliliter and bore of common vials: assumption [-]."""
DENSITY_CEILING = 2.5
"""Higher densities are not distinguished: the channel is black [-]."""

WAVELENGTH_NM: Floats = np.arange(400.0, 701.0, 5.0)
"""The grid of all spectra here, shape (61,) [nm]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalFamily:
    """
    Expected densities of the fluid over white paper for every member of the family.

    Parameters
    ----------
    density : ndarray of float32, shape (K, 41, 20, 3)
        -log10 of fluid over paper in linear R, G, B; member, `LOG_RATIO`, `LOAD`, channel.
    light_class : ndarray of str, shape (K,)
        Lamp class of each member.
    weight : ndarray of float64, shape (K,)
        Prior weight; every lamp class has the same total, and all sum to 1.
    """

    density: NDArray[np.float32]
    light_class: NDArray[np.str_]
    weight: Floats


@cache
def signal_family(space: ColorSpace, every: int = 1) -> SignalFamily:
    """
    Return the expected densities for photos encoded in `space`.

    Beer-Lambert over the spectra, summed by lamp and sensor, white-balanced on paper, then converted to RGB by the
    phone's color matrix for daylight, its saturation and its treatment of the gamut.

    Parameters
    ----------
    space : {'srgb', 'display-p3'}
        Primaries of the photo.
    every : int, default 1
        Keep one member in `every`; if coprime to the 6 looks, every lamp, camera and look is still represented.

    Returns
    -------
    SignalFamily
        The same object on every call.
    """
    transmittance = dye_transmittance(LOG_RATIO[:, None], LOAD[None, :])
    members, classes, weights = [], [], []
    of_class = lights()
    lamps = [(name, power) for name, powers in of_class.items() for power in powers]
    sensors_and_matrices = [(sensor, color_matrix(sensor, space)) for sensor in sensors()]
    looks = list(product(_SATURATION, _LEAST_SHARE_OF_LUMA))
    for i, ((light_class, power), (sensor, matrix)) in enumerate(product(lamps, sensors_and_matrices)):
        rgb = _white_balanced(transmittance, power, sensor) @ matrix.T
        for saturation, least_share in looks[-i * len(looks) % every :: every]:  # different looks for each pair
            members.append(_pulled_in(_saturated(rgb, saturation), least_share).astype(np.float32))
            classes.append(light_class)
            weights.append(1.0 / len(of_class[light_class]))
    density = -np.log10(np.maximum(np.stack(members), 10.0**-DENSITY_CEILING))
    # Each channel in one piece of memory, as the fits go through one channel after the other.
    density = np.asfortranarray(density)
    weight = np.array(weights)
    return SignalFamily(density=density, light_class=np.array(classes), weight=weight / weight.sum())


def dye_transmittance(log_ratio: ArrayLike, load: ArrayLike) -> Floats:
    """
    Return the spectral transmittance of the fluid.

    Parameters
    ----------
    log_ratio : array_like of float, shape (...)
        pH - pKa' [-].
    load : array_like of float, shape (...)
        Absorbance that the all-blue fluid would have at its maximum [-].

    Returns
    -------
    ndarray of float64, shape (..., 61)
        On `WAVELENGTH_NM`, 0 to 1 [-].
    """
    acid, base = (form / BASE_MAXIMUM_L_MOL_CM for form in absorptivity(WAVELENGTH_NM))
    blue = base_fraction(log_ratio)[..., None]
    absorbance = np.asarray(load, dtype=np.float64)[..., None] * (blue * base + (1.0 - blue) * acid)
    return 10.0**-absorbance


def over_white(rgb_lin: NDArray[Any], white_lin: NDArray[Any], space: ColorSpace) -> Floats:
    """
    Return colors over a white that came out tinted, as the phone would show them had it balanced that white.

    A phone balances in the signals of its sensor and mixes them afterwards, so a wrong balance must be undone in these
    signals: dividing RGB channel by channel is off by more, the stronger the tint. The phone's own matrix is not known;
    a usual one serves as well (measured on 1 046 rendered photos).

    Parameters
    ----------
    rgb_lin, white_lin : ndarray of float, shape (..., 3)
        Linear light of the color, and of white in the same light.
    space : {'srgb', 'display-p3'}
        Primaries of both.

    Returns
    -------
    ndarray of float64, shape (..., 3)
        Linear RGB, white being (1, 1, 1); below 0 where the color lies outside the gamut.
    """
    to_rgb = _usual_matrix(space)
    from_rgb = np.linalg.inv(to_rgb)
    return np.asarray((rgb_lin @ from_rgb.T) / (white_lin @ from_rgb.T) @ to_rgb.T, dtype=np.float64)


@cache
def _usual_matrix(space: ColorSpace) -> Floats:
    """Return the mean over the cameras of `color_matrix`, with a middle saturation."""
    matrix = np.mean([color_matrix(sensor, space) for sensor in sensors()], axis=0)
    return _saturated(matrix.T, float(np.median(_SATURATION))).T


def direction_deg(density: NDArray[Any]) -> Floats:
    """
    Return the direction of a color, which depends on the pH and hardly on the amount of dye.

    Parameters
    ----------
    density : ndarray of float, shape (..., 3)
        Densities in R, G, B [-].

    Returns
    -------
    ndarray of float64, shape (...)
        Angle between the density differences R - G and B - G: yellow near 0, green 60, blue 110 [deg].
    """
    red, blue = density[..., 0] - density[..., 1], density[..., 2] - density[..., 1]
    return np.asarray(np.degrees(np.arctan2(red, blue)), dtype=np.float64)


def color_matrix(sensor: Floats, space: ColorSpace) -> Floats:
    """
    Return a phone's matrix from white-balanced sensor signals to linear RGB, made for D65, shape (3, 3).

    Least squares over smooth reflectances under the constraint that white stays white: each row sums to 1.
    """
    raw = _white_balanced(_training_reflectances(), cie_illuminants()["d65"], sensor)
    rgb = rgb_lin_under_d65(_training_reflectances(), space)
    against_green = raw[:, (0, 2)] - raw[:, (1,)]
    slope = np.linalg.lstsq(against_green, rgb - raw[:, (1,)], rcond=None)[0]
    return np.stack([slope[0], 1.0 - slope.sum(axis=0), slope[1]], axis=1)


def rgb_lin_under_d65(spectra: Floats, space: ColorSpace) -> Floats:
    """
    Return the color that the standard observer sees under D65, white being (1, 1, 1).

    Parameters
    ----------
    spectra : ndarray of float, shape (..., 61)
        Reflectance or transmittance 0..1.
    space : {'srgb', 'display-p3'}
        Primaries of the result.

    Returns
    -------
    ndarray of float64, shape (..., 3)
        Linear RGB; outside 0..1 where the color lies outside the gamut.
    """
    illuminant = cie_illuminants()["d65"]
    to_rgb = np.linalg.inv(XYZ_FROM_RGB[space])
    xyz = (spectra * illuminant) @ observer()
    white = illuminant @ observer()
    # The grid ends at 400 and 700 nm, so its white differs from D65 in the fourth digit: divide by it.
    return (xyz @ to_rgb.T) / (to_rgb @ white)


def _saturated(rgb: Floats, saturation: float | Floats) -> Floats:
    luma = (rgb @ _LUMA)[..., None]
    return np.asarray(luma + saturation * (rgb - luma))


def _pulled_in(rgb: Floats, least_share: float) -> Floats:
    """Pull colors toward gray until no channel is below a share of the luminance; 0 leaves them to be cut off."""
    if least_share == 0.0:
        return rgb
    luma = (rgb @ _LUMA)[..., None]
    depth = luma - rgb.min(axis=-1, keepdims=True)
    return _saturated(rgb, np.clip((1.0 - least_share) * luma / np.maximum(depth, 1e-9), 0.0, 1.0))


def _white_balanced(spectra: Floats, power: Floats, sensor: Floats) -> Floats:
    weights = power[:, None] * sensor
    weights = weights / weights.sum(axis=0)
    return np.asarray(spectra.reshape(-1, len(power)) @ weights).reshape(*spectra.shape[:-1], 3)


@cache
def _training_reflectances() -> Floats:
    """Return smooth reflectances as in nature, shape (60, 61): three broad Gaussians each (own choice, fixed seed)."""
    rng = np.random.default_rng(1)
    center, width, height = (rng.uniform(low, high, (60, 3, 1)) for low, high in ((400, 700), (30, 90), (-0.5, 0.5)))
    bumps = height * np.exp(-0.5 * ((WAVELENGTH_NM - center) / width) ** 2)
    return np.asarray(np.clip(0.45 + bumps.sum(axis=1), 0.03, 0.95))


@cache
def lights() -> dict[str, list[Floats]]:
    """Return the lamps of the family by class, several in each: relative spectral power on `WAVELENGTH_NM`."""
    cie, classes = cie_illuminants(), tomllib.loads(_text("lamps.toml"))
    cool = _white_led(*classes["cool-led"]["white_leds"][0])
    return {
        light_class: [
            *(cie[name] for name in lamps.get("cie", ())),
            *(_white_led(*shape) for shape in lamps.get("white_leds", ())),
            *(share * cool + sum(_peak(*peak) for peak in peaks) for share, *peaks in lamps.get("with_peaks", ())),
        ]
        for light_class, lamps in classes.items()
    }


@cache
def cie_illuminants() -> dict[str, Floats]:
    """Return the CIE illuminants by name: relative spectral power on `WAVELENGTH_NM`."""
    names, table = _read("illuminants_cie.csv")
    return dict(zip(names, table.T, strict=True))


@cache
def observer() -> Floats:
    """Return the CIE 1931 2 degree observer, shape (61, 3): columns x, y, z."""
    return _read("observer_cie1931.csv")[1]


@cache
def sensors() -> Floats:
    """
    Return the camera sensitivities of the family, shape (9, 61, 3).

    Eight measured cameras, then the CIE 1931 observer, which the color processing of every phone tries to match.
    """
    table = _read("sensors.csv")[1]
    measured = table.reshape(len(WAVELENGTH_NM), -1, 3).transpose(1, 0, 2)
    return np.concatenate([measured, observer()[None]])


def _read(name: str) -> tuple[list[str], Floats]:
    """Return the names of the columns and their values on `WAVELENGTH_NM`; the head of the file names the source."""
    head, *rows = [line for line in _text(name).splitlines() if not line.startswith("#")]
    return head.split(",")[1:], np.loadtxt(rows, delimiter=",")[:, 1:]


def _text(name: str) -> str:
    return files(__package__).joinpath("data", name).read_text(encoding="utf-8")


def _peak(center_nm: float, width_nm: float, height: float) -> Floats:
    return height * np.exp(-0.5 * ((WAVELENGTH_NM - center_nm) / width_nm) ** 2)


def _white_led(
    peak_nm: float, width_nm: float, hump_nm: float, blue_width_nm: float, red_width_nm: float, ratio: float
) -> Floats:
    side = np.where(hump_nm > WAVELENGTH_NM, blue_width_nm, red_width_nm)
    return _peak(peak_nm, width_nm, ratio) + np.exp(-0.5 * ((WAVELENGTH_NM - hump_nm) / side) ** 2)
