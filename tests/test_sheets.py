"""The sheets of cards and of tags as they are printed, against their geometry, read as data."""

from functools import cache

import cv2
import numpy as np
import pytest

from calibration.print_sheets import render_card_sheet, render_tag_sheet
from colorread.reference.find import find_references
from tests.scene import GEOMETRY
from tests.sheets import PAPERS_MM, PX_PER_MM, page_of, rgb_of, uses_only_black_ink

TOLERANCE_MM = 0.2
RENDERED = {"card": (render_card_sheet, 4), "tag": (render_tag_sheet, 6)}  # and how many a sheet has


@pytest.fixture(scope="module", params=RENDERED)
def name(request):
    return request.param


@pytest.fixture(scope="module", params=sorted(PAPERS_MM))
def paper(request):
    return request.param


@pytest.fixture(scope="module")
def data(name, paper):
    return RENDERED[name][0](paper=paper)


@pytest.fixture(scope="module")
def sheet_rgb(data, paper):
    with page_of(data) as page:
        assert np.array(page.get_size()) * 25.4 / 72 == pytest.approx(PAPERS_MM[paper], abs=0.1)
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
def places_mm(markers, name):
    """Where the top-left corner of each print lies on the sheet, as told by its first marker."""
    first, at = next(iter(GEOMETRY[name]["markers"].items()))
    return [corners[0] - at for marker_id, corners in markers if marker_id == int(first)]


def crop(sheet_rgb, place_mm, x, y, width, height, *, trim_mm=0.0):
    left, top = np.add(place_mm, (x + trim_mm, y + trim_mm))
    right, bottom = np.add(place_mm, (x + width - trim_mm, y + height - trim_mm))
    rows = slice(round(top * PX_PER_MM), round(bottom * PX_PER_MM))
    return sheet_rgb[rows, round(left * PX_PER_MM) : round(right * PX_PER_MM)]


@cache
def drawn(name, shape):
    """
    The darkest and the lightest level that each pixel of a print may have, by its geometry alone.

    It is drawn at the pixels' middles; edges may be off by the tolerance, by which the print is trimmed.
    """
    geometry = GEOMETRY[name]
    y, x = ((np.arange(n) + 0.5) / PX_PER_MM + TOLERANCE_MM for n in shape)
    levels = np.full(shape, 255, np.uint8)

    def fill(left, top, width, height, level):
        levels[np.ix_((top <= y) & (y < top + height), (left <= x) & (x < left + width))] = level

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, geometry["marker_dictionary"]))
    cell = geometry["marker_side"] / 6
    for marker_id, (left, top) in geometry["markers"].items():
        for (row, column), level in np.ndenumerate(cv2.aruco.generateImageMarker(dictionary, int(marker_id), 6)):
            fill(left + column * cell, top + row * cell, cell, cell, level)
    for line in (*geometry.get("grey_rows", ()), *geometry.get("grey_columns", ())):
        for at, coverage in enumerate(line["black_coverage"]):
            left, top = (line[axis] if isinstance(line[axis], float) else line[axis][at] for axis in "xy")
            fill(left, top, *geometry["grey_patch"].values(), round(255 * (1 - coverage)))
    bar = geometry["scale_bar"]
    for tick_mm in range(0, round(bar["length"]) + 1, 10):
        if "x" in bar:  # upright, on the card
            fill(bar["x"] - 2, bar["y0"] + tick_mm - 0.3, 4, 0.6, 0)
            fill(bar["x"] - 0.3, bar["y0"], 0.6, bar["length"], 0)
        else:
            fill(bar["x0"] + tick_mm - 0.3, bar["y"] - 1.2, 0.6, 2.4, 0)
            fill(bar["x0"], bar["y"] - 0.3, bar["length"], 0.6, 0)
    if "hole" in geometry:
        hole = geometry["hole"]
        off = np.hypot(*np.meshgrid(x - hole["x"], y - hole["y"])) - hole["diameter"] / 2
        levels[np.abs(off) < 0.1] = 0
    tolerance_px = 2 * round(TOLERANCE_MM * PX_PER_MM) + 1
    around = np.ones((tolerance_px, tolerance_px), np.uint8)
    return cv2.erode(levels, around).astype(int) - 1, cv2.dilate(levels, around).astype(int) + 1


def test_all_markers_lie_in_place_at_true_size(markers, places_mm, name):
    geometry, count = GEOMETRY[name], RENDERED[name][1]
    assert len(places_mm) == count
    assert sorted(marker_id for marker_id, _ in markers) == sorted([*map(int, geometry["markers"])] * count)
    side = geometry["marker_side"]
    for place in places_mm:
        for marker_id, (x, y) in geometry["markers"].items():
            expected = place + np.array([(x, y), (x + side, y), (x + side, y + side), (x, y + side)])
            misses = [np.abs(seen - expected).max() for seen_id, seen in markers if seen_id == int(marker_id)]
            assert min(misses) < TOLERANCE_MM


def test_prints_look_as_drawn_from_the_geometry(sheet_rgb, places_mm, name):
    width, height = GEOMETRY[name]["size"]
    for place in places_mm:
        printed = crop(sheet_rgb, place, 0, 0, width, height, trim_mm=TOLERANCE_MM)
        assert np.ptp(printed, axis=2).max() == 0  # no color
        darkest, lightest = drawn(name, printed.shape[:2])
        assert (darkest <= printed[..., 0]).all()
        assert (printed[..., 0] <= lightest).all()
        if name == "tag":  # the line around its hole is thinner than the tolerance
            inked = crop(sheet_rgb, place, 23.5, 2, 5, 5)[..., 0] < 200
            columns = np.flatnonzero(inked.any(axis=0)) / PX_PER_MM + 23.5
            assert (columns.min(), columns.max()) == pytest.approx((24, 28), abs=TOLERANCE_MM)


def test_every_print_is_found(sheet_rgb, places_mm, name):
    width, height = GEOMETRY[name]["size"]
    for place in places_mm:
        (fit,) = find_references(np.ascontiguousarray(crop(sheet_rgb, place, -4, -4, width + 8, height + 8)))
        assert fit.reference.name == name
        assert fit.flags == ()


def test_cut_marks_point_at_all_corners(sheet_rgb, places_mm, name):
    width, height = GEOMETRY[name]["size"]
    for place in places_mm:
        for x, outward in ((0, -1), (width, 1)):
            for y in (0, height):
                beside = crop(sheet_rgb, place, x + outward * 1.5 - 0.5, y - TOLERANCE_MM, 1.0, 2 * TOLERANCE_MM)
                assert beside.min(axis=0).max() < 200


def test_only_black_ink_is_used(data):
    assert uses_only_black_ink(data)
