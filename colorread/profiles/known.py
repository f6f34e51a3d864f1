"""Known fluids of calibration photos: the ends of the dye's range, buffers, fluid in fresh air, patches of charts."""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass

import numpy as np

from calibration import State, pka_prime
from colorread import limits
from colorread.chemistry import dye_ph_std, ionic_strength, ph_by_rule_of_thumb, ph_in_air_equilibrium

# A fresh store-bought buffer is right within 0.02 (its makers), plus some for handling: assumption.
_BUFFER_PH_STD = 0.03
# Indoor air has 600 to 1500 ppm while outdoor air has 420 (common practice, no source). The value entered is taken as
# known within 15 %, the KH of each dilution within 5 %; the alkalinity of the dye adds to both. All dilutions share the
# errors of air and dye, but each counts them as its own, so several narrow the pKa' a little too much. This is left so:
# the prior of the pKa' masks it, and the intervals covered 90 % either way.
_AIR_STD, _KH_STD = 0.15, 0.05
_PH_RANGE = (5.0, 9.0)  # bromothymol blue stops changing color well inside it
_CO2_RANGE_MG_L = (0.1, 1000.0)
_UNIT = re.compile(r"\s*(mg\s*/\s*l|ppm)\s*$", re.IGNORECASE)  # the same number in tank water
_PATCHES_MIN = 3
_EXAMPLES = 'such as "6.4 6.6 6.8 7.0" or, with the KH, "5 10 20 30 mg/L"'


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPhoto:
    """
    A photo of the vial with known fluid.

    Parameters
    ----------
    path : path
        The photo.
    state : {'acid', 'base', 'known'}
        Dye all yellow, all blue, or at a known pH.
    ph, ph_std : float
        Known pH and its standard uncertainty; unused for the ends [-].
    pka : float
        pKa' expected in that fluid [-].
    """

    path: str | os.PathLike[str]
    state: State
    ph: float
    ph_std: float
    pka: float


def end_photo(path: str | os.PathLike[str], state: State) -> KnownPhoto:
    """
    Return a photo of fully acid or fully basic fluid.

    Parameters
    ----------
    path : path
        The photo.
    state : {'acid', 'base'}
        Which end.

    Returns
    -------
    KnownPhoto
        With a nominal pH.
    """
    return KnownPhoto(path=path, state=state, ph=4.5 if state == "acid" else 9.5, ph_std=0.0, pka=pka_prime())


def buffer_photo(
    path: str | os.PathLike[str], ph: float, *, ionic_strength_mol_kg: float, temperature_c: float = 25.0
) -> KnownPhoto:
    """
    Return a photo of fluid of known pH.

    Parameters
    ----------
    path : path
        The photo.
    ph : float
        Its pH, 6.0 to 8.0 [-].
    ionic_strength_mol_kg : float
        Ionic strength of the fluid, which shifts its pKa' [mol/kg].
    temperature_c : float, default 25.0
        Temperature of the fluid [degC].

    Returns
    -------
    KnownPhoto
        With the pKa' of that fluid.

    Raises
    ------
    ValueError
        If a number is out of range.
    """
    limits.checked_number("The known pH", ph, *limits.KNOWN_PH_RANGE)
    limits.checked_number("The ionic strength", ionic_strength_mol_kg, *limits.IONIC_STRENGTH_RANGE_MOL_KG)
    limits.checked_number("The temperature", temperature_c, *limits.TEMPERATURE_RANGE_C)
    pka = pka_prime(temperature_c, ionic_strength_mol_kg=ionic_strength_mol_kg)
    return KnownPhoto(path=path, state="known", ph=ph, ph_std=_BUFFER_PH_STD, pka=pka)


def air_photo(
    path: str | os.PathLike[str], kh_dkh: float, *, air_ppm: float = limits.OUTDOOR_AIR_PPM, temperature_c: float = 25.0
) -> KnownPhoto:
    """
    Return a photo of fluid in equilibrium with air.

    Parameters
    ----------
    path : path
        The photo.
    kh_dkh : float
        KH of the fluid, 0.5 to 10 [dKH].
    air_ppm : float, default 420.0
        CO2 of the air at 1 atm, 200 to 3000; at high altitude, multiply by the air pressure in atm [ppm].
    temperature_c : float, default 25.0
        Temperature of fluid and air [degC].

    Returns
    -------
    KnownPhoto
        With the pH of the equilibrium; its uncertainty includes what the dye does to the KH.

    Raises
    ------
    ValueError
        If a number is out of range.
    """
    limits.checked_number("The KH", kh_dkh, *limits.AIR_KH_RANGE_DKH)
    limits.checked_number("The CO2 of the air", air_ppm, *limits.AIR_PPM_RANGE)
    limits.checked_number("The temperature", temperature_c, *limits.TEMPERATURE_RANGE_C)
    ph = float(ph_in_air_equilibrium(kh_dkh, temperature_c=temperature_c, air_ppm=air_ppm))
    std = float(np.hypot(np.hypot(_AIR_STD, _KH_STD) / np.log(10.0), dye_ph_std(kh_dkh)))
    pka = pka_prime(temperature_c, ionic_strength_mol_kg=float(ionic_strength(kh_dkh)))
    return KnownPhoto(path=path, state="known", ph=ph, ph_std=std, pka=pka)


def ph_of_patches(text: str, *, kh_dkh: float | None = None) -> tuple[float, ...]:
    """
    Return the pH of the patches of a chart.

    Kits compute CO2 by the usual rule 3 x KH x 10^(7 - pH) at any temperature, so the rule also gives back their pH:
    assumption.

    Parameters
    ----------
    text : str
        Numbers in the order of the patches, separated by blanks: pH, or CO2 in mg/L with the unit after the last.
    kh_dkh : float, optional
        KH for which the CO2 holds [dKH].

    Returns
    -------
    tuple of float
        In the order of the text [-].

    Raises
    ------
    ValueError
        If a number cannot be read or is out of range, if there are fewer than three, if they do not rise or fall
        throughout, or if the KH is missing; one sentence.
    """
    numbers_text = _UNIT.sub("", text)
    is_co2 = numbers_text != text
    words = numbers_text.replace(";", " ").replace(", ", " ").split()
    values = [_number(word) for word in words]
    name, unit, (low, high) = ("CO2", " mg/L", _CO2_RANGE_MG_L) if is_co2 else ("pH", "", _PH_RANGE)
    if len(values) < _PATCHES_MIN:
        raise ValueError(f"The list names {len(values)} patches, but at least {_PATCHES_MIN} are needed, {_EXAMPLES}.")
    for value in values:
        if not low <= value <= high:
            hint = "" if is_co2 else '; for CO2 write "mg/L" after the last number'
            raise ValueError(f"The list of patches: {name} {value:g}{unit} is outside {low:g} to {high:g}{hint}.")
    if sorted(set(values)) not in (values, values[::-1]):
        raise ValueError("The list of patches must rise or fall throughout, in the order of the row.")
    if not is_co2:
        return tuple(values)
    if kh_dkh is None:
        raise ValueError("Patches in mg/L need the KH that the chart is made for.")
    return tuple(float(ph_by_rule_of_thumb(value, kh_dkh)) for value in values)


def _number(word: str) -> float:
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"The list of patches: {word!r} is not a number; separate numbers by spaces, {_EXAMPLES}.")
    return value
