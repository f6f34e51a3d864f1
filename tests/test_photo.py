"""Photo files of every kind, made small in a temporary folder, against what was put into them."""

from __future__ import annotations

import errno
import io
import mmap
import os
import struct
import zlib
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageFile, PngImagePlugin
from pillow_heif import register_heif_opener

from colorread.errors import Refusal
from colorread.photo.file import camera_model_of, refusing_broken_files
from colorread.photo.load import CloseUp, Photo, load_close_up, load_photo

register_heif_opener()  # lets Pillow write HEIC here; the reader must not need it

Load = Callable[..., Photo]
FORMATS = {"jpg": "JPEG", "png": "PNG", "heic": "HEIF", "tif": "TIFF", "webp": "WEBP"}
SAVE_OPTIONS: dict[str, dict[str, Any]] = {
    "jpg": {"quality": 95, "subsampling": 0},
    "heic": {"quality": 95, "chroma": 444},
    "webp": {"quality": 95},
}
LOSSLESS = ("png", "tif")

# A picture stored with an EXIF orientation, from the upright one. By the definition of TIFF 6.0, tag 274: row
# 0 of what is stored lies at the first-named side of the upright picture, column 0 at the second.
STORED = {
    1: lambda upright: upright,  # top, left
    2: lambda upright: upright[:, ::-1],  # top, right
    3: lambda upright: upright[::-1, ::-1],  # bottom, right
    4: lambda upright: upright[::-1],  # bottom, left
    5: lambda upright: upright.swapaxes(0, 1),  # left, top
    6: lambda upright: upright.swapaxes(0, 1)[::-1],  # right, top
    7: lambda upright: upright.swapaxes(0, 1)[::-1, ::-1],  # right, bottom
    8: lambda upright: upright.swapaxes(0, 1)[:, ::-1],  # left, bottom
}


