import numpy as np
import pytest

from calibration.print_sheets import render_tag_sheet
from calibration.reference import load_tag
from colorread.reference.find import find_references
from tests.sheets import PAPERS_MM, PX_PER_MM, page_of, rgb_of, uses_only_black_ink

TAG = load_tag()
PITCH_MM = (57.0, 79.0)  # tags of 52 mm x 74 mm, 5 mm apart
PLACES_MM = [(8 + column * PITCH_MM[0], 8 + row * PITCH_MM[1]) for row in range(2) for column in range(3)]


@pytest.fixture(scope="module", params=sorted(PAPERS_MM))
def paper(request):
    return request.param


@pytest.fixture(scope="module")
def data(paper):
    return render_tag_sheet(paper=paper)


@pytest.fixture(scope="module")
def page(data):
    with page_of(data) as page:
        yield page


@pytest.fixture(scope="module")
def sheet_rgb(page):
    return rgb_of(page)


def crop(sheet_rgb, place_mm, x, y, width, height):
    left, top = np.add(place_mm, (x, y))
    rows = slice(round(top * PX_PER_MM), round((top + height) * PX_PER_MM))
    return np.ascontiguousarray(sheet_rgb[rows, round(left * PX_PER_MM) : round((left + width) * PX_PER_MM)])


def test_every_tag_is_found_in_its_place_at_true_size(sheet_rgb, paper):
    assert sheet_rgb.shape[1::-1] == pytest.approx(np.array(PAPERS_MM[paper]) * PX_PER_MM, abs=2)
    for place in PLACES_MM:
        (fit,) = find_references(crop(sheet_rgb, place, -4, -4, 60, 82))
        assert fit.reference.name == "tag"
        assert fit.flags == ()
        corners_mm = (fit.corners_px + 0.5) / PX_PER_MM - 4.0
        assert np.abs(corners_mm - TAG.outline.corners_mm).max() < 0.2


def test_gray_patches_have_their_level_and_paper_beside_them(sheet_rgb):
    for place in PLACES_MM:
        for patch in TAG.gray_patches:
            for rect, coverage in ((patch.inner, patch.black_coverage), *((paper, 0.0) for paper in patch.paper)):
                seen = crop(sheet_rgb, place, rect.x_mm, rect.y_mm, rect.width_mm, rect.height_mm)
                assert np.abs(seen.astype(int) - 255 * (1 - coverage)).max() <= 1


def test_scale_bar_has_its_length(sheet_rgb):
    for place in PLACES_MM:
        # Above the bar only its ticks are met: at 16, 26 and 36 mm.
        row = crop(sheet_rgb, place, 13, 68.2, 26, 0.3)[0, :, 0] < 128
        edges_mm = 13 + np.flatnonzero(np.diff(row.astype(int))) / PX_PER_MM
        assert edges_mm.reshape(-1, 2).mean(axis=1) == pytest.approx([16, 26, 36], abs=0.2)


def test_window_is_blank_and_the_hole_is_marked(sheet_rgb):
    for place in PLACES_MM:
        blank = TAG.blank
        assert crop(sheet_rgb, place, blank.x_mm, blank.y_mm, blank.width_mm, blank.height_mm).min() == 255
        hole = TAG.hole.grown(0.5)
        around = crop(sheet_rgb, place, hole.x_mm, hole.y_mm, hole.width_mm, hole.height_mm)[..., 0] < 200
        columns = np.flatnonzero(around.any(axis=0)) / PX_PER_MM + hole.x_mm
        assert (columns.min(), columns.max()) == pytest.approx((24, 28), abs=0.2)


def test_cut_marks_point_at_all_corners(sheet_rgb):
    for place in PLACES_MM:
        for x, outward in ((0, -1), (52, 1)):
            for y in (0, 74):
                beside = crop(sheet_rgb, place, x + outward * 1.5 - 0.5, y - 0.2, 1.0, 0.4)
                assert beside.min(axis=0).max() < 200


def test_only_black_ink_is_used(data):
    assert uses_only_black_ink(data)
