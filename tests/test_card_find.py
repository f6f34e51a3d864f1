from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from colorread.errors import Refusal
from colorread.reference.find import find_references
from tests import scene

PHOTO_SIZE = (2016, 1512)  # width, height
PRINT_PX_PER_MM = 16
N_WATER = 1.333


@dataclass(frozen=True, eq=False)
class Print:
    """A card or tag as a picture, drawn from its geometry alone."""

    name: str
    picture: np.ndarray

    @property
    def geometry(self):
        return scene.GEOMETRY[self.name]

    @property
    def size_mm(self):
        return self.geometry["size"]

    @property
    def outline_mm(self):
        width, height = self.size_mm
        return np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=float)

    @property
    def ids(self):
        return tuple(int(marker_id) for marker_id in self.geometry["markers"])

    def marker_mm(self, marker_id, rim_mm=0.0):
        x, y = self.geometry["markers"][str(marker_id)]
        far = self.geometry["marker_side"] + rim_mm
        return np.array([(x - rim_mm, y - rim_mm), (x + far, y - rim_mm), (x + far, y + far), (x - rim_mm, y + far)])


def printed(name):
    light = scene._print_card(True, name, PRINT_PX_PER_MM)
    return Print(name, np.rint(np.interp(light, (light.min(), light.max()), (25, 235))).astype(np.uint8))


PRINTS = {name: printed(name) for name in ("card", "tag")}
CARD, TAG = PRINTS.values()
each = pytest.mark.parametrize("name", PRINTS)


def find_one(rgb_u8):
    (fit,) = find_references(rgb_u8)
    return fit


def view(
    of=CARD, *, roll_deg=0.0, tilt_deg=0.0, tilt_axis_deg=0.0, width_px=900.0, shift_px=(0.0, 0.0), size=PHOTO_SIZE
):
    """Map from print to photo, its middle moved from that of the photo."""
    pose = {"roll_deg": roll_deg, "tilt_deg": tilt_deg, "tilt_axis_deg": tilt_axis_deg}
    seen = scene.Scene(behind=of.name, card_width_px=width_px, size_px=size, **pose)
    return np.array([(1, 0, shift_px[0]), (0, 1, shift_px[1]), (0, 0, 1)]) @ scene._photo_from_mm(seen)


def project(homography, xy_mm):
    return scene._project(homography, np.reshape(xy_mm, (-1, 2)))


