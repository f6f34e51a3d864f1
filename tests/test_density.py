"""The density of pixels, and how sure their median is, against numbers by hand."""

from __future__ import annotations

import numpy as np
import pytest

from colorread.fluid.find import density_of, median_density


def test_black_and_colors_beyond_the_gamut_have_a_finite_density() -> None:
    assert density_of(np.array([0.0, -0.1, 1e-9])) == pytest.approx([3.0, 3.0, 3.0])


def test_only_what_the_tone_curve_does_to_one_channel_more_than_to_all_makes_a_color_unsure() -> None:
    density = np.full((9, 3), 0.4)
    median, variance = median_density(density, density + np.array((0.05, 0.02, 0.03)))
    assert median == pytest.approx([0.4, 0.4, 0.4])
    assert variance == pytest.approx([0.03**2, 0.0, 0.01**2])


def test_noise_falls_with_the_number_of_pixels_of_which_nine_count_as_one() -> None:
    few = np.tile([[0.3], [0.5]], (18, 3))  # 36 pixels, standard deviation 0.1
    _, variance = median_density(few, few)
    assert variance == pytest.approx(np.full(3, 0.1**2 / 4.0))
