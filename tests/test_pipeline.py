"""The whole path on photos drawn by tests/scene.py, which knows nothing of the reader, and on the sample photos."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import skimage
from numpy.typing import NDArray

from calibration.inversion import SignalSamples
from calibration.reference import load_card
from colorread import read_photo
from colorread.photo.load import load_photo
from colorread.reading.interpretation import PhotoInputs
from colorread.reading.pipeline import observe_fluid, read_photo_traced
from colorread.reference.find import find_references
from colorread.result import BUDGET_KH, Interval, Reading
from colorread.words.phrases import FLAG_TEXTS
from tests.scene import Scene, Shot, take_photo

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
BASE = Scene()
# CO2 of NaHCO3 water of 4 dKH at 25 C by PHREEQC with phreeqc.dat [mg/kg].
PHREEQC_CO2 = {6.5: 42.77, 6.6: 33.97, 6.8: 21.43, 7.0: 13.51, 7.2: 8.52, 7.4: 5.37}


@cache
def shot_of(scene: Scene) -> Shot:
    shot = take_photo(scene)
    shot.rgb_u8.setflags(write=False)
    return shot


@cache
def reading_of(scene: Scene, **settings: Any) -> Reading:
    return read_photo(shot_of(scene).rgb_u8, **settings)


def value_of(reading: Reading) -> float:
    assert reading.reason is None, reading.reason
    assert reading.ph.value is not None, reading.limit
    return reading.ph.value


def covers(interval: Interval | None, truth: float) -> bool:
    low = -np.inf if interval.low is None else interval.low
    high = np.inf if interval.high is None else interval.high
    return bool(low <= truth <= high)


def assert_refused(reading: Reading, *codes: str) -> None:
    assert reading.status == "refused"
    assert reading.reason.code in codes
    assert reading.reason.message.endswith(".")
    assert reading.reason.next_step.endswith(".")
    numbers = (reading.ph, reading.co2_mg_l, reading.limit, reading.tank_ph, reading.co2_rule_of_thumb_mg_l)
    assert numbers == (None,) * len(numbers)
    assert reading.verdict is None
    assert not reading.budget


# --- the number -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "ph", "bound"),
    [
        # Measured: 0.002 to 0.055, the most at both ends. The scene's dye is the one that the reader expects.
        ({"thing": "flat"}, 6.5, 0.08),
        ({"thing": "sphere"}, 6.6, 0.08),
        ({"thing": "tube"}, 6.8, 0.08),
        ({"thing": "tube"}, 7.2, 0.08),
        ({"thing": "flat"}, 7.4, 0.08),
        ({"load": 0.4}, 7.0, 0.05),
        ({"load": 1.5}, 7.0, 0.05),
        # Measured at most 0.12, under the warm lamp.
        ({"lamp": "warm"}, 6.6, 0.2),
        ({"lamp": "cool-led"}, 7.2, 0.2),
    ],
)
def test_ph_and_co2_are_those_of_the_fluid(changes: dict[str, Any], ph: float, bound: float) -> None:
    reading = reading_of(replace(BASE, ph=ph, **changes))
    assert value_of(reading) == pytest.approx(ph, abs=bound)
    assert covers(reading.ph, ph)
    assert covers(reading.co2_mg_l, PHREEQC_CO2[ph])
    assert 0.3 < reading.ph.high - reading.ph.low < 0.75  # measured 0.36 to 0.63: no better than the dye is known
    assert reading.reference == "card"
    assert set(reading.flags) <= FLAG_TEXTS.keys()
    assert all(std > 0.0 for std in reading.budget.values())


@pytest.mark.parametrize(("ph", "limit"), [(5.6, "below"), (8.2, "above")])
def test_beyond_the_dye_only_one_end_is_known(ph: float, limit: str) -> None:
    reading = reading_of(replace(BASE, ph=ph))
    assert reading.status == "read"
    assert reading.limit == limit
    assert "near-dye-limit" in reading.flags
    assert reading.ph.value is reading.co2_mg_l.value is reading.co2_rule_of_thumb_mg_l is None
    assert covers(reading.ph, ph)
    # An acid fluid has much CO2: the open ends lie on opposite sides.
    assert (reading.ph.low is None, reading.ph.high is None) == (limit == "below", limit == "above")
    assert (reading.co2_mg_l.high is None, reading.co2_mg_l.low is None) == (limit == "below", limit == "above")
    assert (reading.verdict.fish == "act") == (limit == "below")


# --- what must not matter ---------------------------------------------------------------------------------------------


# Bounds are about twice what was measured at pH 6.5, 6.8 and 7.2; half the interval is 0.2.
@pytest.mark.parametrize(
    ("change", "bound"),
    [
        ({"roll_deg": 155.0}, 0.02),
        ({"tilt_deg": 22.0, "tilt_axis_deg": 100.0}, 0.02),
        ({"card_width_px": 960.0, "size_px": (1440, 1080)}, 0.01),
        ({"paper_lin": 0.42}, 0.01),
        ({"paper_lin": 0.78}, 0.03),
        ({"balance_error": (1.2, 0.75), "paper_lin": 0.5}, 0.025),
        ({"balance_error": (0.8, 1.3), "paper_lin": 0.5}, 0.05),
        ({"s_curve": 0.0}, 0.02),
        ({"s_curve": 0.5}, 0.02),
        ({"shading": 0.5, "center_mm": (72.0, 42.0)}, 0.02),
        ({"noise_u8": 4.0}, 0.03),
        ({"radius_mm": 4.5}, 0.015),
        ({"radius_mm": 11.0}, 0.01),
    ],
    ids=str,
)
def test_how_the_photo_is_taken_does_not_matter(change: dict[str, Any], bound: float) -> None:
    scene = replace(BASE, ph=6.6)
    before, after = reading_of(scene), reading_of(replace(scene, **change))
    assert value_of(after) == pytest.approx(value_of(before), abs=bound)
    assert after.ph.low == pytest.approx(before.ph.low, abs=0.05)
    assert after.ph.high == pytest.approx(before.ph.high, abs=0.05)


def test_same_photo_gives_the_same_reading_and_is_not_altered() -> None:
    rgb_u8 = shot_of(BASE).rgb_u8.copy()
    assert read_photo(rgb_u8) == reading_of(BASE)
    assert np.array_equal(rgb_u8, shot_of(BASE).rgb_u8)
    assert value_of(read_photo(rgb_u8 / 255.0)) == pytest.approx(value_of(reading_of(BASE)), abs=1e-9)


def test_evenly_lit_paper_is_not_called_overexposed() -> None:
    scene = replace(BASE, shading=0.0, paper_lin=0.5, noise_u8=0.6)
    assert shot_of(scene).rgb_u8[350:370, 330:420].max() < 210  # bare paper left of the vial
    assert "clipped" not in reading_of(scene).flags


# --- refusals ---------------------------------------------------------------------------------------------------------

REFUSED = {
    "no card": (replace(BASE, has_card=False), ("no-card",)),
    "blank card": (replace(BASE, thing="nothing"), ("no-vial",)),
    "clear water": (replace(BASE, thing="water"), ("no-vial", "faint-color")),
    "dark": (replace(BASE, paper_lin=0.03), ("too-dark",)),
    "overexposed": (replace(BASE, paper_lin=2.5), ("overexposed",)),
    "blue light": (replace(BASE, lamp="blue"), ("colored-light",)),
    "leaf": (replace(BASE, thing="leaf", radius_mm=9.0), ("no-vial",)),
    "small picture": (replace(BASE, thing="print"), ("no-vial",)),
    "large picture": (replace(BASE, thing="print", radius_mm=12.0), ("no-vial", "two-vials")),
    "solid ball": (replace(BASE, thing="disc"), ("no-vial",)),
    "large solid ball": (replace(BASE, thing="disc", radius_mm=11.0), ("no-vial",)),
}


@pytest.mark.parametrize(("scene", "codes"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_read_is_refused(scene: Scene, codes: tuple[str, ...]) -> None:
    reading = reading_of(scene)
    assert_refused(reading, *codes)
    assert reading.vial_outline_px is None
    assert (reading.card_corners_px is None) == (not scene.has_card)


def test_of_two_vials_of_unlike_color_none_is_chosen() -> None:
    places = [replace(BASE, center_mm=(x_mm, 38.0), radius_mm=6.5) for x_mm in (36.0, 68.0)]
    left, right = (shot_of(replace(place, ph=ph)) for place, ph in zip(places, (6.4, 7.2), strict=True))
    photo = np.minimum(left.rgb_u8, right.rgb_u8)  # what either darkens is dark
    reading, trace = read_photo_traced(photo, PhotoInputs())
    assert_refused(reading, "two-vials")
    assert reading.vial_outline_px is None
    # Both are shown, so that they are found without seeing their colors.
    for vial in (left, right):
        found = [overlap(outline, vial.fluid_px, photo.shape[:2]) for outline in trace.vial_outlines_px]
        assert sum(share > 0.7 for share in found) == 1
    assert read_photo(photo, vial_xywh=right.fluid_box()).ph.low > 6.6


def beside_strip(scene: Scene, strip_rgb: tuple[float, float, float], height: float) -> NDArray[np.uint8]:
    """Stick a matt colored strip to the right of the fluid, taller than it by a factor, of sRGB shares of the paper."""
    photo = shot_of(scene).rgb_u8.astype(np.float64)
    left, top, wide, tall = shot_of(scene).fluid_box()
    middle, half, first = top + tall / 2.0, height * tall / 2.0, round(left + wide + 1.0)
    strip = np.s_[round(middle - half) : round(middle + half), first : first + 45]
    paper = np.median(photo[strip].reshape(-1, 3), axis=0)
    photo[strip] = paper * strip_rgb + np.random.default_rng(5).normal(0.0, 1.5, photo[strip].shape)
    return np.clip(np.rint(photo), 0, 255).astype(np.uint8)


# Pale green and pale yellow.
STRIP_GREEN, STRIP_YELLOW = (0.73, 0.86, 0.73), (0.91, 0.90, 0.70)


@pytest.mark.parametrize(("thing", "load"), [("sphere", 0.45), ("sphere", 0.9), ("flat", 0.45)])
def test_a_strip_that_touches_the_vial_is_not_read_in_its_place(thing: Any, load: float) -> None:
    # The strip alone would be read as 6.9, sharper and more even than the fluid of 7.2.
    reading = read_photo(beside_strip(replace(BASE, thing=thing, load=load, ph=7.2), STRIP_GREEN, height=1.4))
    assert reading.status == "refused" or covers(reading.ph, 7.2)


def test_a_small_colored_thing_beside_even_fluid_stops_no_reading() -> None:
    photo = beside_strip(replace(BASE, thing="flat", ph=7.2), STRIP_YELLOW, height=0.5)
    assert covers(read_photo(photo).ph, 7.2)


def test_ordinary_pictures_are_refused() -> None:
    folder = Path(skimage.__file__).parent / "data"
    pictures = sorted(path for path in folder.iterdir() if path.suffix in {".png", ".jpg", ".tif", ".gif"})
    assert len(pictures) >= 15
    for picture in pictures[::4]:  # of people, animals, things, stone, drawings and print
        codes = ("no-card", "card-hidden", "too-small", "not-a-photo", "broken-file")
        assert_refused(read_photo(picture), *codes)


# --- settings ---------------------------------------------------------------------------------------------------------


def test_what_nobody_said_is_assumed() -> None:
    reading = reading_of(BASE)
    assert (reading.kh_dkh, reading.temperature_c, reading.light) == (4.0, 25.0, "unknown")
    assert sorted(reading.assumed) == ["kh", "light", "temperature"]
    assert reading.tank_ph is None
    stated = reading_of(BASE, kh_dkh=4.0, temperature_c=25.0, light="daylight")
    assert (stated.light, stated.assumed) == ("daylight", ())
    assert covers(stated.ph, BASE.ph)
    assert value_of(stated) != value_of(reading)


# 8 over 4 dKH at the same pH by PHREEQC with phreeqc.dat.
PHREEQC_DOUBLE = 42.14 / 21.43


def test_twice_the_kh_is_about_twice_the_co2() -> None:
    single, double = reading_of(BASE, kh_dkh=4.0), reading_of(BASE, kh_dkh=8.0)
    ratio = double.co2_mg_l.value / single.co2_mg_l.value
    assert ratio == pytest.approx(2.0, rel=0.15)
    # What is left is the pH, which moves with the ionic strength and with what is expected beforehand.
    assert ratio * 10.0 ** (value_of(double) - value_of(single)) == pytest.approx(PHREEQC_DOUBLE, rel=0.005)


def test_probe_in_the_tank_shows_a_ph_by_the_kh_of_the_tank() -> None:
    same, higher = reading_of(BASE, tank_kh_dkh=4.0), reading_of(BASE, tank_kh_dkh=8.0)
    assert same.tank_ph.value == pytest.approx(value_of(same), abs=0.001)
    # The same CO2 with so many times the bicarbonate per proton.
    assert higher.tank_ph.value == pytest.approx(value_of(higher) + np.log10(PHREEQC_DOUBLE), abs=0.01)
    assert higher.tank_ph.low < higher.tank_ph.value < higher.tank_ph.high


# 5 % of the KH and 24 umol/L of dye in 356.6 umol/L per dKH: hypot(0.02, 24 / (356.6 KH ln 10)) as pH.
@pytest.mark.parametrize(("kh_dkh", "std_ph"), [(8.0, 0.0203), (0.5, 0.0618)])
def test_dye_makes_a_low_kh_uncertain(kh_dkh: float, std_ph: float) -> None:
    assert reading_of(BASE, kh_dkh=kh_dkh).budget[BUDGET_KH] == pytest.approx(std_ph, abs=2e-4)


def test_tank_water_widens_the_interval_and_says_so() -> None:
    known, tank = (reading_of(BASE, kh_dkh=4.0, fluid=fluid) for fluid in ("reference", "tank-water"))
    assert ["tank-water" in reading.flags for reading in (known, tank)] == [False, True]
    assert tank.co2_mg_l.low < known.co2_mg_l.low < known.co2_mg_l.high < tank.co2_mg_l.high
    assert reading_of(BASE, tank_kh_dkh=6.0, fluid="tank-water").kh_dkh == 6.0


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"kh_dkh": 0.1}, "kh_dkh"),
        ({"kh_dkh": float("nan")}, "kh_dkh"),
        ({"tank_kh_dkh": 99.0}, "tank_kh_dkh"),
        ({"temperature_c": 80.0}, "temperature_c"),
        ({"fluid": "tank-water"}, "KH must be given"),
        ({"fluid": "soup"}, "fluid"),
        ({"light": "moon"}, "lamp|light"),
        ({"vial_xywh": (10.0, 10.0, 0.0, 20.0)}, "rectangle"),
        ({"vial_xywh": (10.0, float("nan"), 10.0, 20.0)}, "rectangle"),
        ({"vial_xywh": (10.0, 10.0, 20.0)}, "rectangle"),
    ],
    ids=str,
)
def test_wrong_arguments_raise(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_photo(np.zeros((400, 400, 3), np.uint8), **settings)  # looked at before the photo


# --- pointing ---------------------------------------------------------------------------------------------------------


def test_pointing_at_the_fluid_reads_it() -> None:
    reading = read_photo(shot_of(BASE).rgb_u8, vial_xywh=shot_of(BASE).fluid_box())
    assert "vial-pointed" in reading.flags
    assert value_of(reading) == pytest.approx(value_of(reading_of(BASE)), abs=0.02)


@pytest.mark.parametrize(
    ("thing", "rectangle"),
    [
        ("sphere", (20.0, 20.0, 70.0, 70.0)),  # the table
        ("sphere", (5000.0, 5000.0, 80.0, 80.0)),  # outside the photo
        ("sphere", (470.0, 365.0, 4.0, 4.0)),  # a few pixels
        ("sphere", (0.0, 0.0, 960.0, 720.0)),  # everything
        ("nothing", None),
        ("water", None),
    ],
)
def test_pointing_at_something_else_is_refused(thing: Any, rectangle: tuple[float, ...] | None) -> None:
    photo = shot_of(replace(BASE, thing=thing)).rgb_u8
    reading = read_photo(photo, vial_xywh=rectangle or shot_of(BASE).fluid_box())
    assert_refused(reading, "no-vial", "small-vial", "faint-color")


@pytest.mark.parametrize("rectangle", [(1180.0, 880.0, 150.0, 380.0), (1225.0, 900.0, 90.0, 150.0)])
def test_pointing_at_a_leaf_is_refused(rectangle: tuple[float, float, float, float]) -> None:
    assert_refused(read_photo(SAMPLES / "refuse-leaf.jpg", vial_xywh=rectangle), "no-dye")


# --- places -----------------------------------------------------------------------------------------------------------


def overlap(one: NDArray[np.float64], other: NDArray[np.float64], size: tuple[int, int]) -> float:
    masks = [cv2.fillPoly(np.zeros(size, np.uint8), [np.round(p).astype(np.int32)], 1) > 0 for p in (one, other)]
    return float((masks[0] & masks[1]).sum() / (masks[0] | masks[1]).sum())


def test_corners_and_outline_are_pixels_of_the_full_photo() -> None:
    shot, factor = shot_of(BASE), 3.0
    rgb_u8 = cv2.resize(shot.rgb_u8, None, fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
    # Blown up, pixel x goes to (x + 0.5) * factor - 0.5.
    card_px, fluid_px = ((points + 0.5) * factor - 0.5 for points in (shot.card_px, shot.fluid_px))
    assert max(rgb_u8.shape) > 2016  # larger than what is worked on
    reading = read_photo(rgb_u8)
    off = np.linalg.norm(np.array(reading.card_corners_px) - card_px, axis=1)
    assert off.max() < 0.001 * BASE.card_width_px * factor
    assert overlap(np.array(reading.vial_outline_px), fluid_px, rgb_u8.shape[:2]) > 0.8
    # The same rectangle, in the pixels of the full photo, points at the fluid again.
    pointed = read_photo(rgb_u8, vial_xywh=replace(shot, fluid_px=fluid_px).fluid_box())
    assert value_of(pointed) == pytest.approx(value_of(reading), abs=0.02)


# --- sample photos ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "entry", tomllib.loads((SAMPLES / "manifest.toml").read_text())["photo"], ids=lambda entry: entry["file"]
)
def test_sample_photo_is_read_or_refused_as_it_should(entry: dict[str, Any]) -> None:
    stated = {name: entry.get(name) for name in ("kh_dkh", "temperature_c")}
    reading = read_photo(SAMPLES / entry["file"], **stated)
    if entry["scene"] == "refuse":
        assert_refused(reading, reading.reason.code)
        return
    if entry["scene"] == "beside" and reading.status == "refused":
        return  # other light on card and vial: no number is a right answer there
    assert reading.status == "read"
    assert covers(reading.ph, entry["ph"])
    assert covers(reading.co2_mg_l, entry["co2_mg_l"])


def code_of(of_card: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, **signal: Any) -> str | None:
    """The code of a photo that is refused for what was seen in it, with some of that replaced."""
    seen = observe_fluid(SAMPLES / "front-green.jpg")
    doctored = replace(seen, card=replace(seen.card, flags=of_card), signal=replace(seen.signal, **signal))
    monkeypatch.setattr("colorread.reading.pipeline.observe_fluid", lambda *_: doctored)
    reading = read_photo("front-green.jpg")
    return None if reading.reason is None else reading.reason.code


@pytest.mark.parametrize(
    ("of_card", "of_fluid", "code"),
    [
        (("marker-missing", "marker-off", "card-bent"), ("dark-fluid",), "doubtful-photo"),
        (("two-markers", "card-bent"), ("dark-fluid",), "doubtful-photo"),
        (("marker-missing", "card-bent"), (), None),
        (("marker-missing",), ("dark-fluid",), None),
        (("card-bent",), ("dark-fluid",), None),
    ],
)
def test_photo_of_which_too_much_is_wrong_at_once_is_refused(
    of_card: tuple[str, ...], of_fluid: tuple[str, ...], code: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert code_of(of_card, monkeypatch, flags=of_fluid) == code


@pytest.mark.parametrize(
    ("density", "flags", "code"),
    [
        ((0.1, 0.5, 0.05), (), "not-the-dye"),  # violet
        ((0.003, 0.002, 0.003), (), "faint-color"),
        ((0.003, 0.002, 0.003), ("clipped",), "overexposed"),
        ((0.003, 0.002, 0.003), ("mixed-light",), "faint-color"),
    ],
)
def test_a_color_that_tells_nothing_of_the_dye_is_refused(
    density: tuple[float, ...], flags: tuple[str, ...], code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = SignalSamples(density=np.array([density] * 4), density_std=np.full((4, 3), 0.01))
    assert code_of((), monkeypatch, samples=samples, flags=flags) == code


@pytest.mark.parametrize("row", [0, 1])
def test_photo_that_lost_a_row_of_grays_is_refused(row: int) -> None:
    photo = load_photo(SAMPLES / "front-green.jpg")
    plane, rgb_u8 = find_references(photo.rgb_u8)[0].plane, photo.rgb_u8.copy()
    rects = [patch.rect for patch in load_card().gray_patches]
    y_mm = sorted({rect.y_mm for rect in rects})[row]
    for rect in rects:
        if rect.y_mm == y_mm:
            corners = plane.px_from_mm(rect.grown(0.5).corners_mm).round().astype(np.int32)
            x, y = plane.px_from_mm(rect.grown(1.5).corners_mm)[0].round().astype(int)
            cv2.fillConvexPoly(rgb_u8, corners, rgb_u8[y, x].tolist())
    assert_refused(read_photo(rgb_u8), "card-unclear")
    assert read_photo(photo.rgb_u8).status == "read"
