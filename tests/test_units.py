"""Unit conversions against figures worked out outside the package."""

import pytest
from hypothesis import given, strategies as st

from colorread.chemistry import units

KH, TEMPERATURE = units.UNITS["kh"], units.UNITS["temperature"]


# 1 dKH = 10 mg CaO per liter. Worked by hand with CaO 56.0774 (older, longer atomic weights than the
# package's, hence the tolerance): 20/56.0774 meq/L, then times 50.0434.
def test_one_degree_matches_published_equivalents():
    assert KH["meq"].from_base(1.0) == pytest.approx(0.35665, rel=2e-4)
    assert KH["caco3"].from_base(1.0) == pytest.approx(17.848, rel=2e-4)
    assert pytest.approx(119.84, rel=2e-4) == 4.0 * units.MMOL_L_PER_DKH * units.NAHCO3_G_MOL  # of baking soda


def test_molar_masses_match_handbook_values():
    salts = (units.CACO3_G_MOL, units.HCO3_G_MOL, units.NAHCO3_G_MOL, units.NA2CO3_G_MOL)
    assert salts == pytest.approx((100.0869, 61.0168, 84.0066, 105.9884), abs=2e-3)
    assert pytest.approx((44.0095, 56.0774), abs=2e-3) == (units.CO2_G_MOL, units.CAO_G_MOL)


def test_fixed_points_of_the_thermometer_scales():
    in_f = [TEMPERATURE["f"].from_base(celsius) for celsius in (0.0, 100.0, -40.0)]
    assert in_f == pytest.approx([32.0, 212.0, -40.0], abs=1e-12)


@given(value=st.floats(0.01, 1000.0))
def test_every_unit_leads_back(value):
    for of_quantity in units.UNITS.values():
        for unit in of_quantity.values():
            assert unit.to_base(unit.from_base(value)) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("quantity", "typed", "own"),
    [
        # NIST Handbook 44, appendix C: 1 gallon is 3.785 412 L, 1 ounce 28.349 523 g, 1 fluid ounce 29.573 53 mL.
        ("volume", "10gal", 37.85412),
        ("volume", "60 L", 60.0),
        ("mass", "16 oz", 453.5924),
        ("fluid", "8 fl oz", 236.5882),
        ("temperature", "77 °F", 25.0),
        ("kh", "71.4caco3", 4.0),
    ],
)
def test_a_number_may_have_another_unit(quantity, typed, own):
    assert units.parse_quantity(quantity, typed) == pytest.approx(own, rel=1e-3)


@pytest.mark.parametrize(
    ("quantity", "typed"), [("volume", "10oz"), ("mass", "5 stone"), ("volume", "gal"), ("kh", "4")]
)
def test_a_unit_of_another_quantity_is_refused(quantity, typed):
    with pytest.raises(ValueError, match=typed):
        units.parse_quantity(quantity, typed)


@pytest.mark.parametrize(
    ("quantity", "typed", "shown"),
    [
        ("volume", "60l", "60 L (15.9 gal)"),
        ("volume", "15gal", "57 L (15 gal)"),  # rounded off where it was typed in the other unit
        ("volume", "2gal", "7.6 L (2 gal)"),
        ("volume", "54.55l", "54.55 L (14.4 gal)"),
        ("temperature", "77.5F", "25.3 °C (77.5 °F)"),
        ("kh", "71caco3", "3.98 dKH (71 mg/L CaCO3)"),
    ],
)
def test_a_value_is_shown_in_both_units(quantity, typed, shown):
    assert units.with_other_unit(quantity, units.parse_quantity(quantity, typed)) == shown
