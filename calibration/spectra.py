"""Spectra of lamps and cameras on one wavelength grid: the family among which an unknown photo was taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

WAVELENGTH_NM: NDArray[np.float64] = np.arange(400.0, 701.0, 5.0)
"""The grid of all spectra here, shape (61,) [nm]."""
WAVELENGTH_NM.setflags(write=False)

# A white LED is a blue peak and a broad phosphor hump; tank lamps add narrow red, green or blue peaks. Shapes by
# common knowledge of such lamps, no single source; the CIE lamps of the same classes stand beside them.
# Peak [nm], its width, hump [nm], width to the blue, width to the red, height of the peak over the hump.
_LED = {
    "warm-led": ((450, 9, 605, 62, 70, 0.35), (455, 10, 590, 60, 75, 0.45), (447, 8, 615, 70, 60, 0.25)),
    "cool-led": ((450, 9, 560, 48, 70, 1.2), (455, 11, 565, 50, 75, 0.9), (445, 9, 550, 45, 65, 1.5)),
    "tank-led": ((450, 9, 555, 45, 65, 2.0), (455, 11, 565, 55, 75, 1.7)),
}
# Share of a cool white LED, then peaks as (nm, width, height).
_TANK_PEAKS = (
    (0.6, ((630, 9, 0.9), (522, 16, 0.6), (460, 10, 0.7))),
    (0.2, ((630, 9, 1.2), (522, 16, 0.9), (460, 10, 0.9))),
    (0.7, ((660, 9, 0.8), (450, 9, 0.5))),
    (0.4, ((660, 9, 1.2), (450, 9, 0.4), (630, 9, 0.4))),
)
_CIE_OF_CLASS = {
    "daylight": ("d50", "d65"),
    "warm-led": ("led-b1", "led-v1", "a"),
    "cool-led": ("led-b3", "led-b5"),
    "fluorescent": ("fl2", "fl7", "fl11"),
    "tank-led": (),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """
    One lamp.

    Parameters
    ----------
    light_class : str
        What kind of lamp it is: daylight, warm-led, cool-led, fluorescent or tank-led.
    power : ndarray of float64, shape (61,)
        Relative spectral power on `WAVELENGTH_NM`.
    """

    light_class: str
    power: NDArray[np.float64]


@cache
def lights() -> tuple[Light, ...]:
    """
    Return the lamps of the family.

    Returns
    -------
    tuple of Light
        CIE illuminants and own LED shapes, several of each class.
    """
    cie = cie_illuminants()
    found = []
    for light_class, names in _CIE_OF_CLASS.items():
        found += [Light(light_class=light_class, power=cie[name]) for name in names]
        found += [Light(light_class=light_class, power=_white_led(*p)) for p in _LED.get(light_class, ())]
    cool = _white_led(*_LED["cool-led"][0])
    for share, peaks in _TANK_PEAKS:
        power = share * cool + sum(height * _peak(center, width) for center, width, height in peaks)
        found.append(Light(light_class="tank-led", power=power))
    return tuple(found)


@cache
def cie_illuminants() -> Mapping[str, NDArray[np.float64]]:
    """
    Return the CIE illuminants by name.

    Returns
    -------
    mapping of str to ndarray, shape (61,)
        Relative spectral power on `WAVELENGTH_NM`; source in the head of the file.
    """
    names, table = _read("illuminants_cie.csv")
    return MappingProxyType(dict(zip(names, table.T, strict=True)))


@cache
def observer() -> NDArray[np.float64]:
    """
    Return the CIE 1931 2 degree observer.

    Returns
    -------
    ndarray of float64, shape (61, 3)
        Columns x, y, z.
    """
    return _read("observer_cie1931.csv")[1]


@cache
def sensors() -> NDArray[np.float64]:
    """
    Return the camera sensitivities of the family.

    Returns
    -------
    ndarray of float64, shape (9, 61, 3)
        Eight measured cameras (source in the head of the file), and as the ninth the CIE 1931 observer, to which the
        color processing of every phone tries to map.
    """
    table = _read("sensors.csv")[1]
    measured = table.reshape(len(WAVELENGTH_NM), -1, 3).transpose(1, 0, 2)
    return np.concatenate([measured, observer()[None]])


def _peak(center_nm: float, width_nm: float) -> NDArray[np.float64]:
    return np.exp(-0.5 * ((WAVELENGTH_NM - center_nm) / width_nm) ** 2)


def _white_led(
    peak_nm: float, width_nm: float, hump_nm: float, blue_width_nm: float, red_width_nm: float, ratio: float
) -> NDArray[np.float64]:
    side = np.where(hump_nm > WAVELENGTH_NM, blue_width_nm, red_width_nm)
    return ratio * _peak(peak_nm, width_nm) + np.exp(-0.5 * ((WAVELENGTH_NM - hump_nm) / side) ** 2)


def _read(name: str) -> tuple[list[str], NDArray[np.float64]]:
    text = files(__package__).joinpath("data", name).read_text(encoding="utf-8")
    head, *rows = [line for line in text.splitlines() if not line.startswith("#")]
    table = np.loadtxt(rows, delimiter=",")
    if not np.array_equal(table[:, 0], WAVELENGTH_NM):
        raise ValueError(f"{name} is not on the wavelength grid.")
    return head.split(",")[1:], table[:, 1:]
