"""Units as the keeper chose them: of temperature and of carbonate hardness."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

from numpy.typing import ArrayLike

from colorread.units import (
    caco3_mg_l_from_dkh,
    celsius_from_fahrenheit,
    dkh_from_caco3_mg_l,
    dkh_from_mmol_l,
    fahrenheit_from_celsius,
    mmol_l_from_dkh,
)

TemperatureUnit = Literal["c", "f"]
KhUnit = Literal["dkh", "caco3", "meq"]
Conversion = Callable[[ArrayLike], ArrayLike]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """
    A unit next to that of the project.

    Parameters
    ----------
    words : str
        Behind a number.
    from_own, to_own : callable
        Conversion from the project's unit and back.
    digits : int
        Decimals that are worth showing.
    """

    words: str
    from_own: Conversion
    to_own: Conversion
    digits: int

    def number(self, value: float) -> str:
        """Return a value of the project's unit as a number in this one."""
        text = f"{float(self.from_own(value)):.{self.digits}f}"  # type: ignore[arg-type]
        return text.rstrip("0").rstrip(".") if "." in text else text

    def text(self, value: float) -> str:
        """Return a value of the project's unit in this one."""
        return f"{self.number(value)} {self.words}"

    def own(self, value: float) -> float:
        """Return a value of this unit in that of the project."""
        return float(self.to_own(value))  # type: ignore[arg-type]

    def own_within(self, words: str, value: float, low: float, high: float) -> float:
        """
        Return a value of this unit in that of the project, if it lies in a range.

        Parameters
        ----------
        words : str
            What it is, for the message.
        value : float
            In this unit.
        low, high : float
            Ends of the range, both included, in the unit of the project.

        Returns
        -------
        float
            In the unit of the project.

        Raises
        ------
        ValueError
            If it lies outside; one sentence, in this unit.
        """
        own = self.own(value)
        if not low <= own <= high:
            step = 10.0**-self.digits  # rounded inwards: what is told is taken
            least, most = (float(self.from_own(end)) / step for end in (low, high))  # type: ignore[arg-type]
            ends = (math.ceil(round(least, 6)) * step, math.floor(round(most, 6)) * step)
            told = " and ".join(f"{round(end, self.digits):g}" for end in ends)
            raise ValueError(f"{words} in {self.words} must lie between {told}, but is {value:g}.")
        return own


def _same(value: ArrayLike) -> ArrayLike:
    return value


TEMPERATURE_UNITS: dict[str, Unit] = {
    "c": Unit(words="°C", from_own=_same, to_own=_same, digits=2),
    "f": Unit(words="°F", from_own=fahrenheit_from_celsius, to_own=celsius_from_fahrenheit, digits=1),
}
KH_UNITS: dict[str, Unit] = {
    "dkh": Unit(words="dKH", from_own=_same, to_own=_same, digits=3),
    "caco3": Unit(words="mg/L CaCO3", from_own=caco3_mg_l_from_dkh, to_own=dkh_from_caco3_mg_l, digits=1),
    "meq": Unit(words="meq/L", from_own=mmol_l_from_dkh, to_own=dkh_from_mmol_l, digits=3),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """
    Units that a browser shows.

    Parameters
    ----------
    temperature_name : {'c', 'f'}
        Degrees Celsius or Fahrenheit.
    kh_name : {'dkh', 'caco3', 'meq'}
        Degrees of carbonate hardness, mg/L as CaCO3, or meq/L.
    """

    temperature_name: TemperatureUnit = "c"
    kh_name: KhUnit = "dkh"

    @property
    def temperature(self) -> Unit:
        """Unit of temperature."""
        return TEMPERATURE_UNITS[self.temperature_name]

    @property
    def kh(self) -> Unit:
        """Unit of carbonate hardness."""
        return KH_UNITS[self.kh_name]

    @property
    def cookie(self) -> str:
        """What a cookie keeps of it."""
        return f"{self.temperature_name}.{self.kh_name}"


def units_of(cookie: str) -> Units:
    """
    Return the units that a cookie tells of.

    Parameters
    ----------
    cookie : str
        As the browser sent it: nothing to be trusted.

    Returns
    -------
    Units
        Those of the project where it tells of none.
    """
    temperature, _, kh = cookie.partition(".")
    if temperature in get_args(TemperatureUnit) and kh in get_args(KhUnit):
        return Units(temperature_name=temperature, kh_name=kh)  # type: ignore[arg-type]
    return Units()
