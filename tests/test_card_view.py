from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.reference import load_card
from colorread.photo.load import CloseUp
from colorread.reference.plane import PlaneMap, ReferenceFit, view_card


@pytest.mark.parametrize("offset_px", [300.0, 4.0], ids=["with room around", "at the edge of the photo"])
def test_what_the_view_shows_is_smoothed_as_if_all_of_the_photo_were(
    monkeypatch: pytest.MonkeyPatch, offset_px: float
) -> None:
    rgb_u8 = np.random.default_rng(3).integers(0, 256, (1200, 1700, 3), dtype=np.uint8)
    plane = PlaneMap(homography=np.array([(9.0, 0.8, offset_px), (-0.3, 8.6, offset_px + 40.0), (1e-4, 2e-4, 1.0)]))
    card = load_card()
    corners_px = plane.px_from_mm(card.outline.corners_mm)
    fit = ReferenceFit(
        reference=card, plane=plane, corners_px=corners_px, tilt_deg=5.0, px_per_mm=8.8, distance_mm=200.0, flags=()
    )
    seen = view_card(CloseUp(rgb_u8=rgb_u8), fit).rgb_u8

    def everything(_: NDArray[np.float32], blur_px: float) -> slice:
        assert blur_px > 0.0
        return slice(0, 10_000)

    monkeypatch.setattr("colorread.reference.plane._around", everything)
    np.testing.assert_array_equal(seen, view_card(CloseUp(rgb_u8=rgb_u8), fit).rgb_u8)
