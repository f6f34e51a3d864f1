"""What a charge of sugar, of acid and bicarbonate, or of a cylinder can give, by stoichiometry."""

from __future__ import annotations

from colorread.tank.settings import GasSource
from colorread.units import CO2_G_MOL

# C12H22O11 + H2O -> 4 C2H5OH + 4 CO2, 342.297 g/mol from standard atomic masses: 0.5143 g CO2 per g of sucrose.
SUCROSE_G_MOL = 342.297
CO2_PER_SUCROSE = 4.0 * CO2_G_MOL / SUCROSE_G_MOL
# C6H8O7 + 3 NaHCO3 -> 3 CO2, anhydrous citric acid 192.123 g/mol: 0.687 g CO2 per g, with 1.312 g of bicarbonate.
CITRIC_ACID_G_MOL = 192.123
CO2_PER_CITRIC_ACID = 3.0 * CO2_G_MOL / CITRIC_ACID_G_MOL
# Of the theory 60 to 90 % reaches the water: common practice, no source.
USUAL_YIELD = (0.6, 0.9)


def co2_of_charge_g(source: GasSource) -> float | None:
    """
    Return the CO2 that a whole charge can give at most.

    Parameters
    ----------
    source : GasSource
        Sugar as sucrose, citric acid as anhydrous with enough bicarbonate, or the gas in a cylinder.

    Returns
    -------
    float or None
        CO2, None where the amount is not known [g].
    """
    if source.amount_g is None:
        return None
    per_g = {"fermentation": CO2_PER_SUCROSE, "acid-bicarbonate": CO2_PER_CITRIC_ACID, "cylinder": 1.0}
    return source.amount_g * per_g[source.kind]
