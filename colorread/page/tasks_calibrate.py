"""Work on calibration photos that the processes of the pool do, by the same functions as the command line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from calibration import State, read_profile, write_profile
from colorread.errors import Reason, Refusal
from colorread.fluid import measure_chart
from colorread.page.tasks import require_modest
from colorread.profiles import (
    GUIDES,
    Kind,
    KnownPhoto,
    PhotoRefused,
    air_photo,
    buffer_photo,
    end_photo,
    known_fluid,
    make_chart_profile,
    measure_photos,
    profile_lines,
    profile_of,
    see_clear_fluid,
)

_STATES: Mapping[str, State] = {"acid": "acid", "base": "base"}  # by step


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """
    What is known about the fluids of a calibration.

    Parameters
    ----------
    temperature_c : float
        Of fluid and air [degC].
    known_ph : float or None
        pH of the buffer [-].
    ionic_strength_mol_kg : float or None
        Of the buffer [mol/kg].
    air_ppm : float
        CO2 of the air [ppm].
    patch_ph : tuple of float or None
        What the patches of a kit's chart stand for; None for the chart of this program [-].
    light : str
        Lamp class of the photos.
    """

    temperature_c: float
    known_ph: float | None
    ionic_strength_mol_kg: float | None
    air_ppm: float
    patch_ph: tuple[float, ...] | None
    light: str


def check_photo(path: Path, kind: Kind, step: str, n_patches: int | None) -> Reason | None:
    """
    Look at a calibration photo as soon as it is taken.

    Parameters
    ----------
    path : Path
        The upload.
    kind : {'ends', 'air', 'chart'}
        Kind of calibration.
    step : str
        Which of its photos.
    n_patches : int or None
        Patches of a kit's chart.

    Returns
    -------
    Reason or None
        Why it cannot be used; None where card and fluid, or chart, were found.
    """
    try:
        require_modest(path)
        if kind == "chart":
            measure_chart(path, n_patches)
        elif (state := _STATES.get(step)) is not None:
            known_fluid(end_photo(path, state))
        else:
            see_clear_fluid(path, "known")
    except Refusal as refusal:
        return refusal.reason
    return None


def make(
    photos: Mapping[str, Path], kind: Kind, numbers: Numbers, earlier: str | None, target: Path
) -> tuple[str, ...] | Mapping[str, Reason]:
    """
    Make a profile of calibration photos and write it.

    Parameters
    ----------
    photos : mapping of str to Path
        By step.
    kind : {'ends', 'air', 'chart'}
        Kind of calibration.
    numbers : Numbers
        What is known about the fluids.
    earlier : str or None
        Path of a profile to whose evidence this is added.
    target : Path
        File to write.

    Returns
    -------
    tuple of str, or mapping of str to Reason
        The profile in words, or why there is none: by the step whose photo cannot be used, '' for all together.
    """
    try:
        base = None if earlier is None else read_profile(earlier)
        if kind == "chart":
            profile = make_chart_profile(
                list(photos.values()), patch_ph=numbers.patch_ph, light=numbers.light, base=base
            )
        else:
            known = _known_photos(photos, kind, numbers)
            samples, problems = [], {}
            for measured, key in zip(measure_photos(known.values()), known, strict=True):
                if isinstance(measured, PhotoRefused):
                    problems[key] = measured.reason
                else:
                    samples.append(measured)
            if problems:
                return problems
            profile = profile_of(samples, light=numbers.light, base=base)
        write_profile(profile, target)
    except (OSError, ValueError) as error:
        words = str(error)
        for step in GUIDES[kind].steps:
            if step.key in photos:
                words = words.replace(str(photos[step.key]), step.title)
        next_step = "Take that photo again, or correct your input."
        return {"": Reason(code="calibration", message=words, next_step=next_step)}
    return tuple(profile_lines(profile))


def _known_photos(photos: Mapping[str, Path], kind: Kind, numbers: Numbers) -> Mapping[str, KnownPhoto]:
    known = {}
    for step in GUIDES[kind].steps:
        path = photos.get(step.key)
        if path is None:
            continue
        if step.kh_dkh is not None:
            known[step.key] = air_photo(path, step.kh_dkh, air_ppm=numbers.air_ppm, temperature_c=numbers.temperature_c)
        elif (state := _STATES.get(step.key)) is not None:
            known[step.key] = end_photo(path, state)
        elif numbers.known_ph is None:
            raise ValueError("The pH of the known fluid is missing; enter it.")
        elif numbers.ionic_strength_mol_kg is None:
            raise ValueError("The ionic strength of the known fluid is missing; choose its buffer, or enter it.")
        else:
            known[step.key] = buffer_photo(
                path,
                numbers.known_ph,
                ionic_strength_mol_kg=numbers.ionic_strength_mol_kg,
                temperature_c=numbers.temperature_c,
            )
    return known
