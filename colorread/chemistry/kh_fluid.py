"""
Recipes for the fluid of a drop checker: baking soda water of known KH, and the dye in it.

All errors are limits (plus or minus), combined as the root of the sum of squares. They leave out the purity of the
baking soda.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from colorread.chemistry.carbonate import KH_MAX_DKH, WATER_RANGE_C, co2_from_ph, ph_from_co2, ph_in_air_equilibrium
from colorread.chemistry.units import MMOL_L_PER_DKH, NA2CO3_G_MOL, NAHCO3_G_MOL
from colorread.limits import (
    FLUID_VOLUME_RANGE_ML,
    OUTDOOR_AIR_PPM,
    SCALE_ERROR_MAX_G,
    TARGET_KH_RANGE_DKH,
    VIAL_VOLUME_RANGE_ML,
    checked_number,
)
from colorread.records import toml_beside

_STOCK_ML = 1000.0
# Baking soda for one liter of stock [g], and stock for each 500 mL of the first dilution [mL]. Both give 40 dKH after
# the first step (0.15 % more, which the computed KH includes). The strong stock is for scales that show whole grams; it
# stays below the solubility (69 g/kg of water at 0 C, 96 at 20 C: handbooks, collected in Seidell, Solubilities of
# Inorganic and Metal Organic Compounds).
_STOCKS = ((12.0, 50.0), (60.0, 10.0))
_STOCK_WEIGHING_LIMIT = 0.02  # largest error of the scale as a share of the baking soda, if there is a choice
_FIRST_DILUTION_STEP_ML = 500.0
_FIRST_DILUTION_KH_DKH = 40.0
_PORTION_STEP_ML = 0.5  # a syringe of 10 to 20 mL is marked in halves
_PORTION_MIN_ML = 5.0  # less cannot be measured well enough
_VOLUME_ERROR = 0.02  # of each measured volume, as a share of it: assumption
_VOLUMES_TWO_STEPS = 5  # stock, two portions, two fill-ups
_CO2_TARGET_MG_L = 30.0  # usual upper end for planted tanks, common practice, no source

_DROP_ML = 0.05  # common practice, no source
# 0.04 % handbook stock, 0.4 g/L, free acid 624.38 g/mol: 641 umol/L.
_DYE_STOCK_UMOL_L = 0.4 / 624.38 * 1e6
# Assumption. More dye reads better until blue leaves the gamut of a photo at an absorbance of about 1.2 at 616 nm (own
# simulation). Light passes a vial in front of paper twice, on average over 2/3 of its width:
# 24 umol/L x 3.70e4 L/mol/cm (adopted within 8 %, see the dye model) x 2 x 0.67 cm is 1.2 for a 10 mm bulb.
_DYE_TARGET_UMOL_L = 24.0

_INDOOR_AIR_PPM = 1500.0  # a poorly ventilated room, assumption
# Visual range of the dye, yellow 6.0 to blue 7.6: all handbooks; the steps between are an assumption.
_COLOR_STEPS = ((7.6, "blue"), (7.2, "blue-green"), (6.6, "green"), (6.0, "yellow-green"))

RENEW_AFTER_WEEKS = 4  # common practice, no source
_TEXTS = toml_beside(__file__, "kh_fluid.toml")
RENEWAL: str = _TEXTS["renewal"].format(weeks=RENEW_AFTER_WEEKS)
CAUTIONS = tuple(text.format(heated=2 * NAHCO3_G_MOL / NA2CO3_G_MOL) for text in _TEXTS["cautions"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Dilution:
    """One dilution: a portion filled up to the total with pure water, and the KH it gives."""

    portion_ml: float
    total_ml: float
    kh_dkh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidError:
    """Error limits (plus or minus) of the KH of a fluid, and of every CO2 read with it."""

    kh_error_dkh: float
    kh_error_percent: float
    co2_error_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidRecipe:
    """
    Amounts for a KH fluid by two dilutions of a strong stock, and its accuracy.

    `kh_dkh` is what the rounded amounts give. `error` is that of this recipe, `error_weighed_directly` that of weighing
    `direct_baking_soda_g` straight into the same volume.
    """

    baking_soda_g: float
    stock_ml: float
    stock_kh_dkh: float
    first: Dilution
    second: Dilution
    kh_dkh: float
    error: FluidError
    direct_baking_soda_g: float
    error_weighed_directly: FluidError


@dataclass(frozen=True, slots=True, kw_only=True)
class DyeDose:
    """Drops of 0.04 % dye for one vial, their effects as shares of its KH, and the KH with them."""

    drops: int
    dye_umol_l: float
    dilution_percent: float
    dye_alkalinity_percent: float
    kh_in_vial_dkh: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomAirColor:
    """pH and color of fluid after some hours in stuffy and in outdoor air."""

    kh_dkh: float
    ph_stuffy_air: float
    ph_outdoor_air: float
    color: str


def fluid_recipe(kh_dkh: float, volume_ml: float, *, scale_error_g: float = 0.1) -> FluidRecipe:
    """
    Return a recipe for baking soda water of a given KH.

    One liter of strong stock keeps the weighing error small. Two dilutions lead to the target in amounts that a syringe
    and a measuring cylinder can measure, each within 2 %.

    Parameters
    ----------
    kh_dkh : float
        Target carbonate hardness, 0.25 to 20 [dKH].
    volume_ml : float
        Minimum amount of fluid, 100 to 5000; weak fluids give more, to keep the portion measurable [mL].
    scale_error_g : float, default 0.1
        Error limit of one weighing, above 0 and at most 5 [g].

    Returns
    -------
    FluidRecipe
        Amounts, the KH they give, and its error.

    Raises
    ------
    ValueError
        If an input lies outside its range.
    """
    checked_number("Wanted KH in dKH", kh_dkh, *TARGET_KH_RANGE_DKH)
    checked_number("Volume in mL", volume_ml, *FLUID_VOLUME_RANGE_ML)
    checked_number("Error of the scale in g", scale_error_g, 0.0, SCALE_ERROR_MAX_G, open_low=True)

    soda_g, stock_per_step_ml = next(
        (stock for stock in _STOCKS if scale_error_g <= _STOCK_WEIGHING_LIMIT * stock[0]), _STOCKS[-1]
    )
    portion_ml = max(_PORTION_MIN_ML, _rounded_up(volume_ml * kh_dkh / _FIRST_DILUTION_KH_DKH, _PORTION_STEP_ML))
    total_ml = float(round(portion_ml * _FIRST_DILUTION_KH_DKH / kh_dkh))
    steps = math.ceil(portion_ml / _FIRST_DILUTION_STEP_ML)

    stock_kh_dkh = soda_g * 1000.0 / (_STOCK_ML / 1000.0) / NAHCO3_G_MOL / MMOL_L_PER_DKH
    first = _dilute(stock_kh_dkh, steps * stock_per_step_ml, steps * _FIRST_DILUTION_STEP_ML)
    second = _dilute(first.kh_dkh, portion_ml, total_ml)
    direct_g = soda_g * second.kh_dkh / stock_kh_dkh * total_ml / _STOCK_ML
    return FluidRecipe(
        baking_soda_g=soda_g,
        stock_ml=_STOCK_ML,
        stock_kh_dkh=stock_kh_dkh,
        first=first,
        second=second,
        kh_dkh=second.kh_dkh,
        error=_fluid_error(
            second.kh_dkh, math.hypot(scale_error_g / soda_g, math.sqrt(_VOLUMES_TWO_STEPS) * _VOLUME_ERROR)
        ),
        direct_baking_soda_g=direct_g,
        error_weighed_directly=_fluid_error(second.kh_dkh, math.hypot(scale_error_g / direct_g, _VOLUME_ERROR)),
    )


def dye_drops(vial_volume_ml: float, *, kh_dkh: float = 4.0) -> DyeDose:
    """
    Return how many drops of 0.04 % bromothymol blue to put into a vial.

    Usual doses are 2 to 5 drops in 2 to 5 mL (common practice, no source).

    Parameters
    ----------
    vial_volume_ml : float
        KH water in the vial, 0.5 to 20 [mL].
    kh_dkh : float, default 4.0
        Its carbonate hardness, above 0 and at most 30 [dKH].

    Returns
    -------
    DyeDose
        Drops; dye in the vial; change of KH by dilution (negative); alkalinity that the dye can add or take, about
        its own molarity (see `dye_ph_std`); KH of the diluted water without that.

    Raises
    ------
    ValueError
        If an input lies outside its range.
    """
    checked_number("Water in the vial in mL", vial_volume_ml, *VIAL_VOLUME_RANGE_ML)
    checked_number("KH in dKH", kh_dkh, 0.0, KH_MAX_DKH, open_low=True)
    dye_ml = vial_volume_ml * _DYE_TARGET_UMOL_L / (_DYE_STOCK_UMOL_L - _DYE_TARGET_UMOL_L)
    drops = max(1, round(dye_ml / _DROP_ML))
    share = drops * _DROP_ML / (vial_volume_ml + drops * _DROP_ML)
    dye_umol_l = _DYE_STOCK_UMOL_L * share
    return DyeDose(
        drops=drops,
        dye_umol_l=dye_umol_l,
        dilution_percent=-100.0 * share,
        dye_alkalinity_percent=100.0 * dye_umol_l / (kh_dkh * MMOL_L_PER_DKH * 1000.0),
        kh_in_vial_dkh=kh_dkh * (1.0 - share),
    )


def dye_ph_std(kh_dkh: float) -> float:
    """
    Return the uncertainty of the KH due to the usual dose of dye, as pH.

    As sodium salt, the dye consumes as much alkalinity as there is of its blue form; as free acid in alcohol, its full
    molarity on top; fully neutralized, it adds as much as there is of its yellow form. Makers differ in this, so the
    molarity is taken as one standard deviation of the alkalinity: assumption.

    Parameters
    ----------
    kh_dkh : float
        Carbonate hardness of the fluid, above 0 [dKH].

    Returns
    -------
    float
        Standard uncertainty of log10 of the KH, which equals that of the pH at a given CO2 [-].
    """
    return _DYE_TARGET_UMOL_L / (kh_dkh * MMOL_L_PER_DKH * 1000.0) / math.log(10.0)


def color_in_room_air(kh_dkh: float, temperature_c: float) -> RoomAirColor:
    """
    Return the expected color of fluid after some hours in room air, a free test of fluid and dye.

    Parameters
    ----------
    kh_dkh : float
        Carbonate hardness of the fluid, 0.25 to 20 [dKH].
    temperature_c : float
        Temperature of the fluid, 0 to 50 [degC].

    Returns
    -------
    RoomAirColor
        pH in stuffy (1500 ppm) and in outdoor air (420 ppm), and the color between them.

    Raises
    ------
    ValueError
        If an input lies outside its range.
    """
    checked_number("KH in dKH", kh_dkh, *TARGET_KH_RANGE_DKH)
    checked_number("Water temperature in C", temperature_c, *WATER_RANGE_C)
    low, high = (
        float(ph_in_air_equilibrium(kh_dkh, temperature_c=temperature_c, air_ppm=air_ppm))
        for air_ppm in (_INDOOR_AIR_PPM, OUTDOOR_AIR_PPM)
    )
    color = " to ".join(dict.fromkeys((_color_name(low), _color_name(high))))
    return RoomAirColor(kh_dkh=kh_dkh, ph_stuffy_air=low, ph_outdoor_air=high, color=color)


def _dilute(kh_dkh: float, portion_ml: float, total_ml: float) -> Dilution:
    return Dilution(portion_ml=portion_ml, total_ml=total_ml, kh_dkh=kh_dkh * portion_ml / total_ml)


def _fluid_error(kh_dkh: float, share: float) -> FluidError:
    """Return the errors that a share of the KH makes; through the activities CO2 changes a little less than KH."""
    ph = ph_from_co2(_CO2_TARGET_MG_L, kh_dkh)
    co2_percent_per_kh_percent = float(co2_from_ph(ph, kh_dkh * 1.01)) / _CO2_TARGET_MG_L * 100.0 - 100.0
    return FluidError(
        kh_error_dkh=share * kh_dkh,
        kh_error_percent=100.0 * share,
        co2_error_percent=100.0 * share * co2_percent_per_kh_percent,
    )


def _rounded_up(value: float, step: float) -> float:
    # The inner rounding keeps 50.000000000000007 from becoming 50.5.
    return math.ceil(round(value / step, 6)) * step


def _color_name(ph: float) -> str:
    return next((name for limit, name in _COLOR_STEPS if ph >= limit), "yellow")
