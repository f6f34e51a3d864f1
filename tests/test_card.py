import json
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.card import Rect, load_card

CARD_FILE = Path(__file__).parents[1] / "calibration" / "card.json"
GEOMETRY = json.loads(CARD_FILE.read_text(encoding="utf-8"))
CARD = load_card()
QUIET_MM = GEOMETRY["marker_side"] / 6  # a marker of 4 x 4 bits and a border of one cell asks for one cell of paper


def bounds(rect):
    return rect.x_mm, rect.y_mm, rect.right_mm, rect.bottom_mm


def gap_mm(one, other):
    """Distance of two rectangles along x or y, whichever is larger; negative if they overlap."""
    left, top, right, bottom = bounds(one)
    other_left, other_top, other_right, other_bottom = bounds(other)
    return max(other_left - right, left - other_right, other_top - bottom, top - other_bottom)


PARTS = {
    **{f"marker {marker_id}": rect for marker_id, rect in CARD.markers.items()},
    **{f"patch {index}": patch.rect for index, patch in enumerate(CARD.gray_patches)},
    "window": CARD.vial_window,
}


# The card as published, on A7 paper (ISO 216: 74 mm x 105 mm). Printed cards are about, so none of this may change.


def test_size_is_that_of_a7_paper():
    assert bounds(CARD.outline) == (0, 0, 105, 74)


def test_markers_have_their_published_ids_and_places():
    assert CARD.marker_dictionary == "DICT_4X4_50"
    assert {marker_id: bounds(rect) for marker_id, rect in CARD.markers.items()} == {
        17: (4, 4, 16, 16),
        23: (89, 4, 101, 16),
        31: (89, 58, 101, 70),
        42: (4, 58, 16, 70),
    }


def test_window_has_its_published_place():
    assert bounds(CARD.vial_window) == (20, 18, 85, 56)


def test_patches_have_their_published_places_and_tints():
    left = [21, 29, 37, 45, 53, 61, 69, 77]
    ink = [0, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1]
    upper = [((x, 4, x + 7, 14), share) for x, share in zip(left, ink, strict=True)]
    lower = [((x, 60, x + 7, 70), share) for x, share in zip(left, reversed(ink), strict=True)]
    assert [(bounds(patch.rect), patch.black_coverage) for patch in CARD.gray_patches] == upper + lower


def test_scale_bar_is_30_mm_long():
    assert (CARD.scale_bar.x_mm, CARD.scale_bar.y0_mm, CARD.scale_bar.y1_mm) == (10, 22, 52)
    assert CARD.scale_bar.length_mm == GEOMETRY["scale_bar"]["length"] == 30


# What the finding of the card and the balance rest on, whatever the numbers are.


@pytest.mark.parametrize("name", PARTS)
def test_parts_lie_inside_the_card(name):
    left, top, right, bottom = bounds(PARTS[name])
    assert 0 < left < right < CARD.outline.width_mm
    assert 0 < top < bottom < CARD.outline.height_mm


def test_parts_do_not_overlap():
    for one, other in combinations(PARTS, 2):
        assert gap_mm(PARTS[one], PARTS[other]) > 0, (one, other)


def test_scale_bar_keeps_off_markers_and_window():
    bar = CARD.scale_bar
    reach = 2.3  # half a tick and half a stroke
    for rect in PARTS.values():
        left, top, right, bottom = bounds(rect)
        assert bar.x_mm + reach < left or bar.x_mm - reach > right or bar.y1_mm < top or bar.y0_mm > bottom


def test_markers_have_paper_around_them():
    for marker_id, marker in CARD.markers.items():
        left, top, right, bottom = bounds(marker)
        rim = min(left, top, CARD.outline.width_mm - right, CARD.outline.height_mm - bottom)
        others = [gap_mm(marker, rect) for name, rect in PARTS.items() if name != f"marker {marker_id}"]
        assert min(rim, *others) >= QUIET_MM


def test_marker_ids_are_distinct_and_in_the_dictionary():
    pairs = dict(
        json.loads(CARD_FILE.read_text(encoding="utf-8"), object_pairs_hook=list)
    )  # keeps keys that come twice
    ids = [int(marker_id) for marker_id, _ in pairs["markers"]]
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD.marker_dictionary))
    assert len(ids) == len(set(ids)) == 4
    assert all(0 <= marker_id < len(dictionary.bytesList) for marker_id in ids)


def test_no_marker_can_be_taken_for_another_when_turned():
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD.marker_dictionary))
    bits = {i: cv2.aruco.generateImageMarker(dictionary, i, 6)[1:-1, 1:-1] > 127 for i in CARD.markers}
    turned = [(i, turns, np.rot90(marker, turns)) for i, marker in bits.items() for turns in range(4)]
    for one, marker in bits.items():
        for other, turns, seen in turned:
            if (one, 0) != (other, turns):  # a detector mends some bits of each
                assert np.count_nonzero(marker != seen) > 2 * dictionary.maxCorrectionBits


def test_rows_of_patches_run_in_opposite_order():
    upper, lower = CARD.gray_patches[:8], CARD.gray_patches[8:]
    assert [patch.black_coverage for patch in upper] == [patch.black_coverage for patch in reversed(lower)]
    assert [patch.rect.x_mm for patch in upper] == [patch.rect.x_mm for patch in lower]
    coverages = [patch.black_coverage for patch in upper]
    assert coverages == sorted(set(coverages))
    assert (coverages[0], coverages[-1]) == (0, 1)  # paper and solid black, the two anchors


def test_corners_run_clockwise_from_the_top_left():
    assert CARD.markers[31].corners_mm.tolist() == [[89, 58], [101, 58], [101, 70], [89, 70]]


def test_geometry_is_read_once():
    assert load_card() is CARD


def test_rectangles_grow_and_shrink_by_margins():
    rect = Rect(x_mm=20, y_mm=10, width_mm=8, height_mm=6)
    assert bounds(rect.grown(1)) == (19, 9, 29, 17)
    assert bounds(rect.grown(-1, 2)) == (21, 8, 27, 18)
    assert bounds(rect.grown(1, 2, 3, 4)) == (19, 8, 31, 20)


def test_strips_lie_above_and_below_a_rectangle():
    above, below = Rect(x_mm=20, y_mm=10, width_mm=8, height_mm=6).strips(1, 3)
    assert bounds(above) == (20, 7, 28, 9)
    assert bounds(below) == (20, 17, 28, 19)
