"""What a keeper noted of a tank: water changed, gas refilled or turned, fluid renewed, bubbles counted."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import MAXYEAR, MINYEAR, datetime
from typing import Annotated

from colorread.limits import SOURCE_AMOUNT_RANGE_G
from colorread.ranges import checked_number
from colorread.records import Kept, json_line
from colorread.tank.settings import Tank

TEXT_MAX = 500
_BUBBLES_RANGE = (1.0, 1000.0)  # a minute; more cannot be counted: assumption
_WATER_RANGE = (0.01, 1.0)  # less changes nothing that photos show: assumption


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """
    Something that was noted of a tank; one of its parameters besides the time at least.

    Parameters
    ----------
    at : datetime
        When, on the tank's own clock, to the minute, without offset.
    text : str
        In the keeper's words.
    water_change : float or None
        Share of the water that was changed [-].
    refilled : bool
        Whether the bottle was refilled, or the cylinder changed.
    refill_g : float or None
        Sugar, citric acid or gas of the refill [g].
    gas_changed : bool
        Whether the gas was turned up or down.
    fluid_renewed : bool
        Whether the fluid in the vial was renewed.
    diffuser : bool
        Whether the diffuser was cleaned, moved or replaced.
    bubbles : float or None
        Bubbles a minute that were counted, after whatever else was done [1/min].

    Attributes
    ----------
    schema : str
        Of its JSON.
    """

    schema: str = field(default="colorread.event/1", init=False)
    at: Annotated[datetime, Kept(timespec="minutes")]
    text: str = ""
    water_change: float | None = None
    refilled: bool = False
    refill_g: float | None = None
    gas_changed: bool = False
    fluid_renewed: bool = False
    diffuser: bool = False
    bubbles: float | None = None

    @property
    def turns_gas(self) -> bool:
        """Whether the gas flows into the water at another rate from then on."""
        return self.refilled or self.gas_changed or self.diffuser

    @property
    def id(self) -> str:
        """Hexadecimal digits by which it is told from all others of its tank."""
        return hashlib.sha256(json_line(self).encode()).hexdigest()

    def __post_init__(self) -> None:
        if self.at.tzinfo is not None or self.at.second or self.at.microsecond:
            raise ValueError("The time of a note must be one of the clock on the wall, to the minute.")
        if not MINYEAR < self.at.year < MAXYEAR:  # no room to count days from
            raise ValueError(f"A note must be of {MINYEAR + 1} to {MAXYEAR - 1}, not of the year {self.at.year}.")
        if not self.text.isprintable() or len(self.text) > TEXT_MAX:
            raise ValueError(f"The text of a note must be one line of at most {TEXT_MAX} letters.")
        for name, value, (low, high) in (
            ("The bubbles a minute", self.bubbles, _BUBBLES_RANGE),
            ("The amount of the refill in g", self.refill_g, SOURCE_AMOUNT_RANGE_G),
        ):
            if value is not None:
                checked_number(name, value, low, high)
        if self.water_change is not None and not _WATER_RANGE[0] <= self.water_change <= _WATER_RANGE[1]:
            raise ValueError("The water change must be from 1 to 100 %.")
        if self.refill_g is not None and not self.refilled:
            raise ValueError("The amount is that of a refill.")
        is_empty = not self.text and self.water_change is None and self.bubbles is None
        if is_empty and not (self.turns_gas or self.fluid_renewed):
            raise ValueError("Say what to note: a text, or what was done.")


def tank_after(tank: Tank, events: Iterable[Event]) -> Tank:
    """
    Return a tank as it is after what was noted of it.

    Parameters
    ----------
    tank : Tank
        With the days that its settings tell.
    events : iterable of Event
        Any order.

    Returns
    -------
    Tank
        With the day of the last refill and of the last fluid, be they in the settings or noted.
    """
    ordered = sorted(events, key=lambda event: event.at)
    source, renewed = tank.source, tank.fluid_renewed
    for event in ordered:
        day = event.at.date()
        if event.refilled and source is not None and (source.started is None or day >= source.started):
            # An amount that is not noted is taken to be that of the time before.
            source = replace(source, started=day, amount_g=event.refill_g or source.amount_g)
        if event.fluid_renewed and (renewed is None or day > renewed):
            renewed = day
    return replace(tank, source=source, fluid_renewed=renewed)