def quarters(width: int = 400, height: int = 320) -> NDArray[np.uint8]:
    picture = np.empty((height, width, 3), np.uint8)
    top, left = slice(height // 2), slice(width // 2)
    bottom, right = slice(height // 2, None), slice(width // 2, None)
    picture[top, left], picture[top, right] = (200, 60, 60), (60, 180, 70)
    picture[bottom, left], picture[bottom, right] = (60, 70, 190), (230, 230, 225)
    return picture


def noise(side: int = 300) -> NDArray[np.uint8]:
    return np.random.default_rng(7).integers(0, 256, (side, side, 3), dtype=np.uint8)


def encoded(picture: NDArray[np.uint8] | Image.Image, kind: str, **options: Any) -> bytes:
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(np.ascontiguousarray(picture))
    buffer = io.BytesIO()
    image.save(buffer, FORMATS[kind], **SAVE_OPTIONS.get(kind, {}), **options)
    return buffer.getvalue()


PLAIN = {kind: encoded(quarters(), kind) for kind in FORMATS}


def exif_with(main: dict[int, Any], detail: dict[int, Any] | None = None) -> bytes:
    exif = Image.Exif()
    exif.update(main)
    exif.get_ifd(ExifTags.IFD.Exif).update(detail or {})
    return exif.tobytes()


@pytest.fixture
def load(tmp_path: Path) -> Load:
    def load_bytes(data: bytes) -> Photo:
        (tmp_path / "file").write_bytes(data)
        return load_photo(tmp_path / "file")

    return load_bytes


def refusal_code(load: Load, data: bytes) -> str:
    with pytest.raises(Refusal) as caught:
        load(data)
    assert caught.value.reason.message.endswith(".")
    assert caught.value.reason.next_step.endswith(".")
    return caught.value.reason.code


# Formats and orientation


@pytest.mark.parametrize(
    ("kind", "orientation"),
    [*(("jpg", turn) for turn in STORED), *((kind, 6) for kind in FORMATS if kind != "jpg")],
)
def test_every_format_is_upright_in_every_orientation(kind: str, orientation: int, load: Load) -> None:
    exif = exif_with({ExifTags.Base.Orientation: orientation})
    photo = load(encoded(STORED[orientation](quarters()), kind, exif=exif))
    assert photo.scale == 1.0
    assert photo.color_space == "srgb"
    assert photo.rgb_u8.shape == (320, 400, 3)
    atol = 0 if kind in LOSSLESS else 6
    for row, col in ((20, 20), (20, 380), (300, 20), (300, 380)):
        np.testing.assert_allclose(photo.rgb_u8[row, col].astype(int), quarters()[row, col], atol=atol)


@pytest.mark.parametrize("kind", FORMATS)
def test_large_photos_are_reduced_by_averaging(kind: str, load: Load, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("colorread.photo.load._WORKING_SIDE_PX", 400)
    rows, cols = np.mgrid[0:900, 0:1200]
    picture = np.stack([cols / 5, rows / 4, (rows + cols) / 9], axis=-1).astype(np.uint8)
    exif = exif_with({ExifTags.Base.Orientation: 6})
    photo = load(encoded(STORED[6](picture), kind, exif=exif))
    assert photo.rgb_u8.shape == (300, 400, 3)
    assert photo.scale == pytest.approx(1 / 3)
    means = picture.reshape(300, 3, 400, 3, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(photo.rgb_u8, means, atol=1.1 if kind in LOSSLESS else 8)
    assert np.abs(photo.rgb_u8 - means).mean() < 1.5


def test_a_photo_reduced_by_a_broken_factor_is_averaged_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("colorread.photo.load._WORKING_SIDE_PX", 350)
    picture = noise(600)
    assert load_photo(picture).rgb_u8.std() < 0.75 * picture.std()


def test_places_of_the_full_photo_are_found_in_the_reduced_one_and_back(load: Load) -> None:
    picture = np.full((2400, 4032, 3), 90, np.uint8)
    picture[800:1600, 1200:1600] = 200
    photo = load(encoded(picture, "png"))
    assert photo.scale == 0.5
    # The center of the first pixel is (0, 0), so the edges of the patch lie half a pixel beside the centers.
    corners = photo.corners_px((1199.5, 799.5, 400.0, 800.0))
    assert corners[0].tolist() == [599.5, 399.5]
    rows, columns = np.nonzero(photo.rgb_u8[..., 0] == 200)
    assert [columns.min() - 0.5, rows.min() - 0.5] == corners[0].tolist()
    assert [columns.max() + 0.5, rows.max() + 0.5] == corners[2].tolist()
    assert photo.full_size(corners)[0] == (1199.5, 799.5)
    assert photo.full_size(corners)[2] == (1599.5, 1599.5)


def test_fifty_megapixels_are_read(load: Load) -> None:
    photo = load(encoded(Image.new("RGB", (8160, 6120), (10, 120, 90)), "jpg"))
    assert photo.rgb_u8.shape == (1512, 2016, 3)
    assert photo.scale == pytest.approx(2016 / 8160)


@pytest.mark.parametrize(("kind", "file_format"), [("webp", "WEBP"), ("png", "PNG"), ("tif", "TIFF"), ("jpg", "MPO")])
def test_first_frame_counts(kind: str, file_format: str, load: Load) -> None:
    later = Image.new("RGB", (400, 320), "black")
    options: dict[str, Any] = {"lossless": True, "quality": 100} if kind == "webp" else SAVE_OPTIONS.get(kind, {})
    buffer = io.BytesIO()
    Image.fromarray(quarters()).save(buffer, file_format, save_all=True, append_images=[later, later], **options)
    photo = load(buffer.getvalue()).rgb_u8
    np.testing.assert_allclose(photo[::40, ::50].astype(int), quarters()[::40, ::50], atol=6 if kind == "jpg" else 0)


# Pixel layouts


def test_gray_palette_and_bilevel(load: Load) -> None:
    gray = Image.fromarray(quarters()).convert("L")
    for kind, profile in (("png", b""), ("tif", b""), ("png", PROFILES["display-p3"])):
        photo = load(encoded(gray, kind, icc_profile=profile))
        np.testing.assert_array_equal(photo.rgb_u8, np.repeat(np.asarray(gray)[..., np.newaxis], 3, axis=2))
        assert photo.color_space == ("display-p3" if profile else "srgb")
    palette = Image.fromarray(quarters()).quantize(4)
    np.testing.assert_allclose(load(encoded(palette, "png")).rgb_u8, quarters(), atol=1)
    bilevel = Image.fromarray(quarters()[..., 0] > 100)
    expected = np.where(quarters()[..., :1] > 100, 255, 0).repeat(3, axis=2)
    np.testing.assert_array_equal(load(encoded(bilevel, "png")).rgb_u8, expected)


@pytest.mark.parametrize("kind", ["png", "webp", "tif", "heic"])
def test_transparent_parts_show_white(kind: str, load: Load) -> None:
    alpha = np.full((320, 400, 1), 255, np.uint8)
    alpha[:160], alpha[160:, 200:] = 0, 128
    photo = load(encoded(np.concatenate([quarters(), alpha], axis=2), kind))
    atol = 0 if kind in LOSSLESS else 5
    np.testing.assert_allclose(photo.rgb_u8[20, 20].astype(int), 255, atol=atol)
    np.testing.assert_allclose(photo.rgb_u8[300, 20].astype(int), (60, 70, 190), atol=atol)
    half = 255 + (quarters()[300, 380].astype(float) - 255) * 128 / 255
    np.testing.assert_allclose(photo.rgb_u8[300, 380], half, atol=atol + 1)


def test_transparent_palette_and_gray_show_white(load: Load) -> None:
    palette = Image.fromarray(np.arange(2, dtype=np.uint8).repeat(160 * 400).reshape(320, 400), "P")
    palette.putpalette([10, 20, 30, 40, 50, 60])
    photo = load(encoded(palette, "png", transparency=0))
    assert photo.rgb_u8[[20, 300], 20].tolist() == [[255, 255, 255], [40, 50, 60]]
    assert (load(encoded(Image.new("LA", (320, 320), (0, 0)), "png")).rgb_u8 == 255).all()


@pytest.mark.parametrize("kind", ["jpg", "tif"])
def test_cmyk_has_the_right_sense(kind: str, load: Load) -> None:
    cmyk = np.zeros((320, 400, 4), np.uint8)
    cmyk[:160, 200:, 3], cmyk[160:, :200, 0], cmyk[160:, 200:, 2] = 255, 255, 255
    photo = load(encoded(Image.frombytes("CMYK", (400, 320), cmyk.tobytes()), kind))
    white, black, cyan, yellow = (photo.rgb_u8[r, c].astype(int) for r in (20, 300) for c in (20, 380))
    assert white.min() > 250
    assert black.max() < 5
    assert cyan[0] < 60 < 150 < cyan[1:].min()
    assert yellow[2] < 60 < 150 < yellow[:2].min()


@pytest.mark.parametrize(("suffix", "channels"), [(".png", 3), (".png", 4), (".tif", 3), (".tif", 4)])
def test_sixteen_bits_become_eight(suffix: str, channels: int, load: Load) -> None:
    deep = np.resize(np.arange(65536, dtype=np.uint16), (300, 300, 3))
    stored = np.dstack([deep[..., ::-1], np.full((300, 300), 65535, np.uint16)])[..., :channels]
    photo = load(cv2.imencode(suffix, stored)[1].tobytes())
    # The high byte is kept, which gives codes of 8 bits that were written with 16 back as they were.
    np.testing.assert_array_equal(photo.rgb_u8, deep // 256)


# Color profiles, written here from published numbers. Colorants adapted to D50: sRGB as in the profile "sRGB
# IEC61966-2.1" and Adobe RGB (1998) with its gamma 563/256 (both from memory, not verified); Display P3 as in
# the profile that phones embed.

COLORANTS = {
    "srgb": ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410)),
    "display-p3": ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407)),
    "adobe": ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457)),
}


