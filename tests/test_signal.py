"""The color of the fluid against the paper around it, on views made for the purpose."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.color_space import ToneFit, decode_tone
from calibration.reference import Reference, load_card
from colorread.errors import Refusal
from colorread.fluid.find import VialFit, color_map, find_vial
from colorread.fluid.signal import FluidSignal, measure_fluid
from colorread.reference.balance import NEVER_CUT_OFF, Balance
from colorread.reference.plane import CardView, PlaneMap

PX_PER_MM = 4.0
SHAPE = round(77.0 * PX_PER_MM), round(108.0 * PX_PER_MM)
MIDDLE_MM = (52.0, 37.0)
DY_PX, DX_PX = np.mgrid[: SHAPE[0], : SHAPE[1]] - np.array([(mm + 1.5) * PX_PER_MM for mm in MIDDLE_MM[::-1]]).reshape(
    2, 1, 1
)
FLUID = np.hypot(DX_PX, DY_PX) < 7.0 * PX_PER_MM


def measured(
    paper_lin: NDArray[np.float64],
    card: Reference,
    noise: float,
    *,
    tone_std: float = 0.05,
    is_print: bool = False,
    gathered: float = 0.0,
    ceiling_u8: float = NEVER_CUT_OFF,
) -> FluidSignal:
    """
    Measure a round fluid before paper of this light, shape (H, W, 3), where a flat 0.5 is expected.

    Its vial makes it brighter by `gathered` [log10], and the photo is cut off a little above `ceiling_u8`.
    """
    light = paper_lin.copy()
    thickness = np.sqrt(np.maximum(1.0 - np.hypot(DX_PX, DY_PX)[FLUID] / (7.5 * PX_PER_MM), 0.0))
    if is_print:
        thickness = np.random.default_rng(4).normal(1.4, 0.02, thickness.shape)
    light[FLUID] = 0.5 * 10.0 ** (gathered - thickness[:, None] * (0.5, 0.3, 0.3))
    encoded = 1.055 * light ** (1.0 / 2.4) - 0.055  # IEC 61966-2-1:1999
    view = CardView(
        card=card,
        rgb_u8=np.minimum(np.rint(255.0 * encoded), ceiling_u8 + 2.0).astype(np.uint8),
        seen=np.ones(SHAPE, bool),
        plane=PlaneMap(homography=np.eye(3)),
    )
    flat = np.full((*SHAPE, 3), 0.5, np.float32)
    decoded, steeper = (decode_tone(np.arange(256) / 255.0, strength) for strength in (0.0, tone_std))
    balance = Balance(
        tone=ToneFit(strength=0.0, strength_std=tone_std),
        decoded=decoded,
        steeper=steeper,
        rgb_lin=light.astype(np.float32),
        paper_lin=flat,
        chroma_std=noise,
        ceiling=np.full(3, ceiling_u8),
        hidden=np.zeros_like(flat),
        film=0.0,
    )
    outline = max(cv2.findContours(FLUID.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    vial = VialFit(mask=FLUID, outline_px=outline[:, 0].astype(float), area_mm2=150.0)
    return measure_fluid(view, balance, color_map(balance.rgb_lin, flat, noise), vial, "srgb")


def test_fluid_cut_off_where_its_paper_is_not_may_be_any_brighter() -> None:
    paper = np.full((*SHAPE, 3), 0.5)
    whole = measured(paper, load_card(), noise=0.01, gathered=0.2).samples
    cut = measured(paper, load_card(), noise=0.01, gathered=0.2, ceiling_u8=196.0)  # the paper has code 188
    assert np.abs(cut.samples.density - whole.density).max() > 0.05
    assert (np.abs(cut.samples.density - whole.density) < 2.0 * cut.samples.density_std + 0.01).all()
    assert cut.samples.density_std.max() > 5.0 * whole.density_std.max()
    assert "clipped" in cut.flags


def red_std_under_a_tint_that_the_field_misses(direction_deg: float) -> float:
    """Return the uncertainty in red of the fluid, where the paper turns from reddish to bluish across it."""
    turn = np.radians(direction_deg)
    tint = np.clip((DX_PX * np.cos(turn) + DY_PX * np.sin(turn)) / (20.0 * PX_PER_MM), -1.0, 1.0)
    paper = np.full((*SHAPE, 3), 0.5)
    paper[..., (0, 2)] *= 10.0 ** (0.05 * tint[..., None] * (1.0, -1.0))
    return float(measured(paper, load_card(), noise=0.5).samples.density_std[:, 0].mean())


@pytest.mark.parametrize("direction_deg", [45.0, 90.0, 200.0])
def test_light_from_any_side_counts_alike(direction_deg: float) -> None:
    from_the_left = red_std_under_a_tint_that_the_field_misses(0.0)
    assert from_the_left > 0.01
    assert red_std_under_a_tint_that_the_field_misses(direction_deg) == pytest.approx(from_the_left, rel=0.25)


def test_paper_is_looked_for_in_the_window_of_the_card_at_hand() -> None:
    # Prints beside the fluid, which a card with a narrower window has there.
    paper = 0.5 + np.random.default_rng(3).normal(0.0, 0.01, (*SHAPE, 3))
    is_beside = np.broadcast_to(DX_PX > 9.0 * PX_PER_MM, SHAPE)
    paper[is_beside & (DY_PX > 0)] = (0.9, 0.5, 0.5)
    paper[is_beside & (DY_PX <= 0)] = (0.5, 0.9, 0.9)
    card = load_card()
    narrow = replace(card, blank=replace(card.blank, width_mm=MIDDLE_MM[0] + 9.0 - card.blank.x_mm))
    assert "mixed-light" in measured(paper, card, noise=0.001).flags
    assert "mixed-light" not in measured(paper, narrow, noise=0.001).flags


def test_light_that_the_fluid_tints_is_not_a_second_lamp() -> None:
    one_side = np.full((*SHAPE, 3), 0.5)
    one_side[:, DX_PX[0] > 9.0 * PX_PER_MM] = (0.4, 0.5, 0.3)
    both_sides = one_side.copy()
    both_sides[:, DX_PX[0] < -9.0 * PX_PER_MM] = (0.6, 0.5, 0.6)
    one, both = (measured(paper, load_card(), noise=0.01) for paper in (one_side, both_sides))
    assert "mixed-light" not in one.flags
    assert "mixed-light" in both.flags
    assert (both.samples.density_std[:, (0, 2)] > 2.0 * one.samples.density_std[:, (0, 2)]).all()


def test_contrast_is_called_uncertain_only_where_the_grays_told_next_to_nothing() -> None:
    paper = 0.5 + np.random.default_rng(3).normal(0.0, 0.01, (*SHAPE, 3))
    # Grays that are all free tell it within 0.06 to 0.19 on rendered photos; without any it is 0.25.
    flags = {std: measured(paper, load_card(), noise=0.01, tone_std=std).flags for std in (0.19, 0.25)}
    assert "tone-uncertain" not in flags[0.19]
    assert "tone-uncertain" in flags[0.25]


def test_only_what_lies_in_front_of_bare_paper_is_fluid(monkeypatch: pytest.MonkeyPatch) -> None:
    flat = np.full((*SHAPE, 3), 0.5, np.float32)
    view = CardView(
        card=load_card(),
        rgb_u8=np.full((*SHAPE, 3), 188, np.uint8),
        seen=np.ones(SHAPE, bool),
        plane=PlaneMap(homography=np.eye(3)),
    )
    found = []
    for up_mm in (0.0, 20.0, 30.0):  # in the window, half over the upper row of grays, on that row
        disc = np.hypot(DX_PX, DY_PX + up_mm * PX_PER_MM) < 5.0 * PX_PER_MM
        monkeypatch.setattr("colorread.fluid.find._pixel_classes", lambda *_, disc=disc: disc.astype(np.uint8))
        found.append(len(find_vial(view, color_map(flat, flat, 0.01))))
    assert found == [1, 1, 0]


def test_a_print_of_one_depth_of_color_is_no_fluid() -> None:
    with pytest.raises(Refusal) as refused:
        measured(np.full((*SHAPE, 3), 0.5), load_card(), noise=0.01, is_print=True)
    assert refused.value.reason.code == "not-a-vial"
