"""The units that a browser shows, as the keeper chose them."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

from colorread.chemistry.units import UNITS, Quantity, Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """
    Units that a browser shows, by their names in `colorread.chemistry.units.UNITS`.

    Parameters
    ----------
    temperature_name, kh_name, volume_name, mass_name : str
        Such as ``c``, ``dkh``, ``l`` and ``g``.
    """

    temperature_name: str = "c"
    kh_name: str = "dkh"
    volume_name: str = "l"
    mass_name: str = "g"

    @property
    def temperature(self) -> Unit:
        """Unit of temperature."""
        return UNITS["temperature"][self.temperature_name]

    @property
    def kh(self) -> Unit:
        """Unit of carbonate hardness."""
        return UNITS["kh"][self.kh_name]

    @property
    def volume(self) -> Unit:
        """Unit of the volume of a tank."""
        return UNITS["volume"][self.volume_name]

    @property
    def mass(self) -> Unit:
        """Unit of what a gas source holds."""
        return UNITS["mass"][self.mass_name]

    @property
    def cookie(self) -> str:
        """What a cookie keeps of it."""
        return ".".join(astuple(self))


CHOSEN: tuple[Quantity, ...] = ("temperature", "kh", "volume", "mass")
"""The quantities whose units are chosen, in the order of the cookie."""


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
    names = zip(fields(Units), CHOSEN, cookie.split("."), strict=False)
    return Units(**{field.name: name for field, quantity, name in names if name in UNITS[quantity]})
