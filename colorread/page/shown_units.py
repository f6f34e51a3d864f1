"""The units that a browser shows, as the keeper chose them."""

from __future__ import annotations

from dataclasses import dataclass

from colorread.chemistry import UNITS, Quantity, Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """
    Units that a browser shows, of those in `colorread.chemistry.units.UNITS`.

    Parameters
    ----------
    temperature, kh, volume, mass : Unit
        Of temperature, of carbonate hardness, of the volume of a tank, and of what a gas source holds.
    """

    temperature: Unit = UNITS["temperature"]["c"]
    kh: Unit = UNITS["kh"]["dkh"]
    volume: Unit = UNITS["volume"]["l"]
    mass: Unit = UNITS["mass"]["g"]

    @property
    def cookie(self) -> str:
        """What a cookie keeps of it."""
        return ".".join(
            name for quantity in CHOSEN for name, unit in UNITS[quantity].items() if unit is getattr(self, quantity)
        )


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
    names = zip(CHOSEN, cookie.split("."), strict=False)
    return Units(**{quantity: UNITS[quantity][name] for quantity, name in names if name in UNITS[quantity]})