def srgb_light(codes: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)


def srgb_curve() -> bytes:
    light = srgb_light(np.linspace(0, 1, 1024))
    return struct.pack(">4s4xI", b"curv", 1024) + np.rint(light * 65535).astype(">u2").tobytes()


def gamma_curve(gamma: float) -> bytes:
    return struct.pack(">4s4xIHxx", b"curv", 1, round(gamma * 256))


def icc_profile(model: bytes, curve: bytes, colorants: tuple[tuple[float, ...], ...] = ()) -> bytes:
    def xyz(values: tuple[float, ...]) -> bytes:
        return b"XYZ " + bytes(4) + struct.pack(">3i", *(round(v * 65536) for v in values))

    # The name is a lie on purpose: profiles are to be known by their numbers.
    tags = {b"desc": struct.pack(">4s4xI12s", b"desc", 12, b"sRGB vision\0") + bytes(78)}
    tags[b"wtpt"] = xyz((0.9642, 1.0, 0.8249))
    if colorants:
        for letter, colorant in zip((b"r", b"g", b"b"), colorants, strict=True):
            tags |= {letter + b"XYZ": xyz(colorant), letter + b"TRC": curve}
    else:
        tags[b"kTRC"] = curve
    directory, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        padded = data + bytes(-len(data) % 4)
        directory += struct.pack(">4sII", name, start + len(body), len(data))
        body += padded
    head = struct.pack(">I4xI4s4s4s12x4s28x", start + len(body), 0x02400000, b"mntr", model, b"XYZ ", b"acsp")
    return head + xyz((0.9642, 1.0, 0.8249))[8:] + bytes(48) + directory + body


