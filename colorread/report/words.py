"""What a report says of a tank and of its days."""

from __future__ import annotations

from datetime import datetime

from colorread.chemistry.units import with_other_unit
from colorread.tank.settings import Tank
from colorread.words.gas_care import SOURCE_WORDS, VALVE_WORDS
from colorread.words.numbers import kh_words, temperature_words


def period_words(first_at: datetime | None, last_at: datetime | None) -> str:
    """
    Return the days of a summary in words.

    Parameters
    ----------
    first_at, last_at : datetime or None
        First and last reading.

    Returns
    -------
    str
        Such as ``June 2, 2025 to June 8, 2025``; empty where unknown.
    """
    days = [f"{when:%B} {when.day}, {when:%Y}" for when in (first_at, last_at) if when is not None]
    return " to ".join(dict.fromkeys(days))


def setting_rows(tank: Tank) -> list[tuple[str, str]]:
    """
    Return what the keeper said about a tank, and what was assumed where nothing was said.

    Parameters
    ----------
    tank : Tank
        Its settings.

    Returns
    -------
    list of (str, str)
        What and its value in words; what is not known is left out.
    """
    source, marks = tank.source, tank.judged_by
    rows = [
        ("Water", "" if tank.volume_l is None else with_other_unit("volume", tank.volume_l)),
        ("KH of the fluid in the vial", kh_words(tank.kh_dkh)),
        ("Fluid renewed", "" if tank.fluid_renewed is None else f"{tank.fluid_renewed}"),
        ("KH of the tank", "" if tank.tank_kh_dkh is None else f"{tank.tank_kh_dkh:g} dKH"),
        ("Temperature", temperature_words(tank.temperature_c)),
        ("Lights", "" if tank.lights is None else f"{tank.lights} every day"),
        ("Gas", "" if tank.gas_hours is None else f"{tank.gas_hours} every day{'' if tank.gas else ' (assumed)'}"),
        ("Gas source", "" if source is None else SOURCE_WORDS[source.kind]),
        ("Amount", "" if source is None or source.amount_g is None else with_other_unit("mass", source.amount_g)),
        ("Valve", "" if source is None or source.valve is None else VALVE_WORDS[source.valve]),
        ("Last refill", "" if source is None or source.started is None else f"{source.started}"),
        ("Plants' range", f"{marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L (hobby convention)"),
        ("Fish limit", f"{marks.fish_mg_l:g} mg/L"),
        ("Animals", "CO2-sensitive" if tank.sensitive else ""),
    ]
    return [(label, value) for label, value in rows if value]
