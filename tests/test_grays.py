"""What the grays of card and tag tell: overexposed paper, and film that has grown on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.inversion import BUDGET_COLOR
from colorread.errors import Refusal
from colorread.fluid.find import require_enough_pixels
from colorread.reading.pipeline import read_photo
from colorread.result import Reading
from tests.scene import Scene, take_photo

CARD = Scene()
TAG = Scene(behind="tag", center_mm=(26.0, 38.0), radius_mm=6.0, card_width_px=340.0)
BOTH = pytest.mark.parametrize("scene", [CARD, TAG], ids=["card", "tag"])


def reading_of(scene: Scene) -> Reading:
    return read_photo(take_photo(scene).rgb_u8)


@BOTH
@pytest.mark.parametrize(("ph", "paper_lin"), [(6.8, 1.15), (7.2, 1.3)])
def test_paper_that_is_cut_off_is_told_by_the_grays(scene: Scene, ph: float, paper_lin: float) -> None:
    photo = take_photo(replace(scene, ph=ph, paper_lin=paper_lin)).rgb_u8
    assert np.mean(photo == 255) > 0.1
    reading = read_photo(photo)
    assert reading.ph.value == pytest.approx(ph, abs=0.08)  # measured: 0.04 at most
    assert "clipped" in reading.flags


@BOTH
def test_cut_off_paper_is_known_though_haze_lifts_a_part_of_it_above_the_rest(scene: Scene) -> None:
    photo = take_photo(replace(scene, paper_lin=1.3)).rgb_u8
    haze = np.linspace(0.0, 16.0, photo.shape[1])[:, None] - 6.0  # from the left to the right
    lifted = np.minimum(photo, 247) + np.maximum(haze, 0.0)
    reading = read_photo(np.round(lifted).astype(np.uint8))
    assert "clipped" in reading.flags
    assert reading.ph.high == pytest.approx(6.95, abs=0.1)  # 5 % above the true pH of 6.8; the fluid is cut off too


@BOTH
def test_fluid_that_is_cut_off_itself_is_refused(scene: Scene) -> None:
    reading = reading_of(replace(scene, paper_lin=4.0))
    assert reading.reason.code == "overexposed"


@BOTH
def test_a_little_film_widens_and_is_told(scene: Scene) -> None:
    clean, dirty = (reading_of(replace(scene, film=film)) for film in (0.0, 0.3))
    assert "dirty" not in clean.flags
    assert "dirty" in dirty.flags
    assert dirty.ph.value == pytest.approx(6.8, abs=0.15)
    assert clean.budget[BUDGET_COLOR] < dirty.budget[BUDGET_COLOR]


@pytest.mark.parametrize(("scene", "film"), [(CARD, 1.2), (TAG, 0.8)], ids=["card", "tag"])
def test_much_film_is_refused_by_name(scene: Scene, film: float) -> None:
    reading = reading_of(replace(scene, film=film))
    assert reading.reason.code == "overgrown"
    assert scene.behind in reading.reason.message


@BOTH
def test_lens_glare_and_a_yellow_lamp_are_no_film(scene: Scene) -> None:
    glare = reading_of(replace(scene, glare=0.08))
    assert glare.status == "read"
    assert "dirty" not in glare.flags
    lamp = reading_of(replace(scene, balance_error=(1.0, 0.15)))
    assert lamp.reason.code == "colored-light"


@BOTH
@pytest.mark.parametrize(
    "change", [{"film": 0.6}, {"balance_error": (1.0, 0.3)}, {"balance_error": (0.4, 0.9)}], ids=str
)
def test_paper_of_any_tint_but_blue_is_read(scene: Scene, change: dict[str, Any]) -> None:
    reading = reading_of(replace(scene, **change))
    assert reading.ph.low < 6.8 < reading.ph.high


@BOTH
def test_paper_under_a_blue_lamp_is_refused(scene: Scene) -> None:
    assert reading_of(replace(scene, balance_error=(1.0, 2.2), paper_lin=0.35)).reason.code == "colored-light"


def test_fluid_of_too_few_pixels_tells_how_much_nearer_to_go() -> None:
    require_enough_pixels(100.0, 1.6, 1000.0)
    with pytest.raises(Refusal) as far:
        require_enough_pixels(100.0, 1.5, 1000.0)
    with pytest.raises(Refusal) as further:
        require_enough_pixels(100.0, 0.5, 3000.0)
    assert far.value.reason.code == "small-vial"
    assert "one small step." in far.value.reason.next_step
    assert "five small steps." in further.value.reason.next_step
