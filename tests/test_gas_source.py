from __future__ import annotations

import pytest

from colorread.tank.charge import co2_of_charge_g
from colorread.tank.settings import GasSource


# 0.5143 g CO2 per g of sucrose: hydrolysis (1.0526) times the 0.4886 of glucose (lecture notes, Weihenstephan).
def test_sugar_gives_what_fermentation_chemistry_says() -> None:
    assert co2_of_charge_g(GasSource(kind="fermentation", amount_g=1000.0)) == pytest.approx(514.3, abs=0.1)


# C6H8O7 + 3 NaHCO3 -> Na3C6H5O7 + 3 CO2 + 3 H2O with the rounded molar masses 192.12 and 44.01 g/mol.
def test_acid_gives_three_molecules_of_gas_each() -> None:
    assert co2_of_charge_g(GasSource(kind="acid-bicarbonate", amount_g=192.12)) == pytest.approx(3 * 44.01, rel=1e-3)


def test_a_cylinder_gives_what_is_in_it() -> None:
    assert co2_of_charge_g(GasSource(kind="cylinder", amount_g=500.0)) == 500.0


def test_an_unknown_amount_gives_no_number() -> None:
    assert co2_of_charge_g(GasSource(kind="fermentation")) is None
