"""How to mix the fluid, the same in the terminal and on the page."""

from __future__ import annotations

from colorread.chemistry import RENEWAL, UNITS, DyeDose, FluidRecipe, RoomAirColor, Unit, with_other_unit

_MOST_READABLE_PH = 7.5  # above it the dye hardly changes, and a reading is one-sided: assumption
_DKH = UNITS["kh"]["dkh"]


def kh_words(kh_dkh: float, form: str, unit: Unit = _DKH) -> str:
    """
    Return a KH with its unit.

    Parameters
    ----------
    kh_dkh : float
        The KH [dKH].
    form : str
        Format of the number in dKH, such as ``.2f``; other units get three digits, which is finer than can be mixed.
    unit : Unit, optional
        The keeper's unit.

    Returns
    -------
    str
        Number and unit.
    """
    if unit == _DKH:
        return f"{kh_dkh:{form}} dKH"
    return unit.text(unit.to_base(float(f"{float(unit.number(kh_dkh)):.3g}")))


def room_air_words(air: RoomAirColor, unit: Unit = _DKH) -> str:
    """
    Return what the fluid should look like after some hours in room air.

    Parameters
    ----------
    air : RoomAirColor
        Color to expect.
    unit : Unit, optional
        Unit of the KH.

    Returns
    -------
    str
        Two sentences.
    """
    least_ph = min(air.ph_stuffy_air, _MOST_READABLE_PH)
    return (
        f"After a few hours in room air, {kh_words(air.kh_dkh, 'g', unit)} fluid with dye is {air.color}: pH "
        f"{air.ph_stuffy_air:.1f} in a stuffy room, {air.ph_outdoor_air:.1f} outdoors. A photo should read pH "
        f"{least_ph:.1f} or more."
    )


def fluid_rows(
    recipe: FluidRecipe,
    dose: DyeDose,
    air: RoomAirColor,
    vial_ml: float,
    *,
    option: str = "",
    unit: Unit = _DKH,
) -> tuple[tuple[str, str], ...]:
    """
    Return how to mix the fluid.

    Parameters
    ----------
    recipe : FluidRecipe
        Stock and dilutions.
    dose : DyeDose
        Drops of dye for the vial.
    air : RoomAirColor
        Color to expect in room air.
    vial_ml : float
        Fluid in the vial [mL].
    option : str, optional
        How to enter the KH of the dyed fluid, appended to the words that ask for it.
    unit : Unit, optional
        Unit of the KH; the KH to enter is given in dKH too.

    Returns
    -------
    tuple of (str, str)
        Steps and remarks: a short label and a text.
    """
    first, second, error = recipe.first, recipe.second, recipe.error
    vial, vial_dkh = kh_words(dose.kh_in_vial_dkh, ".2f", unit), kh_words(dose.kh_in_vial_dkh, ".2f")
    diluted = vial if vial == vial_dkh else f"{vial} ({vial_dkh})"
    soda = with_other_unit("mass", recipe.baking_soda_g)
    off_percent = recipe.error_weighed_directly.kh_error_percent
    directly = f"could be off by {off_percent:.0f} %" if off_percent < 100.0 else "is beyond this scale"
    drops = "1 drop" if dose.drops == 1 else f"{dose.drops} drops"
    steps = {
        "1 Stock": (
            f"Dissolve {soda} baking soda in pure water, then top up to {recipe.stock_ml:g} mL: "
            f"{kh_words(recipe.stock_kh_dkh, '.0f', unit)}."
        ),
        "2 Dilute": (
            f"Top up {first.portion_ml:g} mL of the stock to {first.total_ml:g} mL with pure water: "
            f"{kh_words(first.kh_dkh, '.1f', unit)}."
        ),
        "3 Fluid": (
            f"Top up {second.portion_ml:g} mL of that to {second.total_ml:g} mL with pure water: "
            f"{kh_words(second.kh_dkh, '.2f', unit)}."
        ),
        "4 Dye": (
            f"Add {drops} of 0.04 % bromothymol blue to {vial_ml:g} mL of the fluid in the vial (usual: 2 to 5 drops "
            f"in 2 to 5 mL). The drops dilute it to {diluted}: enter that KH{option}. The dye itself may change it by "
            f"another {dose.dye_alkalinity_percent:.1f} %; the interval includes that."
        ),
        "5 Check": room_air_words(air, unit),
        "Accuracy": (
            f"±{error.kh_error_percent:.1f} % in KH and ±{error.co2_error_percent:.1f} % in CO2, without the dye. "
            f"Weighing {recipe.direct_baking_soda_g:.3f} g directly {directly}."
        ),
        "Keep": RENEWAL,
    }
    return tuple(steps.items())
