"""A photo that was kept is read like the one that came."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageCms
from pillow_heif import register_heif_opener

from colorread.page.tasks import keep_photo
from colorread.photo.load import Photo, load_photo
from tests.made_log import made_entry, made_log_at

SHA256 = "a" * 64
MONTHS_AGO_S = 1_735_700_000.0
BASE, EXIF = ExifTags.Base, ExifTags.IFD.Exif


def kept_and_came(path: Path) -> tuple[Photo, Photo]:
    """Return a photo as it came months ago, and as it is once it was kept."""
    os.utime(path, (MONTHS_AGO_S, MONTHS_AGO_S))
    with made_log_at(path.parent / "log.sqlite") as log:
        log.add(made_entry(sha256=SHA256))
    kept = keep_photo(path, path.parent / "log.sqlite", "window", SHA256)
    return load_photo(kept), load_photo(path)


def picture(mode: str) -> Image.Image:
    """Return a smooth picture wider than high, so that turning and colors can be seen."""
    across, down = np.meshgrid(np.linspace(40, 200, 800), np.linspace(40, 200, 600))
    return Image.fromarray(np.stack([across, down, 240 - across], axis=-1).astype(np.uint8)).convert(mode)


@pytest.mark.parametrize(
    ("main", "deeper"),
    [
        ({}, {}),
        ({BASE.DateTime: "2025:06:02 07:30:00"}, {BASE.OffsetTime: "+02:00"}),
        ({}, {BASE.DateTimeDigitized: "2025:06:02 07:30:00", BASE.OffsetTimeDigitized: "+02:00"}),
        ({}, {BASE.DateTimeOriginal: "2025:06:02 07:30:00", BASE.OffsetTimeOriginal: "-09:30"}),
        ({BASE.Model: "A phone", BASE.Orientation: 6}, {}),
    ],
)
def test_time_phone_and_position_stay(tmp_path: Path, main: dict[int, object], deeper: dict[int, object]) -> None:
    exif = Image.Exif()
    for tag, value in main.items():
        exif[tag] = value
    exif.get_ifd(EXIF).update(deeper)
    picture("RGB").save(tmp_path / "came.jpg", exif=exif)
    kept, came = kept_and_came(tmp_path / "came.jpg")
    assert (kept.taken_at, kept.time_source) == (came.taken_at, came.time_source)
    assert (kept.camera_model, kept.rgb_u8.shape) == (came.camera_model, came.rgb_u8.shape)
    if not main and not deeper:
        assert kept.taken_at == datetime.fromtimestamp(MONTHS_AGO_S).astimezone()


def test_a_photo_is_kept_where_the_time_of_a_file_cannot_be_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def forbidden(path: Path, **_: object) -> None:
        raise PermissionError

    picture("RGB").save(tmp_path / "came.jpg")
    with made_log_at(tmp_path / "log.sqlite") as log:
        log.add(made_entry(sha256=SHA256))
    monkeypatch.setattr(os, "utime", forbidden)  # as on a drive mounted for all, whose files belong to the system
    assert keep_photo(tmp_path / "came.jpg", tmp_path / "log.sqlite", "window", SHA256).is_file()


def test_a_photo_that_its_reader_turns_is_not_turned_twice(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[BASE.Orientation] = 6
    picture("RGB").save(tmp_path / "came.tif", exif=exif)
    kept, came = kept_and_came(tmp_path / "came.tif")
    assert kept.rgb_u8.shape == came.rgb_u8.shape
    assert np.abs(kept.rgb_u8.astype(int) - came.rgb_u8).mean() < 2.0


def transparent() -> Image.Image:
    image = picture("RGBA")
    image.putalpha(Image.linear_gradient("L").resize(image.size))
    return image


@pytest.mark.parametrize(
    ("name", "make", "options"),
    [
        ("transparent.png", transparent, {}),
        ("gray.png", lambda: picture("L"), {}),
        ("for-print.jpg", lambda: picture("CMYK"), {"quality": 95}),
        ("by-a-number.heic", lambda: picture("RGB"), {"color_primaries": 12, "transfer_characteristics": 13}),
    ],
)
def test_pixels_and_colors_stay(tmp_path: Path, name: str, make, options: dict[str, int]) -> None:
    register_heif_opener()
    make().save(tmp_path / name, **options)
    kept, came = kept_and_came(tmp_path / name)
    assert kept.color_space == came.color_space == ("display-p3" if name.endswith("heic") else "srgb")
    # What JPEG loses of a smooth picture.
    assert np.abs(kept.rgb_u8.astype(int) - came.rgb_u8).mean() < 2.0


def test_a_color_profile_stays(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    picture("RGB").save(tmp_path / "came.jpg", icc_profile=profile)
    kept_and_came(tmp_path / "came.jpg")
    with Image.open(tmp_path / "log-photos" / f"{SHA256}.jpg") as image:
        assert image.info["icc_profile"] == profile


def test_no_photo_is_kept_without_its_reading(tmp_path: Path) -> None:
    picture("RGB").save(tmp_path / "came.jpg")
    made_log_at(tmp_path / "log.sqlite").close()
    assert keep_photo(tmp_path / "came.jpg", tmp_path / "log.sqlite", "window", SHA256) is None
    assert [path.name for path in tmp_path.rglob("*.jpg")] == ["came.jpg"]