PROFILES = {
    "srgb": icc_profile(b"RGB ", srgb_curve(), COLORANTS["srgb"]),
    "display-p3": icc_profile(b"RGB ", srgb_curve(), COLORANTS["display-p3"]),
    "adobe": icc_profile(b"RGB ", gamma_curve(563 / 256), COLORANTS["adobe"]),
}


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("color_space", ["srgb", "display-p3"])
def test_known_profiles_leave_pixels_alone(kind: str, color_space: str, load: Load) -> None:
    plain = load(encoded(quarters(), kind))
    photo = load(encoded(quarters(), kind, icc_profile=PROFILES[color_space]))
    assert photo.color_space == color_space
    np.testing.assert_array_equal(photo.rgb_u8, plain.rgb_u8)


@pytest.mark.parametrize(
    ("gamma", "colorants"), [(563 / 256, "adobe"), (1.8, "srgb")], ids=["Adobe RGB", "sRGB but for its curve"]
)
@pytest.mark.parametrize("kind", LOSSLESS)
def test_other_profiles_are_converted_to_display_p3(kind: str, gamma: float, colorants: str, load: Load) -> None:
    profile = icc_profile(b"RGB ", gamma_curve(gamma), COLORANTS[colorants])
    photo = load(encoded(quarters(), kind, icc_profile=profile))
    assert photo.color_space == "display-p3"
    xyz_d50 = (quarters() / 255) ** gamma @ np.array(COLORANTS[colorants])
    light_p3 = np.clip(xyz_d50 @ np.linalg.inv(COLORANTS["display-p3"]), 0, 1)
    # The published encoding formula is the inverse of the decoding one, which is looked up here.
    expected = np.interp(light_p3, srgb_light(np.linspace(0, 1, 4096)), np.linspace(0, 255, 4096))
    np.testing.assert_allclose(photo.rgb_u8, expected, atol=1.5)
    assert np.abs(photo.rgb_u8.astype(int) - quarters()).max() > 10


@pytest.mark.parametrize(
    "profile",
    [b"not a profile", PROFILES["adobe"][:300], PROFILES["adobe"][:140] + bytes(300), icc_profile(b"GRAY", b"")],
)
def test_useless_profile_means_srgb(profile: bytes, load: Load) -> None:
    photo = load(encoded(quarters(), "png", icc_profile=profile))
    assert photo.color_space == "srgb"
    np.testing.assert_array_equal(photo.rgb_u8, quarters())


# Time and camera

Tag = ExifTags.Base
SAID = "2024:03:09 17:45:12"
NAIVE = datetime(2024, 3, 9, 17, 45, 12)


@pytest.mark.parametrize("kind", FORMATS)
def test_time_with_offset(kind: str, load: Load) -> None:
    exif = exif_with(
        {Tag.Orientation: 6, Tag.DateTime: "2025:01:01 00:00:00", Tag.Model: " Phone X \0"},
        {Tag.DateTimeOriginal: SAID, Tag.OffsetTimeOriginal: "-03:30", Tag.BodySerialNumber: "S-123"},
    )
    photo = load(encoded(quarters(), kind, exif=exif))
    assert photo.taken_at == NAIVE.replace(tzinfo=timezone(-timedelta(hours=3, minutes=30)))
    assert photo.time_source == "exif with offset"
    assert photo.camera_model == "Phone X"
    assert "S-123" not in repr(photo)


