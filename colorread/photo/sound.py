"""Checks that a photo file is sound, and that decoding it takes a reasonable amount of memory and time."""

from __future__ import annotations

import re
from io import SEEK_END
from mmap import ACCESS_COPY, mmap
from typing import BinaryIO, Final

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import ImageFile, TiffImagePlugin

from colorread.errors import refusal
from colorread.photo.file import open_image

JPEG_FORMATS: Final = frozenset(("JPEG", "MPO"))
_BLOCK_PX: Final = 8
_MOST_BYTES: Final = 350_000_000  # keeps the whole program below 600 MB while it reads a photo
# Bytes held per pixel while decoding, as measured: those of Pillow, and for some formats those of the decoder as well.
_BYTES_OF_MODE: Final = {"1": 1, "L": 1, "P": 1}
_BYTES_OF_FORMAT: Final = {"HEIF": 7, "WEBP": 14}
_BYTES_OF_COLOR: Final = 4
# Every scan of a JPEG covers the whole picture. Progressive JPEGs have about ten scans, and the largest phone photos
# 108 megapixels: a choice of this project.
_MOST_SCANNED_PIXELS: Final = 1_200_000_000
# Within a JPEG scan 0xFF is followed by zero or a restart code; anything else is a marker (ITU-T T.81, B.1.1.2).
_MARKER: Final = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9
# Of 1312 rendered photos with damage that the decoder does not notice and colors shifted by 3 codes or more, these find
# 63 %; of the 407 sound ones they refuse none.
_LEAST_JUMP: Final = 3.0  # codes; also twice the deviation of 75 % of the columns, four times that of the rows beside
_SHARE_ALIKE: Final = 0.75
_COLUMNS, _SPLITS = 128, 16  # columns to look at, which is enough; places where the damage may begin
# One in so many columns at each side must jump too. Without it two more percent of the damage is found, and two sound
# photos are refused: a card and the front edge of a tank lie level in them.
_OUTER = 20
# Bars above and below a photo, in screenshots or for a caption, end in a jump too, but have a single color, as no row
# of a photo does: 1 code is for compression.
_MOST_OFF_FLAT: Final = 1.0
# Not the fault of the file: color layouts that Pillow can decode and this decoder cannot.
_UNKNOWN_LAYOUT: Final = "subsampling"


def require_sound(image: ImageFile.ImageFile, file: BinaryIO) -> None:
    """
    Refuse a file whose pixels would take too much memory or time, or that is damaged by the rules of its format.

    Parameters
    ----------
    image : PIL.ImageFile.ImageFile
        Opened, not decoded yet.
    file : binary file
        What it was opened from; its position is restored.

    Raises
    ------
    colorread.errors.Refusal
        ``"too-large"`` or ``"broken-file"``.
    """
    at = file.tell()
    if image.format in JPEG_FORMATS:
        _require_few_scans(image, file)
    else:
        n_bytes = _BYTES_OF_FORMAT.get(image.format or "", _BYTES_OF_MODE.get(image.mode, _BYTES_OF_COLOR))
        _require_memory(image, n_bytes)
        if image.format == "PNG":
            file.seek(0)
            open_image(file).verify()  # its checksums
        elif image.format == "TIFF":
            _require_nothing_behind(image, file)
    file.seek(at)


def _require_nothing_behind(image: ImageFile.ImageFile, file: BinaryIO) -> None:
    """
    Refuse a plain TIFF that continues after its pixels although its directory comes before them.

    Extra bytes among the pixels shift the channels, so that red becomes green, and nothing else reveals it.
    """
    tags = image.tag_v2  # type: ignore[attr-defined]
    starts, lengths = tags.get(TiffImagePlugin.STRIPOFFSETS, ()), tags.get(TiffImagePlugin.STRIPBYTECOUNTS, ())
    is_alone = getattr(image, "n_frames", 1) == 1 and tags.get(TiffImagePlugin.COMPRESSION, 1) == 1
    file.seek(4)
    directory_at = int.from_bytes(file.read(4), "little" if tags.prefix == b"II" else "big")
    end = max(map(sum, zip(starts, lengths, strict=False)), default=0)
    if is_alone and directory_at < end and file.seek(0, SEEK_END) > end + end % 2:  # parts start at even offsets
        raise refusal("broken-file")


def _require_few_scans(image: ImageFile.ImageFile, file: BinaryIO) -> None:
    with _mapped(file) as data:
        n_scans = _scans_in(data)
    if n_scans > 1:  # all coefficients are kept, two bytes each
        layers = [across * down for _, across, down, _ in image.layer]  # type: ignore[attr-defined]
        _require_memory(image, 2.0 * sum(layers) / max(layers))
        if n_scans * image.width * image.height > _MOST_SCANNED_PIXELS:
            raise refusal("too-large/scans", n_scans=n_scans)


def _mapped(file: BinaryIO) -> mmap:
    # Never written to; but a map that others share is not to be had on some drives, such as those in a cloud.
    return mmap(file.fileno(), 0, access=ACCESS_COPY)


def decode_sound_jpeg(image: ImageFile.ImageFile, file: BinaryIO) -> NDArray[np.uint8]:
    """
    Decode a JPEG, or refuse it if the decoder has any complaint.

    Damage in the scan shifts the colors of everything after it, and Pillow, which shows as much of a picture as it can,
    does not mention it.

    Parameters
    ----------
    image : PIL.ImageFile.ImageFile
        Opened, and drafted to a smaller size where that is enough, not decoded yet.
    file : binary file
        What it was opened from.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        RGB.

    Raises
    ------
    colorread.errors.Refusal
        ``"broken-file"``.
    """
    with _mapped(file) as data:
        try:
            pixels = simplejpeg.decode_jpeg(data, "RGB", min_width=image.width, min_height=image.height, strict=True)
        except ValueError as error:
            if _UNKNOWN_LAYOUT not in str(error):
                raise refusal("broken-file") from error
            return np.asarray(image.convert("RGB"))
    return np.asarray(pixels, dtype=np.uint8)


