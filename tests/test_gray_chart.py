"""Balancing real photos of a gray row, license in data/README.md: a gray must come out neutral under any lamp."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.color_space import decode_tone
from colorread.fluid.find import color_map

DATA = Path(__file__).parent / "data"
# Centers of the patches from the lightest that is not clipped to the last but one, read off the pictures [px]; the
# white one under the warm lamp is clipped in red, and the black ones are too dark to tell.
CENTERS = {"gray_row_warm.png": (95, 157, 221, 283), "gray_row_window.png": (30, 93, 152, 217, 281)}


@pytest.mark.parametrize("name", CENTERS)
def test_grays_of_a_real_chart_are_neutral_against_its_lightest(name: str) -> None:
    rgb_u8 = np.asarray(Image.open(DATA / name).convert("RGB"))
    rgb_lin = decode_tone(rgb_u8 / 255.0, 0.0).astype(np.float32)
    lightest = np.median(patch(rgb_lin, CENTERS[name][0]), axis=(0, 1))
    paper = np.broadcast_to(lightest, rgb_lin.shape).astype(np.float32)
    chroma = color_map(rgb_lin, paper, 0.0).chroma
    # The light is far from white: without balance every patch would look orange.
    assert np.log10(lightest[0] / lightest[2]) > 0.5
    for center in CENTERS[name][1:]:
        seen = np.median(patch(chroma, center), axis=(0, 1))
        assert np.abs(seen).max() < 0.05, f"patch at {center}"


def patch(picture: np.ndarray, center: int) -> np.ndarray:
    middle = picture.shape[0] // 2
    return picture[middle - 8 : middle + 8, center - 12 : center + 12]
