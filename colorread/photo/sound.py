"""Whether a photo file is sound, and modest enough to be decoded: asked before its pixels are."""

from __future__ import annotations

import re
from mmap import ACCESS_READ, mmap
from typing import BinaryIO, Final

import simplejpeg
from PIL import ImageFile

from colorread.photo.file import GRAY_16_BIT_MODES, broken_file, open_image, too_large

_MOST_BYTES: Final = 350_000_000  # so that all of the program stays below 600 MB while it reads a photo
# Held for each pixel while decoding, as measured: what Pillow keeps, and what its decoders keep beside it.
_BYTES_OF_MODE: Final = {"1": 1, "L": 1, "P": 1} | dict.fromkeys(GRAY_16_BIT_MODES, 6)
_BYTES_OF_FORMAT: Final = {"HEIF": 7, "WEBP": 14}
_BYTES_OF_COLOR: Final = 4
# Every scan of a JPEG goes over the whole picture. Progressive ones have about ten, of the largest phones 108
# megapixels: a choice of this project.
_MOST_SCANNED_PIXELS: Final = 1_200_000_000
# In the scan of a JPEG 0xFF is followed by zero or is a restart; all else is a marker (ITU-T T.81, B.1.1.2).
_MARKER: Final = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9
# Not the fault of the file: layouts of colors that only the decoder of the pixels knows.
_UNKNOWN_LAYOUT: Final = "subsampling"


def require_sound(image: ImageFile.ImageFile, file: BinaryIO) -> None:
    """
    Refuse a file whose pixels would take too much memory or time, or that its own format tells to be damaged.

    Damage in the scan of a JPEG shifts the colors of all that follows, and decoders that show as much of a picture as
    they can say nothing of it.

    Parameters
    ----------
    image : PIL.ImageFile.ImageFile
        Opened, not decoded yet.
    file : binary file
        What it was opened from; left where it was.

    Raises
    ------
    colorread.errors.Refusal
        ``"too-large"`` or ``"broken-file"``.
    """
    at = file.tell()
    if image.format in ("JPEG", "MPO"):
        _require_sound_jpeg(image, file)
    else:
        n_bytes = _BYTES_OF_FORMAT.get(image.format or "", _BYTES_OF_MODE.get(image.mode, _BYTES_OF_COLOR))
        _require_memory(image, n_bytes)
        if image.format == "PNG":
            file.seek(0)
            open_image(file).verify()  # its checksums
    file.seek(at)


def _require_sound_jpeg(image: ImageFile.ImageFile, file: BinaryIO) -> None:
    with mmap(file.fileno(), 0, access=ACCESS_READ) as data:
        n_scans = _scans_in(data)
        pixels = image.width * image.height
        if n_scans > 1:  # all coefficients are kept, two bytes each
            layers = [across * down for _, across, down, _ in image.layer]  # type: ignore[attr-defined]
            _require_memory(image, 2.0 * sum(layers) / max(layers))
            if n_scans * pixels > _MOST_SCANNED_PIXELS:
                raise too_large(f"The photo is stored in {n_scans} scans, which takes too long to decode.")
        try:
            simplejpeg.decode_jpeg(data, "GRAY", min_factor=8, min_height=1, min_width=1, strict=True)
        except ValueError as error:
            if _UNKNOWN_LAYOUT not in str(error):
                raise broken_file() from error


def _scans_in(data: mmap) -> int:
    """Count the scans of the first picture of a file."""
    n_scans, at = 0, 2  # behind the start of the image
    while found := _MARKER.search(data, at):
        kind = found[0][1]
        if kind == _END_OF_IMAGE:
            break
        n_scans += kind == _START_OF_SCAN
        at = found.end() + int.from_bytes(data[found.end() : found.end() + 2])
    return n_scans


def _require_memory(image: ImageFile.ImageFile, bytes_per_pixel: float) -> None:
    n_bytes = image.width * image.height * bytes_per_pixel
    if n_bytes > _MOST_BYTES:
        raise too_large(
            f"The photo has {image.width * image.height / 1e6:.0f} megapixels, and decoding them would take "
            f"{n_bytes / 1e6:.0f} MB of memory; {_MOST_BYTES / 1e6:.0f} are the most."
        )