@pytest.mark.parametrize(
    ("main", "detail", "offset_hours"),
    [
        ({}, {Tag.DateTimeOriginal: SAID}, None),
        ({}, {Tag.DateTimeOriginal: SAID, Tag.OffsetTimeOriginal: "   :  "}, None),
        ({}, {Tag.DateTimeOriginal: SAID, Tag.OffsetTimeDigitized: "+02:00"}, None),
        ({}, {Tag.DateTimeDigitized: SAID, Tag.OffsetTimeDigitized: "+02:00"}, 2),
        ({}, {Tag.DateTimeOriginal: "0000:00:00 00:00:00", Tag.DateTimeDigitized: SAID}, None),
        ({}, {Tag.DateTimeOriginal: "1989:12:31 23:59:59", Tag.DateTimeDigitized: SAID}, None),
        ({Tag.DateTime: SAID}, {Tag.DateTimeOriginal: "yesterday", Tag.OffsetTime: "+05:00"}, 5),
        ({Tag.DateTime: SAID}, {}, None),
    ],
)
def test_time_falls_back(main: dict[int, Any], detail: dict[int, Any], offset_hours: int | None, load: Load) -> None:
    photo = load(encoded(quarters(), "jpg", exif=exif_with(main, detail)))
    zone = None if offset_hours is None else timezone(timedelta(hours=offset_hours))
    assert (photo.taken_at, photo.taken_at.tzinfo) == (NAIVE.replace(tzinfo=zone), zone)
    assert photo.time_source == f"exif {'without' if zone is None else 'with'} offset"


@pytest.mark.parametrize("kind", FORMATS)
def test_phone_is_told_without_decoding_the_pixels(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for image in (Image.Image, ImageFile.ImageFile, PngImagePlugin.PngImageFile):
        monkeypatch.setattr(image, "load", lambda *_: pytest.fail("decoded"))
    for data, model in ((FUZZED[kind], "X"), (PLAIN[kind], None)):
        (tmp_path / "photo").write_bytes(data)
        assert camera_model_of(tmp_path / "photo") == model


@pytest.mark.parametrize("exif", [b"", b"Exif\0\0garbage", b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + bytes(20)])
def test_file_time_when_exif_says_nothing(exif: bytes, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(encoded(quarters(), "jpg", exif=exif))
    for seconds, taken_at, source in (
        (1_700_000_000, datetime(2023, 11, 14, 22, 13, 20, tzinfo=UTC), "file time"),
        (0, None, "unknown"),
    ):
        os.utime(path, (seconds, seconds))
        photo = load_photo(path)
        assert (photo.taken_at, photo.time_source, photo.camera_model) == (taken_at, source, None)


# Refusals


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "broken-file"),
        (b"\xff", "not-a-photo"),
        (b"just a text, and not a short one", "not-a-photo"),
        (b"%PDF-1.7 and so on", "not-a-photo"),
        (b"GIF89a" + bytes(40), "not-a-photo"),
        (b"\0\0\0\x20ftypisom" + bytes(40), "not-a-photo"),
        (b"\0\0\0\x20ftypheic" + bytes(40), "broken-file"),
        (b"\xff\xd8\xff\xe0", "broken-file"),
        (b"\x89PNG\r\n\x1a\n", "broken-file"),
        (b"II*\0", "broken-file"),
        (encoded(Image.new("F", (320, 320), 0.5), "tif"), "not-a-photo"),  # of a measurement
        (encoded(quarters(400, 299), "png"), "too-small"),
        (encoded(quarters(299, 400), "jpg"), "too-small"),
    ],
    ids=range(13),
)
def test_what_is_no_photo_is_refused_by_its_content(data: bytes, code: str, load: Load) -> None:
    assert refusal_code(load, data) == code
    load(encoded(quarters(400, 300), "png"))


@pytest.mark.parametrize(
    ("name", "code"), [("none.jpg", "no-file"), ("a\0b", "no-file"), ("x" * 500, "no-file"), ("", "not-a-photo")]
)
def test_what_is_no_file_is_refused(name: str, code: str, tmp_path: Path) -> None:
    with pytest.raises(Refusal) as caught:
        load_photo(f"{tmp_path}/{name}")
    assert caught.value.reason.code == code


