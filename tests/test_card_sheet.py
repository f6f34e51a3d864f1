import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.print_sheets import render_card_sheet
from colorread.reference.find import find_references
from tests.sheets import PAPERS_MM, PX_PER_MM, page_of, rgb_of, uses_only_black_ink

GEOMETRY = json.loads((Path(__file__).parents[1] / "calibration" / "card.json").read_text(encoding="utf-8"))
TOLERANCE_MM = 0.2


@pytest.fixture(scope="module", params=sorted(PAPERS_MM))
def paper(request):
    return request.param


@pytest.fixture(scope="module")
def data(paper):
    return render_card_sheet(paper=paper)


@pytest.fixture(scope="module")
def page(data):
    with page_of(data) as page:
        yield page


@pytest.fixture(scope="module")
def sheet_rgb(page):
    return rgb_of(page)


@pytest.fixture(scope="module")
def markers(sheet_rgb):
    """All markers on the sheet as (id, corners in mm from the sheet's top-left corner)."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(sheet_rgb[..., 1])
    # The detector gives the outermost black pixels; their outer edges are half a pixel further out.
    outward = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)])
    return [
        (int(marker_id), (quad[0] + outward + 0.5) / PX_PER_MM)
        for marker_id, quad in zip(ids.ravel(), corners, strict=True)
    ]


@pytest.fixture(scope="module")
def card_places_mm(markers):
    """Where the top-left corner of each card lies on the sheet, as told by marker 17, printed at (4, 4)."""
    return [corners[0] - 4.0 for marker_id, corners in markers if marker_id == 17]


def crop(sheet_rgb, place_mm, x, y, width, height, *, trim_mm=0.0):
    left, top = np.add(place_mm, (x + trim_mm, y + trim_mm))
    right, bottom = np.add(place_mm, (x + width - trim_mm, y + height - trim_mm))
    rows = slice(round(top * PX_PER_MM), round(bottom * PX_PER_MM))
    return sheet_rgb[rows, round(left * PX_PER_MM) : round(right * PX_PER_MM)]


def draw_card(x_mm, y_mm):
    """The card as gray levels at points on a grid, by its geometry alone."""
    x, y = np.meshgrid(x_mm, y_mm)
    levels = np.full(x.shape, 255, np.uint8)

    def fill(left, top, width, height, level):
        levels[(left <= x) & (x < left + width) & (top <= y) & (y < top + height)] = level

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, GEOMETRY["marker_dictionary"]))
    cell = GEOMETRY["marker_side"] / 6
    for marker_id, (left, top) in GEOMETRY["markers"].items():
        for (row, column), level in np.ndenumerate(cv2.aruco.generateImageMarker(dictionary, int(marker_id), 6)):
            fill(left + column * cell, top + row * cell, cell, cell, level)
    for line in GEOMETRY["grey_rows"]:
        for left, coverage in zip(line["x"], line["black_coverage"], strict=True):
            fill(left, line["y"], *GEOMETRY["grey_patch"].values(), round(255 * (1 - coverage)))
    bar = GEOMETRY["scale_bar"]
    fill(bar["x"] - 0.3, bar["y0"], 0.6, bar["length"], 0)
    for tick in range(4):  # each 10 mm, 4 mm wide
        fill(bar["x"] - 2, bar["y0"] + 10 * tick - 0.3, 4, 0.6, 0)
    return levels


def test_page_has_the_paper_size(page, paper):
    points = np.array(page.get_size())
    assert points * 25.4 / 72 == pytest.approx(PAPERS_MM[paper], abs=0.1)


def test_all_markers_lie_in_place_at_true_size(markers, card_places_mm):
    assert len(card_places_mm) == 4
    assert sorted(marker_id for marker_id, _ in markers) == sorted([17, 23, 31, 42] * 4)
    side = GEOMETRY["marker_side"]
    for place in card_places_mm:
        for marker_id, (x, y) in GEOMETRY["markers"].items():
            expected = place + np.array([(x, y), (x + side, y), (x + side, y + side), (x, y + side)])
            misses = [np.abs(seen - expected).max() for seen_id, seen in markers if seen_id == int(marker_id)]
            assert min(misses) < TOLERANCE_MM


def test_cards_look_as_drawn_from_the_geometry(sheet_rgb, card_places_mm):
    width, height = GEOMETRY["size"]
    tolerance_px = 2 * round(TOLERANCE_MM * PX_PER_MM) + 1
    around = np.ones((tolerance_px, tolerance_px), np.uint8)
    for place in card_places_mm:
        printed = crop(sheet_rgb, place, 0, 0, width, height, trim_mm=TOLERANCE_MM)
        assert np.ptp(printed, axis=2).max() == 0  # no color
        # The card drawn at the pixels' middles; edges may be off by the tolerance.
        rows, columns = printed.shape[:2]
        drawn = draw_card(
            (np.arange(columns) + 0.5) / PX_PER_MM + TOLERANCE_MM, (np.arange(rows) + 0.5) / PX_PER_MM + TOLERANCE_MM
        )
        level = printed[..., 0].astype(int)
        assert (level >= cv2.erode(drawn, around).astype(int) - 1).all()
        assert (level <= cv2.dilate(drawn, around).astype(int) + 1).all()


def test_every_card_is_found(sheet_rgb, card_places_mm):
    for place in card_places_mm:
        (fit,) = find_references(np.ascontiguousarray(crop(sheet_rgb, place, -4, -4, 113, 82)))
        assert fit.reference.name == "card"
        assert fit.flags == ()


def test_cut_marks_point_at_all_corners(sheet_rgb, card_places_mm):
    width, height = GEOMETRY["size"]
    for place in card_places_mm:
        for x, outward in ((0, -1), (width, 1)):
            for y in (0, height):
                beside = crop(sheet_rgb, place, x + outward * 1.5 - 0.5, y - TOLERANCE_MM, 1.0, 2 * TOLERANCE_MM)
                assert beside.min(axis=0).max() < 200


def test_only_black_ink_is_used(data):
    assert uses_only_black_ink(data)
