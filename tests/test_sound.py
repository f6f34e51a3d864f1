from __future__ import annotations

import contextlib
import io
import random
import struct
import time
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
from PIL import Image

from colorread.errors import Refusal
from colorread.photo.file import open_image, refusing_broken_files
from colorread.photo.load import load_photo
from colorread.photo.sound import decode_sound_jpeg, require_sound
from tests.test_photo import png_chunk

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


def jpeg(side: int = 640, **options: object) -> bytes:
    ramp = np.linspace(0, 255, side).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(np.dstack(np.broadcast_arrays(ramp[:, None], ramp, np.uint8(90)))).save(file, "JPEG", **options)
    return file.getvalue()


def code_of(data: bytes, path: Path) -> str:
    path.write_bytes(data)
    try:
        load_photo(path)
    except Refusal as refusal:
        return refusal.reason.code
    return "loaded"


@pytest.mark.parametrize(
    "options",
    [{}, {"progressive": True}, {"restart_marker_rows": 1}, {"subsampling": 0}, {"keep_rgb": True}, {"quality": 100}],
    ids=str,
)
def test_sound_pictures_are_taken(options: dict[str, object], tmp_path: Path) -> None:
    assert code_of(jpeg(**options), tmp_path / "photo") == "loaded"
    # Phones put videos, maps of the depth and other pictures behind the first one.
    assert code_of(jpeg(**options) + b"\0\0\0\x18ftypmp42" + jpeg(320)[:500], tmp_path / "photo") == "loaded"


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
@pytest.mark.parametrize("reduced", [1, 2, 8])
def test_pixels_are_those_of_pillow(mode: str, reduced: int, tmp_path: Path) -> None:
    with Image.open(io.BytesIO(jpeg())) as picture:
        picture.convert(mode).crop((0, 0, 637, 631)).save(tmp_path / "photo", "JPEG")
    with (tmp_path / "photo").open("rb") as file, Image.open(file) as image, Image.open(file.name) as expected:
        for one in (image, expected):
            one.draft(None, (637 // reduced, 1))
        pixels = decode_sound_jpeg(image, file)
        assert max(pixels.shape) == -(-637 // reduced)
        np.testing.assert_allclose(pixels.astype(int), expected.convert("RGB"), atol=mode == "CMYK")


def test_damage_in_the_scan_is_refused(tmp_path: Path) -> None:
    whole = (SAMPLES / "front-green.jpg").read_bytes()
    start = whole.index(b"\xff\xda") + 14
    rng = random.Random(1)
    for damage in (bytes(600), rng.randbytes(600), b""):  # written over by zeros or something else, or left out
        places = [rng.randrange(start, len(whole) - 600) for _ in range(15)]
        codes = [code_of(whole[:at] + damage + whole[at + 600 :], tmp_path / "photo") for at in places]
        assert codes.count("broken-file") >= 14, codes  # by chance it ends as if nothing had been


def test_colors_that_jump_where_the_decoder_notices_nothing_are_refused(tmp_path: Path) -> None:
    whole = (SAMPLES / "front-green.jpg").read_bytes()
    start = whole.index(b"\xff\xda") + 14
    with Image.open(io.BytesIO(whole)) as image:
        last_row = np.asarray(image.reduce(8))[-1].astype(int)
    rng = random.Random(2)
    codes = []
    for _ in range(75):
        data = bytearray(whole)
        data[rng.randrange(start, len(whole) // 2)] ^= 1 << rng.randrange(8)
        with contextlib.suppress(ValueError), Image.open(io.BytesIO(data)) as image:
            simplejpeg.decode_jpeg(bytes(data), strict=True)
            shift = np.asarray(image.reduce(8))[-1].astype(int) - last_row
            if np.median(np.abs(shift)) >= 8:
                codes.append(code_of(bytes(data), tmp_path / "photo"))
    assert len(codes) >= 8
    assert codes.count("broken-file") >= 0.8 * len(codes), codes


@pytest.mark.parametrize("color", ["black", "white"])
def test_bars_above_and_below_are_no_damage(color: str, tmp_path: Path) -> None:
    with Image.open(SAMPLES / "front-green.jpg") as photo:
        for bar_px in (320, 325, 335):
            page = Image.new("RGB", (photo.width, photo.height + 2 * bar_px), color)
            page.paste(photo, (0, bar_px))
            file = io.BytesIO()
            page.save(file, "JPEG")
            assert code_of(file.getvalue(), tmp_path / "photo") == "loaded"


def test_png_whose_checksum_is_wrong_is_refused(tmp_path: Path) -> None:
    rows = zlib.compress(bytes(320 * (1 + 320 * 3)), 0)
    data = b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", struct.pack(">IIBBBBB", 320, 320, 8, 2, 0, 0, 0))
    data += png_chunk(b"IDAT", rows) + png_chunk(b"IEND", b"")
    place = len(data) // 2
    assert code_of(data, tmp_path / "photo") == "loaded"
    assert code_of(data[:place] + b"\x40" + data[place + 1 :], tmp_path / "photo") == "broken-file"


def test_tiff_whose_channels_are_moved_by_bytes_too_many_is_refused(tmp_path: Path) -> None:
    picture = Image.open(SAMPLES / "front-green.jpg").reduce(4)
    for options in ({}, {"compression": "tiff_lzw"}, {"save_all": True, "append_images": [picture]}):
        file = io.BytesIO()
        picture.save(file, "TIFF", **options)
        data = file.getvalue()
        assert code_of(data, tmp_path / "photo") == "loaded", options
    picture.save(tmp_path / "plain.tif")
    data = (tmp_path / "plain.tif").read_bytes()
    place = len(data) // 3
    for n_bytes in (1, 16):
        assert code_of(data[:place] + bytes(n_bytes) + data[place:], tmp_path / "photo") == "broken-file"
    assert code_of(data[:place] + data[place + 16 :], tmp_path / "photo") == "broken-file"
    deep = cv2.imencode(".tif", np.full((400, 400, 3), 30_000, np.uint16))[1].tobytes()
    assert code_of(deep, tmp_path / "photo") == "loaded"


def deep_png(side: int) -> bytes:
    packer = zlib.compressobj(1)
    row = bytes(1 + side * 6)
    rows = b"".join([*(packer.compress(row) for _ in range(side)), packer.flush()])
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 16, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + png_chunk(b"IDAT", rows) + png_chunk(b"IEND", b"")


def test_deep_picture_that_takes_gigabytes_is_refused_at_once(tmp_path: Path) -> None:
    data = deep_png(10_900)
    begun = time.process_time()
    assert code_of(data, tmp_path / "photo") == "too-large"
    assert time.process_time() - begun < 0.5


def with_scans(count: int) -> bytes:
    """Return a progressive picture whose last scan comes again and again."""
    data = jpeg(1600, progressive=True)
    last, end = data.rindex(b"\xff\xda"), data.rindex(b"\xff\xd9")
    return data[:end] + data[last:end] * count + data[end:]


def test_picture_of_endless_scans_is_refused_at_once(tmp_path: Path) -> None:
    assert code_of(with_scans(5), tmp_path / "photo") in ("loaded", "broken-file")
    begun = time.process_time()
    assert code_of(with_scans(2000), tmp_path / "photo") == "too-large"
    assert time.process_time() - begun < 0.5


def test_file_is_left_where_it_was(tmp_path: Path) -> None:
    for name, data in (("jpg", jpeg()), ("png", deep_png(320))):
        (tmp_path / name).write_bytes(data)
        with (tmp_path / name).open("rb") as file, refusing_broken_files():
            image = open_image(file)
            at = file.tell()
            require_sound(image, file)
            assert file.tell() == at
            image.load()
