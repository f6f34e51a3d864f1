from .carbonate import (
    co2_from_ph as co2_from_ph,
    co2_rule_of_thumb as co2_rule_of_thumb,
    ionic_strength as ionic_strength,
    ph_by_rule_of_thumb as ph_by_rule_of_thumb,
    ph_from_co2 as ph_from_co2,
    ph_in_air_equilibrium as ph_in_air_equilibrium,
)
from .kh_fluid import (
    CAUTIONS as CAUTIONS,
    RENEW_AFTER_WEEKS as RENEW_AFTER_WEEKS,
    RENEWAL as RENEWAL,
    DyeDose as DyeDose,
    FluidRecipe as FluidRecipe,
    RoomAirColor as RoomAirColor,
    color_in_room_air as color_in_room_air,
    dye_drops as dye_drops,
    dye_ph_std as dye_ph_std,
    fluid_recipe as fluid_recipe,
)
from .units import (
    CO2_G_MOL as CO2_G_MOL,
    NAHCO3_G_MOL as NAHCO3_G_MOL,
    UNITS as UNITS,
    WATER_G_MOL as WATER_G_MOL,
    Quantity as Quantity,
    Unit as Unit,
    parse_quantity as parse_quantity,
    with_other_unit as with_other_unit,
)
