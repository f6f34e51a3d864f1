"""Recipes against published stoichiometry, worked by hand from it."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import given, strategies as st

from colorread.tank.charge import MONOHYDRATE_PER_ACID, SODA_PER_ACID, acid_mix, co2_of_charge_g, fermentation_mix
from colorread.tank.gas_plan_words import amount_words
from colorread.tank.settings import GasSource

# Molar masses of handbooks [g/mol], rounded: citric acid 192.12 and its hydrate 210.14, baking soda 84.01, trisodium
# citrate 258.07, carbon dioxide 44.01, water 18.02.
ACID, HYDRATE, SODA, CITRATE, CO2, WATER = 192.12, 210.14, 84.01, 258.07, 44.01, 18.02


def test_a_hundred_grams_of_sugar_give_what_lecture_notes_say() -> None:
    # 51.4 g of CO2 and 53.8 g of ethanol from 100 g of sucrose (Weihenstephan).
    mix = fermentation_mix(51.4)
    assert mix.parts["sugar"] == pytest.approx(100.0, rel=0.005)
    alcohol_ml = 53.8 / 0.789
    liquid_ml = mix.parts["water"] + 62.0
    assert 0.11 < alcohol_ml / liquid_ml < 0.13  # where yeast stops at last
    assert mix.parts["yeast"] == pytest.approx(0.25 * 3.1, rel=0.05)  # half a teaspoon to a cup of 200 g


def test_a_mole_of_citric_acid_takes_three_of_soda() -> None:
    mix = acid_mix(3 * CO2)
    assert mix.parts["citric acid"] == pytest.approx(ACID, rel=0.005)
    assert mix.parts["baking soda"] == pytest.approx(3 * SODA, rel=0.005)
    assert pytest.approx(1.31, abs=0.005) == SODA_PER_ACID
    assert pytest.approx(1.20, abs=0.005) == SODA_PER_ACID / MONOHYDRATE_PER_ACID
    assert pytest.approx(HYDRATE / ACID, rel=1e-3) == MONOHYDRATE_PER_ACID


@given(st.floats(0.5, 5000.0))
def test_mass_is_kept(co2_g: float) -> None:
    acid = acid_mix(co2_g)
    moles = acid.parts["citric acid"] / ACID
    assert acid.parts["citric acid"] + acid.parts["baking soda"] == pytest.approx(
        acid.co2_g + moles * (CITRATE + 3 * WATER), rel=0.005
    )
    assert acid.co2_g == pytest.approx(co2_g, rel=0.005)
    sugar = fermentation_mix(co2_g)
    assert sugar.co2_g == pytest.approx(co2_g, rel=0.005)
    assert sugar.parts["sugar"] * 0.514 == pytest.approx(co2_g, rel=0.006)


@given(st.floats(0.5, 5000.0))
def test_a_bottle_keeps_its_head_space(co2_g: float) -> None:
    sugar, acid = fermentation_mix(co2_g), acid_mix(co2_g)
    liquid_ml = sugar.parts["water"] + 0.62 * sugar.parts["sugar"]
    assert liquid_ml <= 0.7501 * sugar.bottles * sugar.bottle_ml
    # The solids alone: densities 1.66 (citric acid) and 2.2 g/mL (soda) of handbooks.
    solids_ml = acid.parts["citric acid"] / 1.66 + acid.parts["baking soda"] / 2.2
    assert acid.parts["water"] + solids_ml <= 0.5 * acid.bottles * acid.bottle_ml


@given(st.floats(1.0, 3000.0))
def test_spoons_and_cups_tell_the_same(sugar_g: float) -> None:
    sugar_g = float(f"{sugar_g:.3g}")
    words = amount_words("sugar", sugar_g)
    match = re.search(r"\((\S+) oz, (?:(\d+) ?)?([¼½¾])? (cups?|tbsp|tsp)\)", words)
    assert match is not None, words
    quarter = {"¼": Fraction(1, 4), "½": Fraction(1, 2), "¾": Fraction(3, 4), None: Fraction(0)}[match[3]]
    per_cup = {"cup": 1, "cups": 1, "tbsp": 16, "tsp": 48}[match[4]]
    told_g = float(int(match[2] or 0) + quarter) / per_cup * 200.0
    assert told_g == pytest.approx(sugar_g, rel=0.051, abs=0.53)  # an eighth of a teaspoon
    assert float(match[1]) * 28.35 == pytest.approx(sugar_g, rel=0.06)


@pytest.mark.parametrize(
    ("source", "co2_g"),
    [
        # 0.5143 g CO2 per g of sucrose: hydrolysis (1.0526) times the 0.4886 of glucose (lecture notes, Weihenstephan).
        (GasSource(kind="fermentation", amount_g=1000.0), 514.3),
        # C6H8O7 + 3 NaHCO3 -> Na3C6H5O7 + 3 CO2 + 3 H2O
        (GasSource(kind="acid-bicarbonate", amount_g=ACID), 3 * CO2),
        (GasSource(kind="cylinder", amount_g=500.0), 500.0),
    ],
)
def test_a_charge_gives_what_its_chemistry_says(source: GasSource, co2_g: float) -> None:
    assert co2_of_charge_g(source) == pytest.approx(co2_g, rel=1e-3)
    assert co2_of_charge_g(GasSource(kind=source.kind)) is None