def require_no_jump(pixels: NDArray[np.uint8], image: ImageFile.ImageFile, stored_width_px: int) -> None:
    """
    Refuse a JPEG whose colors jump in a way that only damage causes and that its decoder may not notice.

    Parameters
    ----------
    pixels : ndarray of uint8
        From `decode_sound_jpeg`.
    image : PIL.ImageFile.ImageFile
        The image they were decoded from.
    stored_width_px : int
        Its width before it was drafted [px].

    Raises
    ------
    colorread.errors.Refusal
        ``"broken-file"``.
    """
    block_px = round(_BLOCK_PX * image.width / stored_width_px)
    n_rows, n_columns = (side // block_px for side in pixels.shape[:2])
    every = max(n_columns // _COLUMNS, 1)  # that many columns of blocks are enough
    blocks = pixels[: n_rows * block_px, : n_columns * block_px].reshape(n_rows * block_px, n_columns, -1)[:, ::every]
    small = blocks.reshape(n_rows * block_px, -1, 3)
    while block_px > 1:  # by repeated halving, several times as fast in OpenCV as one step
        block_px //= 2
        small = np.asarray(cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    small = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2YCrCb), dtype=np.uint8)
    if _jumps(small, max(down for _, _, down, _ in image.layer)):  # type: ignore[attr-defined]
        raise refusal("broken-file/jump")


def _jumps(small: NDArray[np.uint8], step: int) -> bool:
    """
    Return whether a color jumps by the same amount along a whole row of blocks, as nothing in front of a camera does.

    Blocks store their color as the difference from the block before. Damage to one shifts all blocks after it, although
    the rest of the file may decode as if nothing had happened: those to its right in the same row, then all further
    rows.

    Parameters
    ----------
    small : ndarray of uint8, shape (H, W, C)
        The picture with one pixel for each block.
    step : int
        Rows of blocks that are stored together.
    """
    rises = np.diff(small.astype(np.float32), axis=0)
    height, width = small.shape[:2]
    outer_px = max(width // _OUTER, 1)
    every_border = np.arange(max(step, 2), height - 1 - step, step)
    off_color = np.abs(small - np.median(small, axis=1, keepdims=True)).max(axis=2)
    is_flat = np.quantile(off_color, _SHARE_ALIKE, axis=1) <= _MOST_OFF_FLAT
    # The nearest row may mix both sides.
    above, below = np.maximum(every_border - 1 - step, 0), np.minimum(every_border + 2 * step, height - 1)
    every_border = every_border[~(is_flat[above] | is_flat[below])]
    is_large = np.concatenate((rises >= _LEAST_JUMP, rises <= -_LEAST_JUMP), axis=2)  # up or down
    n_large = np.pad(np.cumsum(is_large, axis=1, dtype=np.int32), ((0, 0), (1, 0), (0, 0)))  # up to each column
    for split in range(0, width, max(width // _SPLITS, 1)):
        # A median can only be large if half of the rises are large the same way, and medians take most of the time.
        n_left, n_right = n_large[every_border + step - 1, split], n_large[every_border - 1]
        borders = every_border[(n_left + n_right[:, -1] - n_right[:, split] >= width // 2).any(axis=1)]
        if not len(borders):  # the case in most places of most photos
            continue
        before, at, after = (
            np.concatenate((rises[borders + step + offset, :split], rises[borders + offset, split:]), axis=1)
            for offset in (-2, -1, 0)
        )
        jump = np.median(at, axis=1)
        apart = np.quantile(np.abs(at - jump[:, np.newaxis]), _SHARE_ALIKE, axis=1)
        beside = np.maximum(*(np.abs(np.median(other, axis=1)) for other in (before, after)))
        size = np.abs(jump)
        # The level edge of a card or a table ends before a side of the photo, damage does not.
        outer = np.minimum(*(np.median(part, axis=1) * np.sign(jump) for part in (at[:, :outer_px], at[:, -outer_px:])))
        is_jump = size >= np.maximum(np.maximum(2.0 * apart, 4.0 * beside), _LEAST_JUMP)
        is_jump &= outer >= 0.5 * size
        is_alike = apart <= np.maximum(0.75 * size.max(axis=1, keepdims=True), _LEAST_JUMP)
        if (is_jump.any(axis=1) & is_alike.all(axis=1)).any():
            return True
    return False


def _scans_in(data: mmap) -> int:
    """Count the scans of the first picture of a file."""
    n_scans, at = 0, 2  # after the start of the image
    while found := _MARKER.search(data, at):
        kind = found[0][1]
        if kind == _END_OF_IMAGE:
            break
        n_scans += kind == _START_OF_SCAN
        at = found.end() + int.from_bytes(data[found.end() : found.end() + 2])
    return n_scans


def _require_memory(image: ImageFile.ImageFile, bytes_per_pixel: float) -> None:
    n_pixels = image.width * image.height
    if (n_bytes := n_pixels * bytes_per_pixel) > _MOST_BYTES:
        raise refusal("too-large/memory", megapixels=n_pixels / 1e6, megabytes=n_bytes / 1e6, most=_MOST_BYTES / 1e6)
