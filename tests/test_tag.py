"""Photos of the vial in front of the tag, and of card and tag together, from the photo to the reading."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray

from colorread.photo.load import CloseUp
from colorread.reading.interpretation import PhotoInputs
from colorread.reading.pipeline import read_photo, read_photo_traced
from colorread.reference.balance import balance_view
from colorread.reference.find import find_references
from colorread.reference.plane import view_card
from colorread.result import Reading
from tests.scene import GEOMETRY, Behind, Scene, Shot, take_photo

TAG = Scene(behind="tag", center_mm=(26.0, 38.0), radius_mm=6.0, card_width_px=340.0)
CARD = Scene()


def assert_reads(reading: Reading, ph: float, behind: Behind) -> None:
    assert reading.reason is None, reading.reason
    assert reading.reference == behind
    # Measured: 0.001 to 0.042. The scene's dye is the one that the reader expects.
    assert reading.ph.value == pytest.approx(ph, abs=0.08)


@pytest.mark.parametrize(
    ("thing", "ph"), [("flat", 6.5), ("sphere", 6.6), ("tube", 6.8), ("sphere", 7.0), ("flat", 7.2)]
)
def test_fluid_in_front_of_the_tag_is_read(thing: str, ph: float) -> None:
    assert_reads(read_photo(take_photo(replace(TAG, thing=thing, ph=ph)).rgb_u8), ph, "tag")


@settings(max_examples=6, deadline=None, derandomize=True)
@given(
    roll_deg=st.floats(-180.0, 180.0) | st.sampled_from((-90.0, 90.0, 180.0)),
    tilt_deg=st.floats(0.0, 25.0),
    tilt_axis_deg=st.floats(0.0, 360.0),
)
def test_pose_of_the_tag_does_not_matter(roll_deg: float, tilt_deg: float, tilt_axis_deg: float) -> None:
    scene = replace(TAG, roll_deg=roll_deg, tilt_deg=tilt_deg, tilt_axis_deg=tilt_axis_deg)
    assert_reads(read_photo(take_photo(scene).rgb_u8), 6.8, "tag")


def behind_leaves(shot: Shot, *leaves: tuple[list[tuple[float, float]], tuple[int, int, int]]) -> Shot:
    """Cover parts of the tag by leaves: outlines in mm and colors."""
    photo = shot.rgb_u8.copy()
    whole_mm = np.array([(0, 0), (52, 0), (52, 74), (0, 74)], np.float32)
    photo_from_mm = cv2.getPerspectiveTransform(whole_mm, shot.card_px.astype(np.float32))
    for leaf_mm, color in leaves:
        leaf_px = cv2.perspectiveTransform(np.array([leaf_mm], np.float32), photo_from_mm)[0]
        cv2.fillConvexPoly(photo, np.rint(leaf_px).astype(np.int32), color)
    return replace(shot, rgb_u8=photo)


@pytest.mark.parametrize("hidden", range(4))
def test_one_hidden_corner_of_the_tag_does_not_matter(hidden: int) -> None:
    x, y = list(GEOMETRY["tag"]["markers"].values())[hidden]
    leaf_mm = [(x - 1, y - 1), (x + 10, y - 1), (x + 10, y + 10), (x - 1, y + 10)]
    reading = read_photo(behind_leaves(take_photo(TAG), (leaf_mm, (40, 90, 30))).rgb_u8)
    assert_reads(reading, 6.8, "tag")
    assert reading.flags == ("marker-missing",)


def photo_of_a_tag_behind_leaves() -> Shot:
    """A photo with a leaf over the marker at the bottom left, and a dark one over a corner of that at the top right."""
    return behind_leaves(
        take_photo(TAG),
        ([(1.5, 61.5), (12.5, 61.5), (12.5, 72.5), (1.5, 72.5)], (40, 90, 30)),
        ([(49.5, 2.5), (50.8, 11.5), (49.5, 11.5)], (12, 14, 12)),
    )


def test_a_leaf_over_one_marker_and_the_corner_of_another_does_not_matter() -> None:
    reading = read_photo(photo_of_a_tag_behind_leaves().rgb_u8)
    assert_reads(reading, 6.8, "tag")
    assert set(reading.flags) == {"marker-missing", "two-markers", "marker-off"}


def test_two_markers_that_agree_are_too_little_for_a_tag_that_is_cut_off() -> None:
    shot = photo_of_a_tag_behind_leaves()
    lower_left_px = shot.card_px[3]
    reading = read_photo(np.ascontiguousarray(shot.rgb_u8[:, round(lower_left_px[0]) + 8 :]))
    assert reading.reason.code == "card-cut-off"


@pytest.mark.parametrize("s_curve", [0.0, 0.3, 0.6])
def test_tone_curve_is_told_by_the_tag_as_by_the_card(s_curve: float) -> None:
    strengths = []
    for scene in (TAG, CARD):
        photo = take_photo(replace(scene, s_curve=s_curve)).rgb_u8
        (fit,) = find_references(photo)
        strengths.append(balance_view(view_card(CloseUp(rgb_u8=photo), fit)).tone.strength)
    assert strengths[0] == pytest.approx(strengths[1], abs=0.06)


def beside(left: Shot, right: Shot) -> NDArray[np.uint8]:
    return np.concatenate([left.rgb_u8, right.rgb_u8], axis=1)


@pytest.mark.parametrize("behind", ["card", "tag"])
def test_of_card_and_tag_the_one_behind_the_fluid_counts(behind: Behind) -> None:
    tag, card = (
        take_photo(scene if scene.behind == behind else replace(scene, thing="nothing")) for scene in (TAG, CARD)
    )
    assert_reads(read_photo(beside(card, tag)), 6.8, behind)
    assert_reads(read_photo(beside(tag, card)), 6.8, behind)


def test_a_tag_without_fluid_tells_its_name_and_why_it_is_refused() -> None:
    reading = read_photo(take_photo(replace(TAG, thing="nothing")).rgb_u8)
    assert reading.reference == "tag"
    assert reading.reason.code == "no-vial"


def test_a_small_tag_in_a_large_photo_is_looked_at_in_full_detail(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("colorread.photo.load._WORKING_SIDE_PX", 240)
    shot = take_photo(replace(TAG, radius_mm=6.0))
    reading, trace = read_photo_traced(shot.rgb_u8, PhotoInputs())
    assert_reads(reading, 6.8, "tag")
    assert trace.used_px is not None
    assert trace.rgb_u8.shape[:2] == (180, 240)
    # All pixels are those of the photo as it was reduced, though the fluid was seen in twice its detail.
    outline_px = ((shot.fluid_px + 0.5) / 4 - 0.5).astype(np.float32)
    inside = [cv2.pointPolygonTest(outline_px[:, None], (float(x), float(y)), False) >= 0 for x, y in trace.used_px]
    assert np.mean(inside) > 0.97
    assert len(trace.used_px) > 1.5 * cv2.contourArea(outline_px)
