import pytest

from calibration.reference import Rect, load_card, load_tag

CARD, TAG = load_card(), load_tag()
REFERENCES = {reference.name: reference for reference in (CARD, TAG)}
INKS = [0, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1]
each = pytest.mark.parametrize("reference", REFERENCES.values(), ids=REFERENCES)


def bounds(rect):
    return tuple(round(edge, 9) for edge in (rect.x_mm, rect.y_mm, rect.right_mm, rect.bottom_mm))


def gap_mm(one, other):
    """Distance of two rectangles along x or y, whichever is larger; negative if they overlap."""
    left, top, right, bottom = bounds(one)
    other_left, other_top, other_right, other_bottom = bounds(other)
    return max(other_left - right, left - other_right, other_top - bottom, top - other_bottom)


def prints_of(reference):
    return {
        **{f"marker {marker_id}": rect for marker_id, rect in reference.markers.items()},
        **{f"patch {index}": patch.rect for index, patch in enumerate(reference.gray_patches)},
        "scale bar": reference.scale_bar.rect,
        **({} if reference.hole is None else {"hole": reference.hole}),
    }


# Card and tag as published, on A7 and A8 paper (ISO 216: 74 mm x 105 mm, 52 mm x 74 mm). Prints are about, so none of
# this may change.


def test_card_has_its_published_size_and_places():
    assert bounds(CARD.outline) == (0, 0, 105, 74)
    assert CARD.marker_dictionary == "DICT_4X4_50"
    assert {marker_id: bounds(rect) for marker_id, rect in CARD.markers.items()} == {
        17: (4, 4, 16, 16),
        23: (89, 4, 101, 16),
        31: (89, 58, 101, 70),
        42: (4, 58, 16, 70),
    }
    assert bounds(CARD.vial_window) == (20, 18, 85, 56)
    upper = [((x, 4, x + 7, 14), ink) for x, ink in zip(range(21, 78, 8), INKS, strict=True)]
    lower = [((x, 60, x + 7, 70), ink) for x, ink in zip(range(21, 78, 8), INKS[::-1], strict=True)]
    assert [(bounds(patch.rect), patch.black_coverage) for patch in CARD.gray_patches] == upper + lower


def test_tag_has_its_published_size_and_places():
    assert bounds(TAG.outline) == (0, 0, 52, 74)
    assert TAG.marker_dictionary == "DICT_4X4_50"
    assert {marker_id: bounds(rect) for marker_id, rect in TAG.markers.items()} == {
        5: (2.5, 2.5, 11.5, 11.5),
        11: (40.5, 2.5, 49.5, 11.5),
        28: (40.5, 62.5, 49.5, 71.5),
        36: (2.5, 62.5, 11.5, 71.5),
    }
    assert bounds(TAG.vial_window) == (10.5, 13, 41.5, 61)
    assert bounds(TAG.hole) == (24, 2.5, 28, 6.5)  # around (26, 4.5), 4 across


def test_patches_of_the_tag_have_their_published_places_and_inks():
    top = [14 + 5.85 * place for place in range(8)]
    for column, x, inks in zip(TAG.gray_rows, (2.5, 43.5), (INKS, INKS[::-1]), strict=True):
        assert [bounds(patch.rect) for patch in column] == [pytest.approx((x, y, x + 6, y + 5)) for y in top]
        assert [patch.black_coverage for patch in column] == inks


def test_scale_bars_have_their_published_places():
    card, tag = CARD.scale_bar, TAG.scale_bar
    assert (card.line, card.length_mm) == (Rect(10, 22, 0, 30), 30)
    assert (tag.line, tag.length_mm) == (Rect(16, 69, 20, 0), 20)


# What the finding and the balance rest on, whatever the numbers are.


@each
def test_paper_beside_the_patches_and_around_the_window_is_bare(reference):
    whole = bounds(reference.outline)
    for patch in reference.gray_patches:
        assert gap_mm(*patch.paper) > 0
        for paper in patch.paper:
            assert 0.5 <= gap_mm(paper, patch.rect) <= 1
            assert min(paper.width_mm, paper.height_mm) > 1
            assert gap_mm(paper, reference.vial_window) >= -1e-9  # the vial stays clear of it
    for bare in (reference.blank, *(paper for patch in reference.gray_patches for paper in patch.paper)):
        assert all(near <= edge for near, edge in zip(whole[:2], bounds(bare)[:2], strict=True))
        assert all(edge <= far for far, edge in zip(whole[2:], bounds(bare)[2:], strict=True))
        assert all(gap_mm(bare, rect) >= 0.5 for rect in prints_of(reference).values())


@each
def test_what_is_printed_is_told_with_room_around_it(reference):
    for name, rect in prints_of(reference).items():
        assert any(
            gap_mm(around, rect) <= -0.99 - min(rect.width_mm, rect.height_mm) for around in reference.printed
        ), name
