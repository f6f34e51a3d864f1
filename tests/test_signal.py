"""The color of the fluid against the paper around it, on views made for the purpose."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.card import load_card
from calibration.tone import ToneFit
from colorread.balance import PaperField
from colorread.card.view import CardView
from colorread.signal import measure_fluid
from colorread.vial.color import color_map
from colorread.vial.outline import VialFit

PX_PER_MM = 4.0
MIDDLE_MM = (52.0, 37.0)
TONE = ToneFit(strength=0.0, strength_std=0.05)


def red_std_under_a_tint_that_the_field_misses(direction_deg: float) -> float:
    """Return the uncertainty in red of the fluid, where the paper turns from reddish to bluish across it."""
    height, width = round(77.0 * PX_PER_MM), round(108.0 * PX_PER_MM)
    x_px, y_px = ((mm + 1.5) * PX_PER_MM for mm in MIDDLE_MM)
    dy, dx = np.mgrid[0:height, 0:width] - np.array([y_px, x_px]).reshape(2, 1, 1)
    turn = np.radians(direction_deg)
    tint = np.clip((dx * np.cos(turn) + dy * np.sin(turn)) / (20.0 * PX_PER_MM), -1.0, 1.0)
    fluid = np.hypot(dx, dy) < 7.0 * PX_PER_MM
    light = np.full((height, width, 3), 0.5)
    light[..., (0, 2)] *= 10.0 ** (0.05 * tint[..., None] * (1.0, -1.0))
    thickness = np.sqrt(np.maximum(1.0 - np.hypot(dx, dy)[fluid] / (7.5 * PX_PER_MM), 0.0))
    light[fluid] = 0.5 * 10.0 ** (-thickness[:, None] * (0.5, 0.3, 0.3))
    encoded = 1.055 * light ** (1.0 / 2.4) - 0.055  # IEC 61966-2-1:1999
    rgb_u8 = np.rint(255.0 * encoded).astype(np.uint8)
    view = CardView(
        card=load_card(),
        rgb_u8=rgb_u8,
        seen=np.ones((height, width), bool),
        px_per_mm=PX_PER_MM,
        photo_from_view=np.eye(3),
    )
    flat = np.full((height, width, 3), 0.5, np.float32)
    outline = max(cv2.findContours(fluid.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    vial = VialFit(mask=fluid, outline_px=outline[:, 0].astype(float), area_mm2=150.0)
    colors = color_map(light.astype(np.float32), flat, 0.5, PX_PER_MM)
    signal = measure_fluid(view, colors, vial, PaperField(rgb_lin=flat, chroma_std=0.5), TONE)
    return float(signal.samples.density_std[:, 0].mean())


@pytest.mark.parametrize("direction_deg", [45.0, 90.0, 200.0])
def test_light_from_any_side_counts_alike(direction_deg: float) -> None:
    from_the_left = red_std_under_a_tint_that_the_field_misses(0.0)
    assert from_the_left > 0.01
    assert red_std_under_a_tint_that_the_field_misses(direction_deg) == pytest.approx(from_the_left, rel=0.25)
