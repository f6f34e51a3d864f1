from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw

from colorread.evidence.picture import draw_evidence, write_evidence
from colorread.result import Interval, Trace
from tests.fabricated import FLUID_PX, NO_TRACE, made_reading, made_refusal, made_trace


@pytest.fixture
def drawn_words(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the list to which every text goes that is drawn, in order."""
    words: list[str] = []
    draw_text = ImageDraw.ImageDraw.text

    def note(self: ImageDraw.ImageDraw, xy: Any, text: str, *args: Any, **kwargs: Any) -> None:
        words.append(text)
        draw_text(self, xy, text, *args, **kwargs)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", note)
    return words


@pytest.mark.parametrize(("co2", "is_cautioned"), [((18.0, 12.0, 24.0), False), ((60.0, 45.0, 80.0), True)])
def test_a_high_number_comes_with_a_caution(
    co2: tuple[float, float, float], is_cautioned: bool, drawn_words: list[str]
) -> None:
    value, low, high = co2
    draw_evidence(made_reading(co2_mg_l=Interval(value=value, low=low, high=high)), made_trace())
    assert any("gasping" in text for text in drawn_words) == is_cautioned


def test_what_goes_on_beyond_the_scale_is_told_by_numbers(
    drawn_words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    arrows: list[int] = []
    polygon = ImageDraw.ImageDraw.polygon

    def note(self: ImageDraw.ImageDraw, xy: Any, *args: Any, **kwargs: Any) -> None:
        # Marker and badge stand upright; an arrow lies, so that two of its corners are above each other.
        arrows.extend([1] if xy[0][0] == xy[1][0] else [])
        polygon(self, xy, *args, **kwargs)

    monkeypatch.setattr(ImageDraw.ImageDraw, "polygon", note)
    draw_evidence(made_reading(ph=Interval(value=6.8, low=6.2, high=9.0)), made_trace())
    assert len(arrows) == 1
    assert "pH 6.80 (6.20 to 9.00)" in drawn_words
    drawn_words.clear()
    arrows.clear()
    draw_evidence(made_reading(ph=Interval(value=None, low=None, high=6.3)), made_trace())
    assert len(arrows) == 1
    assert "pH below 6.30" in drawn_words


def test_no_text_is_cut_off_at_the_bottom() -> None:
    co2, ph = Interval(value=None, low=61.0, high=None), Interval(value=None, low=None, high=6.3)
    reading = made_reading(photo="x" * 60, co2_mg_l=co2, ph=ph, limit="below", flags=("odd-color", "near-dye-limit"))
    assert np.asarray(draw_evidence(reading, made_trace()))[-16:].min() == 255


def test_scale_names_the_co2_of_each_ph(drawn_words: list[str]) -> None:
    draw_evidence(made_reading(kh_dkh=8.0, temperature_c=20.0), made_trace())
    after = drawn_words.index("6.4")
    # The rule 3 x KH x 10^(7 - pH) of common practice gives 95.5 at pH 6.4 and
    # is known to be 16 to 19 % low at 20 C (against PHREEQC).
    assert 95.5 / 0.84 < float(drawn_words[after + 1]) < 95.5 / 0.81


NO_COLOR: dict[str, Any] = {"fluid_rgb": None, "scale_rgb": ()}
NO_FLUID: dict[str, Any] = {"vial_outlines_px": (), "used_px": None, **NO_COLOR}


@pytest.mark.parametrize(
    "trace",
    [
        NO_TRACE,
        made_trace(),
        made_trace(card_corners_px=None, **NO_FLUID),
        made_trace(**NO_FLUID),
        made_trace(**NO_FLUID | {"vial_outlines_px": (np.array(FLUID_PX), np.array(FLUID_PX) + 30.0)}),
        made_trace(**NO_COLOR),
    ],
    ids=["no photo", "all", "no card", "no fluid", "two fluids", "no color"],
)
def test_refusal_shows_reason_and_next_step_and_never_a_number(drawn_words: list[str], trace: Trace) -> None:
    assert draw_evidence(made_refusal(taken_at=None), trace).width == 1080
    text = " ".join(drawn_words)
    assert "Not read" in text
    assert "No card was found." in text
    assert "Show the whole card." in text
    outlines = len(trace.vial_outlines_px)
    assert {letter for letter in text if letter.isdigit()} == (set("12") if outlines == 2 else set())  # their names


def test_fluid_far_outside_the_photo_and_long_words_do_no_harm() -> None:
    away = np.array([(400.0, -80.0), (460.0, -80.0), (430.0, 20.0)])
    reading = made_reading(photo="x" * 300 + "\x1b\u65e5.jpg", flags=("unheard-of",))
    assert draw_evidence(reading, made_trace(vial_outlines_px=(away,), used_px=away)).width == 1080


def test_file_is_named_after_the_photo_and_opens(tmp_path: Path) -> None:
    path = write_evidence(made_reading(photo="some/where/tank.heic"), made_trace(), tmp_path / "new" / "folder")
    assert path == tmp_path / "new" / "folder" / "tank-evidence.jpg"
    with Image.open(path) as image:
        assert image.width == 1080
    assert os.listdir(path.parent) == [path.name]  # nothing half-written is left


def test_two_photos_of_one_name_get_two_pictures_and_a_second_run_replaces_them(tmp_path: Path) -> None:
    first, second = made_reading(photo="a/tank.jpg"), made_reading(photo="b/tank.jpg")
    names = [write_evidence(reading, NO_TRACE, tmp_path).name for reading in (first, second, first, second)]
    assert names == ["tank-evidence.jpg", "tank-evidence-2.jpg"] * 2
    assert len(list(tmp_path.iterdir())) == 2


def test_a_photo_is_never_overwritten(tmp_path: Path) -> None:
    photo = tmp_path / "tank-evidence.jpg"
    Image.new("RGB", (8, 8)).save(photo)
    before = photo.read_bytes()
    assert write_evidence(made_reading(photo="tank.jpg"), NO_TRACE, tmp_path).name == "tank-evidence-2.jpg"
    assert photo.read_bytes() == before


def test_picture_does_not_tell_the_folder_of_the_photo(tmp_path: Path) -> None:
    path = write_evidence(made_reading(photo="/home/someone/tank.jpg"), NO_TRACE, tmp_path)
    assert b"someone" not in path.read_bytes()


def test_long_names_are_cut_by_what_they_take_on_the_disk(tmp_path: Path) -> None:
    letter = "\N{CJK UNIFIED IDEOGRAPH-6C34}"  # of three bytes
    path = write_evidence(made_reading(photo=f"{letter * 83}.jpg"), NO_TRACE, tmp_path)
    assert path.name == f"{letter * 33}-evidence.jpg"