TRUNCATED = {
    **{kind: (encoded(noise(), kind), (0.01, 0.1, 0.35, 0.6, 0.9, 0.98)) for kind in FORMATS},
    "progressive": (encoded(quarters(), "jpg", progressive=True), (0.05, 0.3, 0.5, 0.8, 0.95)),
    "last tags of a TIFF": (encoded(quarters(), "tif", compression="tiff_lzw"), (0.9, 0.95, 0.98, 0.995)),
}


@pytest.mark.parametrize(("whole", "shares"), TRUNCATED.values(), ids=TRUNCATED.keys())
def test_truncated_files_are_refused(whole: bytes, shares: tuple[float, ...], load: Load) -> None:
    load(whole)
    for share in shares:
        assert refusal_code(load, whole[: int(share * len(whole))]) == "broken-file"


def png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


@pytest.mark.parametrize("size", [(12_000, 11_000), (60_000, 60_000)])
def test_bombs_are_refused_by_their_header(size: tuple[int, int], load: Load) -> None:
    png = b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", struct.pack(">IIBBBBB", *size, 8, 2, 0, 0, 0))
    png += png_chunk(b"IDAT", zlib.compress(bytes(1000))) + png_chunk(b"IEND", b"")
    assert refusal_code(load, png) == "too-large"

    jpeg = bytearray(encoded(quarters(), "jpg"))
    frame = jpeg.index(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = struct.pack(">HH", size[1], size[0])
    assert refusal_code(load, bytes(jpeg)) == "too-large"

    tags = [(256, 3, 1, size[0]), (257, 3, 1, size[1]), (258, 3, 1, 8), (262, 3, 1, 1), (273, 4, 1, 8)]
    tags += [(277, 3, 1, 1), (278, 3, 1, size[1]), (279, 4, 1, 100)]
    tiff = b"II*\0\x08\0\0\0" + struct.pack("<H", len(tags))
    tiff += b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(200)
    assert refusal_code(load, tiff) == "too-large"


@pytest.mark.parametrize(
    ("error", "is_damage"),
    [
        (OSError("broken data stream"), True),
        (OSError(errno.EINVAL, "Invalid argument"), True),
        (MemoryError(), False),
        (OSError(errno.EIO, "Input/output error"), False),
    ],
)
def test_what_decoders_raise_is_damage_of_the_file_but_not_what_the_machine_runs_into(
    error: Exception, *, is_damage: bool
) -> None:
    with pytest.raises(Refusal if is_damage else type(error)), refusing_broken_files():
        raise error


FUZZED = {
    kind: encoded(quarters(320, 300), kind, exif=exif_with({Tag.Model: "X"}, {Tag.DateTimeOriginal: SAID}))
    for kind in FORMATS
}


@pytest.mark.parametrize("kind", FORMATS)
def test_damaged_bytes_give_a_photo_or_a_refusal(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "damaged"
    whole = FUZZED[kind]
    # Damage to the head, where the structure is, is likelier than it would be by chance.
    place = st.one_of(st.integers(0, 600), st.integers(0, len(whole) - 1))
    damage = st.lists(st.tuples(place, st.integers(1, 255)), max_size=6)

    @settings(max_examples=40, deadline=None, derandomize=True, database=None)
    @given(damage, st.integers(0, len(whole)))
    def check(flips: list[tuple[int, int]], cut: int) -> None:
        data = bytearray(whole)
        for position, mask in flips:
            data[position % len(data)] ^= mask
        path.write_bytes(data if cut % 2 else data[:cut])
        with suppress(Refusal):  # anything else that is raised is a fault
            photo = load_photo(path)
            assert photo.rgb_u8.dtype == np.uint8
            assert photo.rgb_u8.shape[2] == 3

    check()


def test_a_jpeg_is_read_from_a_drive_whose_files_cannot_be_mapped_for_all(
    load: Load, monkeypatch: pytest.MonkeyPatch
) -> None:
    def private_only(descriptor: int, length: int, *, access: int) -> mmap.mmap:
        if access != mmap.ACCESS_COPY:
            raise OSError(errno.ENODEV, "No such device")
        return mmap.mmap(descriptor, length, access=access)

    monkeypatch.setattr("colorread.photo.sound.mmap", private_only)
    assert load(PLAIN["jpg"]).rgb_u8.any()


# Arrays


def test_array_of_codes_and_of_floats_agree() -> None:
    codes = quarters()
    photo = load_photo(codes)
    np.testing.assert_array_equal(photo.rgb_u8, codes)
    np.testing.assert_array_equal(load_photo(codes / 255).rgb_u8, codes)
    np.testing.assert_array_equal(load_photo((codes / 255).astype(np.float32)[:, ::-1]).rgb_u8, codes[:, ::-1])
    assert (photo.color_space, photo.scale) == ("srgb", 1.0)
    assert (photo.taken_at, photo.time_source, photo.camera_model) == (None, "unknown", None)
    codes[:] = 0
    assert photo.rgb_u8.any()


@pytest.mark.parametrize(
    ("array", "text"),
    [
        (np.zeros((300, 300)), "shape"),
        (np.zeros((300, 300, 4)), "shape"),
        (np.zeros((300, 300, 3), np.int64), "int64"),
        (np.zeros((300, 300, 3), bool), "bool"),
        (np.full((300, 300, 3), 1.5), r"0\.\.1"),
        (np.full((300, 300, 3), np.nan), r"0\.\.1"),
    ],
)
def test_unfit_arrays_are_rejected(array: Any, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        load_photo(array)


# The working side is made small here, so that a small picture is reduced to it as a large photo is.


def closer(source: Any, photo: Photo, times: float) -> tuple[CloseUp, NDArray[np.float64]]:
    points_px = np.array([(40.2, 31.0), (70.0, 55.7)])
    return load_close_up(source, photo, points_px, times), points_px


@pytest.mark.parametrize(
    ("kind", "orientation"),
    [*(("png", turn) for turn in STORED), *((kind, 6) for kind in FORMATS if kind != "png")],
)
def test_a_close_up_shows_the_part_of_the_full_photo(
    kind: str, orientation: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("colorread.photo.load._WORKING_SIDE_PX", 320)
    upright = cv2.GaussianBlur(noise(640), (0, 0), 3.0)[:480]
    path = tmp_path / f"photo.{kind}"
    exif = exif_with({ExifTags.Base.Orientation: orientation})
    path.write_bytes(encoded(STORED[orientation](upright), kind, exif=exif))
    photo = load_photo(path)
    assert photo.rgb_u8.shape[:2] == (240, 320)
    close_up, points_px = closer(path, photo, 1.3)
    assert close_up.times == 2
    height, width = close_up.rgb_u8.shape[:2]
    assert max(height, width) < 80  # twice the 30 of the points, and no more than is around them
    inner_px = cv2.perspectiveTransform(points_px[None], close_up.from_photo)[0]
    assert (inner_px >= 0).all()
    assert (inner_px <= (width - 1, height - 1)).all()
    # The middle of the first pixel is at (0, 0), so those of the full photo lie at 2 x + 0.5.
    full_px = np.array([(x, y) for y in range(64, 110) for x in range(84, 138)])
    inner = np.rint(cv2.perspectiveTransform((full_px[None] - 0.5) / 2.0, close_up.from_photo)[0]).astype(int)
    off = close_up.rgb_u8[inner[:, 1], inner[:, 0]].astype(int) - upright[full_px[:, 1], full_px[:, 0]]
    assert np.abs(off).max() <= (0 if kind in LOSSLESS else 12)


def test_a_close_up_of_an_array_is_that_of_a_file_and_no_closer_than_the_full_photo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("colorread.photo.load._WORKING_SIDE_PX", 320)
    array, path = noise(640), tmp_path / "photo.png"
    path.write_bytes(encoded(array, "png"))
    photo = load_photo(path)
    from_file, points_px = closer(path, photo, 2.0)
    for source in (array, array / 255.0):
        from_array, _ = closer(source, load_photo(source), 9.0)
        assert from_array.times == 2
        np.testing.assert_array_equal(from_array.rgb_u8, from_file.rgb_u8)
    unmoved, _ = closer(array, photo, 0.8)
    assert unmoved.rgb_u8 is photo.rgb_u8
    assert cv2.perspectiveTransform(points_px[None], unmoved.from_photo)[0] == pytest.approx(points_px)
    small = noise(310)
    assert closer(small, load_photo(small), 3.0)[0].times == 1
