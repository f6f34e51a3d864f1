"""KH fluid recipes recomputed by hand, dye dose and room-air color."""

import math
import re

import pytest
from hypothesis import given, strategies as st

from colorread.chemistry.carbonate import co2_from_ph
from colorread.chemistry.kh_fluid import color_in_room_air, dye_drops, fluid_recipe
from colorread.words.mixing import room_air_words

# By hand from 10 mg CaO (56.0774 g/mol, two equivalents) and NaHCO3 84.0066 g/mol.
NAHCO3_MG_L_PER_DKH = 20 / 56.0774 * 84.0066


def kh_by_mass_balance(soda_g, recipe):
    """Follow the salt through both steps in milligrams."""
    mg_in_first = soda_g * 1000 * recipe.first.portion_ml / recipe.stock_ml
    mg_in_second = mg_in_first * recipe.second.portion_ml / recipe.first.total_ml
    return mg_in_second / (recipe.second.total_ml / 1000) / NAHCO3_MG_L_PER_DKH


def test_the_usual_recipe_has_round_amounts():
    """12 g in 1 L is 400.5 dKH; one to ten, twice, is 4.005 dKH."""
    recipe = fluid_recipe(4.0, 500.0)
    assert (recipe.baking_soda_g, recipe.stock_ml) == (12.0, 1000.0)
    assert (recipe.first.portion_ml, recipe.first.total_ml) == (50.0, 500.0)
    assert (recipe.second.portion_ml, recipe.second.total_ml) == (50.0, 500.0)
    assert recipe.stock_kh_dkh == pytest.approx(12000 / NAHCO3_MG_L_PER_DKH, rel=2e-4)
    assert recipe.kh_dkh == pytest.approx(4.005, abs=1e-3)


@pytest.mark.parametrize("scale_error_g", [0.01, 0.1, 1.0])
@given(kh_dkh=st.floats(0.25, 20.0), volume_ml=st.floats(100.0, 5000.0))
def test_any_recipe_gives_the_wanted_water(scale_error_g, kh_dkh, volume_ml):
    recipe = fluid_recipe(kh_dkh, volume_ml, scale_error_g=scale_error_g)
    assert kh_by_mass_balance(recipe.baking_soda_g, recipe) == pytest.approx(recipe.kh_dkh, rel=2e-4)
    assert recipe.kh_dkh == pytest.approx(kh_dkh, rel=7e-3)  # total rounded to 1 mL of at least 100, and 0.15 %
    assert recipe.second.total_ml > volume_ml - 1.0
    assert recipe.first.portion_ml <= recipe.stock_ml
    assert recipe.second.portion_ml <= recipe.first.total_ml
    assert recipe.second.portion_ml >= 5.0
    assert recipe.second.portion_ml * 2 == int(recipe.second.portion_ml * 2)
    assert recipe.second.total_ml > recipe.second.portion_ml
    mg_directly = recipe.direct_baking_soda_g * 1000 / (recipe.second.total_ml / 1000)
    assert mg_directly / NAHCO3_MG_L_PER_DKH == pytest.approx(recipe.kh_dkh, rel=2e-4)


def test_a_coarse_scale_gets_the_stronger_stock():
    recipe = fluid_recipe(4.0, 500.0, scale_error_g=1.0)
    assert recipe.baking_soda_g == 60.0
    assert recipe.kh_dkh == pytest.approx(4.0, rel=2e-3)


def test_five_volumes_of_two_percent_and_one_weighing_add_as_root_of_squares():
    recipe = fluid_recipe(4.0, 500.0, scale_error_g=0.1)
    weighing_percent = 100 * (kh_by_mass_balance(12.1, recipe) / kh_by_mass_balance(12.0, recipe) - 1)
    error = recipe.error
    assert error.kh_error_percent == pytest.approx(math.sqrt(weighing_percent**2 + 5 * 2.0**2), rel=1e-9)
    assert error.kh_error_dkh == pytest.approx(recipe.kh_dkh * error.kh_error_percent / 100)


def test_fluid_errors_pass_on_to_the_co2_reading():
    """The same color is the same pH: CO2 read is off as the KH is, a little less by the activities."""
    recipe = fluid_recipe(4.0, 500.0)
    error = recipe.error
    assert 0.96 < error.co2_error_percent / error.kh_error_percent < 1.0
    real = co2_from_ph(6.65, recipe.kh_dkh + error.kh_error_dkh) / co2_from_ph(6.65, recipe.kh_dkh)
    assert 100 * (real - 1) == pytest.approx(error.co2_error_percent, rel=1e-2)


