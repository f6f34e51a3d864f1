"""What the user says the patches of a kit's chart stand for: a row of pH, or of CO2 at a KH."""

from __future__ import annotations

import math
import re
from itertools import pairwise

from colorread.chemistry import ph_by_rule_of_thumb

_PH_RANGE = (5.0, 9.0)  # beyond, bromothymol blue has long stopped to change color
_CO2_RANGE_MG_L = (0.1, 1000.0)
_UNIT = re.compile(r"\s*(mg\s*/\s*l|ppm)\s*$", re.IGNORECASE)  # in water of a tank both are the same number
_LEAST = 3
_EXAMPLES = 'such as "6.4 6.6 6.8 7.0" or, with the KH, "5 10 20 30 mg/L"'


def ph_of_patches(text: str, *, kh_dkh: float | None = None) -> tuple[float, ...]:
    """
    Return the pH that the patches of a chart stand for.

    Kits reckon CO2 by the customary rule 3 x KH x 10^(7 - pH), whatever the temperature, so it leads back to their pH:
    assumption.

    Parameters
    ----------
    text : str
        Numbers in the order of the patches, set apart by blanks: pH, or CO2 in mg/L with that unit behind the last.
    kh_dkh : float, optional
        KH for which CO2 is meant [dKH].

    Returns
    -------
    tuple of float
        In the order of the text [-].

    Raises
    ------
    ValueError
        If a number cannot be read or lies out of range, there are fewer than three, they do not rise or fall
        throughout, or the KH is missing; one sentence.
    """
    numbers_text = _UNIT.sub("", text)
    is_co2 = numbers_text != text
    words = numbers_text.replace(";", " ").replace(", ", " ").split()
    values = [_number(word) for word in words]
    name, unit, (low, high) = ("CO2", " mg/L", _CO2_RANGE_MG_L) if is_co2 else ("pH", "", _PH_RANGE)
    if len(values) < _LEAST:
        raise ValueError(f"The list names {len(values)} patches, but at least {_LEAST} are needed, {_EXAMPLES}.")
    for value in values:
        if not low <= value <= high:
            hint = "" if is_co2 else '; for CO2 write "mg/L" behind the last number'
            raise ValueError(f"The list of patches: {name} {value:g}{unit} lies outside {low:g} to {high:g}{hint}.")
    steps = [after - before for before, after in pairwise(values)]
    if not (all(step > 0.0 for step in steps) or all(step < 0.0 for step in steps)):
        raise ValueError("The list of patches must rise or fall throughout, as the patches stand in the row.")
    if not is_co2:
        return tuple(values)
    if kh_dkh is None:
        raise ValueError("Patches in mg/L need the KH for which the chart holds.")
    return tuple(float(ph_by_rule_of_thumb(value, kh_dkh)) for value in values)


def _number(word: str) -> float:
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"The list of patches: {word!r} is no number; write them apart, {_EXAMPLES}.")
    return value