@cache
def table(size):
    """Gray levels of a table with grain from coarse to fine, of the contrast of a card."""
    rng = np.random.default_rng(4)
    grains = (rng.normal(0, 30, (size[1] // step, size[0] // step)).astype(np.float32) for step in (160, 40, 10))
    grain = sum(cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC) for coarse in grains)
    return np.clip(110 + grain, 0, 255).astype(np.uint8)


def photograph(homography, of=CARD, *, size=PHOTO_SIZE, sigma_px=1.0):
    """A gray photo, uint8, of the print on a table, seen through a map from print to photo."""
    # Antialias: blur the print so that it is sampled finely enough. First pixel's middle is (0, 0) throughout.
    width_px = np.linalg.norm(np.diff(project(homography, of.outline_mm[:2]), axis=0))
    shrink = PRINT_PX_PER_MM * of.size_mm[0] / width_px
    smooth = cv2.GaussianBlur(of.picture, (0, 0), max(0.5, 0.4 * shrink))
    to_print = np.array([(PRINT_PX_PER_MM, 0, -0.5), (0, PRINT_PX_PER_MM, -0.5), (0, 0, 1)])
    photo = cv2.warpPerspective(
        smooth,
        homography @ np.linalg.inv(to_print),
        size,
        dst=table(size).copy(),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    return cv2.GaussianBlur(photo, (0, 0), sigma_px)


def rgb_of(gray):
    return np.repeat(np.clip(gray, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def corner_error_mm(fit, homography, of=CARD):
    """Largest distance of a corner of the print from where it is, on the print."""
    seen_mm = project(np.linalg.inv(homography), fit.corners_px)
    return np.linalg.norm(seen_mm - of.outline_mm, axis=1).max()


def cover(photo, homography, marker_id, of=CARD, level=180):
    quad = np.round(project(homography, of.marker_mm(marker_id, 1.0))).astype(np.int32)
    return cv2.fillConvexPoly(photo.copy(), quad, level)


@each
@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    roll_deg=st.floats(-180, 180) | st.sampled_from((-90, 90, 180)),
    tilt_deg=st.floats(0, 30),
    tilt_axis_deg=st.floats(0, 360),
    share=st.floats(0, 1),
)
def test_found_at_any_rotation_and_tilt(name, roll_deg, tilt_deg, tilt_axis_deg, share):
    of = PRINTS[name]
    nearest, farthest = {"card": (1100, 400), "tag": (800, 260)}[name]
    width_px = farthest + share * (nearest - farthest)
    homography = view(of, roll_deg=roll_deg, tilt_deg=tilt_deg, tilt_axis_deg=tilt_axis_deg, width_px=width_px)
    fit = find_one(rgb_of(photograph(homography, of)))
    assert fit.reference.name == name
    assert corner_error_mm(fit, homography, of) < 0.09
    assert fit.flags == ()
    assert fit.tilt_deg == pytest.approx(tilt_deg, abs=2.0)


@each
@settings(max_examples=10, deadline=None, derandomize=True)
@given(
    roll_deg=st.floats(-180, 180), tilt_deg=st.floats(0, 25), tilt_axis_deg=st.floats(0, 360), hidden=st.integers(0, 3)
)
def test_one_hidden_marker_does_not_matter_at_any_rotation_and_tilt(name, roll_deg, tilt_deg, tilt_axis_deg, hidden):
    of = PRINTS[name]
    homography = view(of, roll_deg=roll_deg, tilt_deg=tilt_deg, tilt_axis_deg=tilt_axis_deg, width_px=500)
    photo = cover(photograph(homography, of), homography, of.ids[hidden], of)
    fit = find_one(rgb_of(photo))
    assert fit.reference.name == name
    assert fit.flags == ("marker-missing",)
    assert corner_error_mm(fit, homography, of) < 0.25  # of the corner without a marker


def refracted_mm(px, of, *, size, tilt_deg, tilt_axis_deg, air_mm, water_mm):
    """Where rays of a camera through a flat pane and water meet a print behind it that is parallel to it."""
    focal_px = 26 / 43.3 * np.hypot(*size)
    axis = np.radians(tilt_axis_deg)
    turn, _ = cv2.Rodrigues(np.array([np.cos(axis), np.sin(axis), 0.0]) * np.radians(tilt_deg))
    middle_px = (np.array(size) - 1) / 2
    rays = np.concatenate([(px - middle_px) / focal_px, np.ones((*px.shape[:-1], 1))], axis=-1) @ turn.T

    def reach_mm(rays):
        aside = np.linalg.norm(rays[..., :2], axis=-1, keepdims=True)
        angle = np.arctan(aside / rays[..., 2:])
        length_mm = air_mm * np.tan(angle) + water_mm * np.tan(np.arcsin(np.sin(angle) / N_WATER))
        return rays[..., :2] / np.maximum(aside, 1e-12) * length_mm

    return np.array(of.size_mm) / 2 + reach_mm(rays) - reach_mm(turn[:, 2])


@each
@pytest.mark.parametrize("tilt_deg", [3.0, 20.0])
def test_a_flat_print_under_water_is_found_where_it_is_and_not_taken_for_bent(name, tilt_deg):
    of, seen = PRINTS[name], {"tilt_deg": tilt_deg, "tilt_axis_deg": 60.0, "air_mm": 90.0, "water_mm": 90.0}
    columns, rows = np.meshgrid(np.arange(PHOTO_SIZE[0]), np.arange(PHOTO_SIZE[1]))
    at_mm = refracted_mm(np.stack([columns, rows], axis=-1).astype(float), of, size=PHOTO_SIZE, **seen)
    at_px = (at_mm * PRINT_PX_PER_MM - 0.5).astype(np.float32)
    whole = cv2.GaussianBlur(of.picture, (0, 0), 1.0)
    one_hidden = whole.copy()
    x, y = (round(edge * PRINT_PX_PER_MM) for edge in of.marker_mm(of.ids[0])[0])
    one_hidden[y : y + 12 * PRINT_PX_PER_MM, x : x + 12 * PRINT_PX_PER_MM] = 180
    for picture, within_mm in ((whole, 0.12), (one_hidden, 0.35)):
        photo = cv2.remap(picture, at_px[..., 0], at_px[..., 1], cv2.INTER_LINEAR, borderValue=120)
        fit = find_one(rgb_of(photo))
        assert "card-bent" not in fit.flags
        corners_mm = refracted_mm(fit.corners_px, of, size=PHOTO_SIZE, **seen)
        assert np.linalg.norm(corners_mm - of.outline_mm, axis=1).max() < within_mm
        points_mm = np.random.default_rng(5).uniform((0, 0), of.size_mm, (50, 2))
        points_px = fit.plane.px_from_mm(points_mm)
        assert fit.plane.mm_from_px(points_px) == pytest.approx(points_mm, abs=1e-9)
        assert np.linalg.norm(refracted_mm(points_px, of, size=PHOTO_SIZE, **seen) - points_mm, axis=1).max() < 0.3


def test_maps_between_card_and_photo_agree_with_the_scene():
    homography = view(roll_deg=20, tilt_deg=15, tilt_axis_deg=50)
    fit = find_one(rgb_of(photograph(homography)))
    points_mm = np.array([[(20.0, 18.0), (85.0, 18.0)], [(52.5, 37.0), (20.0, 56.0)]])
    points_px = fit.plane.px_from_mm(points_mm)
    assert points_px.shape == (2, 2, 2)
    assert points_px.reshape(-1, 2) == pytest.approx(project(homography, points_mm), abs=0.5)
    assert fit.plane.mm_from_px(points_px) == pytest.approx(points_mm, abs=1e-9)
    area_px = cv2.contourArea(project(homography, CARD.outline_mm).astype(np.float32))
    assert fit.px_per_mm == pytest.approx(np.sqrt(area_px / (105 * 74)), rel=0.002)


@pytest.mark.parametrize(("name", "place"), [("card", 0), ("card", 1), ("tag", 2), ("tag", 3)])
def test_one_marker_cut_by_the_edge_of_the_photo_does_not_matter(name, place):
    of = PRINTS[name]
    marker_id = of.ids[place]  # top left, top right, bottom right, bottom left
    roll_deg = 45 if place in (0, 2) else -45  # so that the corner meets the edge by itself
    homography = view(of, roll_deg=roll_deg, tilt_deg=10, width_px=0.55 * 1400 * of.size_mm[0] / max(of.size_mm))
    photo = photograph(homography, of)
    row = round(project(homography, [of.marker_mm(marker_id).mean(axis=0)])[0, 1])
    from_row = row if place in (0, 1) else 0
    cut = photo[row:] if from_row else photo[:row]
    moved = np.array([(1, 0, 0), (0, 1, -from_row), (0, 0, 1)]) @ homography
    fit = find_one(rgb_of(cut))
    assert set(fit.flags) == {"marker-missing", "card-cut-off"}
    assert corner_error_mm(fit, moved, of) < 0.25


@each
def test_two_markers_of_a_print_that_is_cut_off_are_too_little(name):
    of = PRINTS[name]
    homography = view(of, roll_deg=4, width_px=700)
    photo = photograph(homography, of)
    column = round(project(homography, [of.marker_mm(of.ids[1]).mean(axis=0)])[0, 0])
    assert refusal_code(photo[:, :column]) == "card-cut-off"


@pytest.mark.parametrize("hidden", [(17, 23), (17, 31), (17, 23, 31)], ids=str)
def test_fewer_than_three_markers_are_too_little(hidden):
    homography = view(roll_deg=8, tilt_deg=10, tilt_axis_deg=20)
    photo = photograph(homography)
    for marker_id in hidden:
        photo = cover(photo, homography, marker_id)
    assert refusal_code(photo) == "card-hidden"


@pytest.mark.parametrize("marker_id", CARD.ids[::2])
def test_a_marker_off_its_place_is_left_out(marker_id):
    shifted = CARD.picture.copy()
    x, y = (round(v * PRINT_PX_PER_MM) for v in CARD.marker_mm(marker_id, 1.0)[0])
    side, move = round(14 * PRINT_PX_PER_MM), 2 * PRINT_PX_PER_MM
    marker = CARD.picture[y : y + side, x : x + side].copy()
    shifted[y : y + side, x : x + side] = 235
    shifted[y - move : y - move + side, x + move : x + move + side] = marker
    homography = view(roll_deg=5, tilt_deg=10)
    fit = find_one(rgb_of(photograph(homography, replace(CARD, picture=shifted))))
    assert set(fit.flags) == {"marker-missing", "marker-off"}
    assert corner_error_mm(fit, homography) < 0.06


def test_a_bent_card_is_noticed():
    # A cylinder of 2.5 mm sag about the card's upright middle line, seen by a camera 250 mm away.
    width_mm, height_mm = CARD.size_mm
    rows, columns = np.mgrid[0:1512, 0:2016].astype(np.float32)
    x_mm, y_mm = (columns - 1007.5) / 9, (rows - 755.5) / 9
    sag_mm = 2.5 * (1 - (x_mm / (width_mm / 2)) ** 2)
    farther = 1 - sag_mm / 250
    map_x = (x_mm * farther + width_mm / 2) * PRINT_PX_PER_MM - 0.5
    map_y = (y_mm * farther + height_mm / 2) * PRINT_PX_PER_MM - 0.5
    photo = cv2.remap(cv2.GaussianBlur(CARD.picture, (0, 0), 1), map_x, map_y, cv2.INTER_LINEAR, borderValue=120)
    assert "card-bent" in find_one(rgb_of(photo)).flags


def uneven(gray):
    """The photo lit from one side, with a round shadow."""
    light = np.linspace(0.12, 1.0, gray.shape[1])[None, :] * np.ones(gray.shape)
    light[cv2.circle(np.zeros(light.shape, np.uint8), (900, 700), 260, 1, -1) > 0] *= 0.4
    return gray * light


@pytest.mark.parametrize(
    ("gain", "noise"),
    [(1.0, 12.0), (0.1, 1.0), (0.05, 0.8), (1.7, 3.0), (uneven, 0.0)],
    ids=["noisy", "dim", "dark", "over", "uneven"],
)
def test_found_in_bad_light(gain, noise):
    homography = view(roll_deg=-70, tilt_deg=20, tilt_axis_deg=10)
    photo = photograph(homography)
    photo = (gain(photo) if callable(gain) else gain * photo) + np.random.default_rng(20).normal(0, noise, photo.shape)
    fit = find_one(rgb_of(photo))
    assert "two-markers" not in fit.flags
    assert corner_error_mm(fit, homography) < 0.08


def overexposed(of, homography, *, gain, sigma_px):
    """Blurred as light, then overexposed and encoded: every edge of a black square moves inward."""
    light = photograph(homography, of, sigma_px=sigma_px) / 235
    return np.round(255 * np.clip(gain * light, 0, 1) ** (1 / 2.2)).astype(np.uint8)


@pytest.mark.parametrize("hidden", [(), (42,)])
def test_light_that_eats_into_black_squares_does_not_matter(hidden):
    homography = view(roll_deg=25, tilt_deg=20, tilt_axis_deg=40, width_px=700)
    photo = overexposed(CARD, homography, gain=2.5, sigma_px=1.0)
    for marker_id in hidden:
        photo = cover(photo, homography, marker_id, level=255)
    fit = find_one(rgb_of(photo))
    assert ("marker-missing" in fit.flags) == bool(hidden)
    assert "card-bent" not in fit.flags
    assert corner_error_mm(fit, homography) < 0.2


def test_a_small_tag_is_found_though_light_eats_into_its_black_squares():
    homography = view(TAG, roll_deg=7, tilt_deg=8, width_px=230)
    fit = find_one(rgb_of(overexposed(TAG, homography, gain=3.0, sigma_px=1.5)))
    assert fit.flags == ()
    assert corner_error_mm(fit, homography, TAG) < 0.1


@pytest.mark.parametrize(
    ("of", "size", "width_px"),
    [(CARD, (640, 480), 288), (CARD, (4032, 3024), 1814), (CARD, PHOTO_SIZE, 219), (TAG, PHOTO_SIZE, 144)],
    ids=["small photo", "large photo", "far card", "far tag"],
)
def test_neither_the_size_of_the_photo_nor_of_the_print_in_it_matters(of, size, width_px):
    homography = view(of, roll_deg=10, tilt_deg=10, width_px=width_px, size=size)
    fit = find_one(rgb_of(photograph(homography, of, size=size, sigma_px=0.7)))
    assert "marker-missing" not in fit.flags
    assert corner_error_mm(fit, homography, of) < max(0.06, 0.3 / fit.px_per_mm)


def refusal_code(gray):
    with pytest.raises(Refusal, match=r"^[A-Z].*\.$") as caught:
        find_one(rgb_of(gray))
    assert caught.value.reason.next_step.endswith(".")
    return caught.value.reason.code


@pytest.mark.parametrize("size", [(1, 1), (3, 2000), (2000, 3), PHOTO_SIZE])
def test_a_blank_photo_is_refused_whatever_its_size(size):
    assert refusal_code(np.full(size, 90)) == "no-card"


def test_mirrored_card_is_refused():
    assert refusal_code(np.fliplr(photograph(view(roll_deg=20, tilt_deg=15)))) == "card-mirrored"


def side_by_side(left, right):
    return np.where(np.arange(PHOTO_SIZE[0]) < 1008, left, right)


def test_two_cards_and_an_uncut_sheet_of_them_are_refused():
    left = photograph(view(roll_deg=10, width_px=700, shift_px=(-500, 0)))
    right = photograph(view(roll_deg=-15, width_px=700, shift_px=(500, 100)))
    assert refusal_code(side_by_side(left, right)) == "several-cards"
    sheet = np.tile(np.pad(CARD.picture, 40, constant_values=235), (2, 2))
    assert refusal_code(cv2.resize(sheet, (2016, 1447), interpolation=cv2.INTER_AREA)) == "several-cards"


def test_card_and_tag_side_by_side_are_both_found_first_the_one_of_which_more_is_seen():
    card_at = view(roll_deg=10, width_px=700, shift_px=(-500, 0))
    tag_at = view(TAG, roll_deg=-5, tilt_deg=10, width_px=400, shift_px=(500, 100))
    card, tag = photograph(card_at), photograph(tag_at, TAG)
    for photo, names in (
        (side_by_side(cover(card, card_at, CARD.ids[1]), tag), ["tag", "card"]),
        (side_by_side(card, cover(tag, tag_at, TAG.ids[1], TAG)), ["card", "tag"]),
    ):
        fits = find_references(rgb_of(photo))
        assert [fit.reference.name for fit in fits] == names
        at = {"card": (card_at, CARD), "tag": (tag_at, TAG)}
        assert max(corner_error_mm(fit, *at[fit.reference.name]) for fit in fits) < 0.15


def test_two_cards_do_not_hide_a_tag():
    two = side_by_side(
        photograph(view(width_px=500, shift_px=(-600, -300))), photograph(view(width_px=500, shift_px=(500, -300)))
    )
    tag = photograph(view(TAG, width_px=350, shift_px=(0, 400)), TAG)
    photo = np.where(np.arange(PHOTO_SIZE[1])[:, None] < 700, two, tag)
    assert find_one(rgb_of(photo)).reference.name == "tag"


def test_markers_of_another_layout_are_refused():
    photo = np.full((1512, 2016), 200, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for index, marker_id in enumerate(CARD.ids):  # in one row instead of at the corners
        photo[600:720, 300 + 300 * index : 420 + 300 * index] = cv2.aruco.generateImageMarker(
            dictionary, marker_id, 120
        )
    assert refusal_code(photo) == "card-unclear"


@pytest.mark.parametrize("between", [lambda grays: 235, np.fliplr], ids=["none", "from light to dark and back"])
def test_markers_without_rows_of_grays_are_refused(between):
    other = CARD.picture.copy()
    middle = np.s_[:, 20 * PRINT_PX_PER_MM : 85 * PRINT_PX_PER_MM]
    other[middle] = between(other[middle])
    assert refusal_code(photograph(view(tilt_deg=10), of=replace(CARD, picture=other))) == "card-unclear"


def test_window_out_of_the_photo_is_refused():
    homography = view(width_px=900)
    photo = photograph(homography)
    middle = round(project(homography, [(50.0, 37.0)])[0, 0])
    assert refusal_code(photo[:, :middle]) == "card-cut-off"