def test_weighing_directly_is_hopeless_on_a_kitchen_scale():
    """4 dKH in 500 mL are 0.0599 g; a scale good to 0.1 g errs by 167 %."""
    recipe = fluid_recipe(4.0, 500.0)
    assert recipe.direct_baking_soda_g == pytest.approx(0.5 * 4 * NAHCO3_MG_L_PER_DKH / 1000, rel=3e-3)
    assert recipe.error_weighed_directly.kh_error_percent == pytest.approx(167, abs=1)
    assert recipe.error_weighed_directly.co2_error_percent > 30 * recipe.error.co2_error_percent


def test_weak_fluid_makes_more_rather_than_measure_drops():
    recipe = fluid_recipe(0.5, 100.0)
    assert (recipe.second.portion_ml, recipe.second.total_ml) == (5.0, 400.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: fluid_recipe(0.0, 500.0), "Wanted KH in dKH must be between 0.25 and 20, not 0."),
        (lambda: fluid_recipe(math.nan, 500.0), "must be a number."),
        (lambda: fluid_recipe(4.0, 50.0), "Volume in mL must be between 100 and 5000, not 50."),
        (lambda: fluid_recipe(4.0, 500.0, scale_error_g=0.0), "Error of the scale in g must be above 0 and at most 5"),
        (lambda: dye_drops(25.0), "Water in the vial in mL must be between 0.5 and 20"),
        (lambda: color_in_room_air(0.0, 25.0), "KH in dKH must be between 0.25 and 20, not 0."),
        (lambda: color_in_room_air(4.0, math.nan), "must be a number."),
    ],
)
def test_what_lies_outside_its_range_is_refused(make, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        make()


@pytest.mark.parametrize(("vial_volume_ml", "drops"), [(2.0, 2), (5.0, 4)])
def test_dye_dose_is_within_the_customary_one(vial_volume_ml, drops):
    """Two to five drops of 0.05 mL in 2 to 5 mL; common practice."""
    assert dye_drops(vial_volume_ml).drops == drops


def test_dye_dose_side_effects_by_hand():
    """2 drops of 0.05 mL (641 umol/L) in 2 mL: 30.5 umol/L in 2.1 mL."""
    dose = dye_drops(2.0)
    assert dose.dye_umol_l == pytest.approx(30.5, abs=0.05)
    assert dose.dilution_percent == pytest.approx(-100 * 0.1 / 2.1)
    assert dose.dye_alkalinity_percent == pytest.approx(2.1, abs=0.05)
    assert dose.kh_in_vial_dkh == pytest.approx(4.0 * 2.0 / 2.1)
    assert dye_drops(2.0, kh_dkh=1.0).dye_alkalinity_percent == pytest.approx(8.55, abs=0.05)


@given(st.floats(0.5, 20.0))
def test_dye_is_never_missing_nor_twice_too_dark(vial_volume_ml):
    dose = dye_drops(vial_volume_ml)
    assert dose.drops >= 1
    # Whole drops are coarse in small vials: one drop in 0.5 mL is 58 umol/L.
    low, high = (0.0, 60.0) if vial_volume_ml < 1.0 else (15.0, 36.0)
    assert low < dose.dye_umol_l < high


def test_four_degrees_turn_blue_in_any_room():
    expected = color_in_room_air(4.0, 25.0)
    assert expected.ph_outdoor_air == pytest.approx(8.32, abs=5e-3)  # PHREEQC, CO2(g) at 420 ppm
    # Below pH 8.3 the pH falls by the logarithm of the CO2 in the air, here log10(1500 / 420) = 0.55.
    assert expected.ph_outdoor_air - expected.ph_stuffy_air == pytest.approx(0.55, abs=0.02)
    assert expected.color == "blue"
    text = room_air_words(expected)
    assert "room air, 4 dKH fluid with dye is blue" in text
    assert "pH 7.8" in text
    assert "8.3" in text


def test_weak_fluid_is_not_expected_to_be_fully_blue():
    assert color_in_room_air(0.5, 25.0).color == "green to blue-green"
    assert color_in_room_air(1.0, 25.0).ph_outdoor_air == pytest.approx(7.74, abs=5e-3)
