"""Whether a photo file is sound, and modest enough to be decoded: asked before its pixels are."""

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
_MOST_BYTES: Final = 350_000_000  # so that all of the program stays below 600 MB while it reads a photo
# Held for each pixel while decoding, as measured: what Pillow keeps, and what its decoders keep beside it.
_BYTES_OF_MODE: Final = {"1": 1, "L": 1, "P": 1}
_BYTES_OF_FORMAT: Final = {"HEIF": 7, "WEBP": 14}
_BYTES_OF_COLOR: Final = 4
# Every scan of a JPEG goes over the whole picture. Progressive ones have about ten, of the largest phones 108
# megapixels: a choice of this project.
_MOST_SCANNED_PIXELS: Final = 1_200_000_000
# In the scan of a JPEG 0xFF is followed by zero or is a restart; all else is a marker (ITU-T T.81, B.1.1.2).
_MARKER: Final = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9
# Of 604 rendered photos whose damage the decoder does not notice, with colors shifted by 3 codes and more, these find
# 73 %, all whose reading would miss among them; of 626 sound ones they refuse one, whose card lies level in the photo.
_LEAST_JUMP: Final = 3.0  # codes; twice what 75 % of the columns lie apart, four times that of the rows beside
_SHARE_ALIKE: Final = 0.75
_COLUMNS, _SPLITS = 128, 16  # looked at, which is enough; places where the damage may begin
# Bars above and below a photo, in screenshots or for a caption, end in a jump too, but are of one color as no row of a
# photo is: 1 code is for compression.
_MOST_OFF_FLAT: Final = 1.0
# Not the fault of the file: layouts of colors that only the decoder of the pixels knows.
_UNKNOWN_LAYOUT: Final = "subsampling"


def require_sound(image: ImageFile.ImageFile, file: BinaryIO) -> None:
    """
    Refuse a file whose pixels would take too much memory or time, or that is damaged by the rules of its own format.

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
    Refuse a plain TIFF that goes on behind its pixels, though its directory stands before them.

    Bytes too many among the pixels move the channels: what is red becomes green. Nothing else shows that.
    """
    tags = image.tag_v2  # type: ignore[attr-defined]
    starts, lengths = tags.get(TiffImagePlugin.STRIPOFFSETS, ()), tags.get(TiffImagePlugin.STRIPBYTECOUNTS, ())
    is_alone = getattr(image, "n_frames", 1) == 1 and tags.get(TiffImagePlugin.COMPRESSION, 1) == 1
    file.seek(4)
    directory_at = int.from_bytes(file.read(4), "little" if tags.prefix == b"II" else "big")
    end = max(map(sum, zip(starts, lengths, strict=False)), default=0)
    if is_alone and directory_at < end and file.seek(0, SEEK_END) > end + end % 2:  # its parts begin at even places
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
    Decode a JPEG, or refuse it where the decoder has anything to say.

    Damage in the scan shifts the colors of all that follows, and Pillow, which shows as much of a picture as it can,
    says nothing of it.

    Parameters
    ----------
    image : PIL.ImageFile.ImageFile
        Opened, and drafted to a size where it need not be larger, not decoded yet.
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
    Refuse a JPEG whose colors jump as only those of a damaged one do, which its decoder need not notice.

    Parameters
    ----------
    pixels : ndarray of uint8
        From `decode_sound_jpeg`.
    image : PIL.ImageFile.ImageFile
        What they are of.
    stored_width_px : int
        Its width before it was drafted [px].

    Raises
    ------
    colorread.errors.Refusal
        ``"broken-file"``.
    """
    block_px = round(_BLOCK_PX * image.width / stored_width_px)
    n_rows, n_columns = (side // block_px for side in pixels.shape[:2])
    every = max(n_columns // _COLUMNS, 1)  # as many columns of blocks are enough
    blocks = pixels[: n_rows * block_px, : n_columns * block_px].reshape(n_rows * block_px, n_columns, -1)[:, ::every]
    small = blocks.reshape(n_rows * block_px, -1, 3)
    while block_px > 1:  # by halves, which OpenCV does several times as fast as all at once
        block_px //= 2
        small = np.asarray(cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    small = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2YCrCb), dtype=np.uint8)
    if _jumps(small, max(down for _, _, down, _ in image.layer)):  # type: ignore[attr-defined]
        raise refusal("broken-file/jump")


def _jumps(small: NDArray[np.uint8], step: int) -> bool:
    """
    Return whether a color jumps by the same amount along a whole row of blocks, as nothing in front of a camera does.

    Blocks store their color as the difference to the block before. Damage to one shifts all that follow to the end,
    though the rest of the file may be read as if nothing had been: first the blocks to the right in its row, and from
    the next row on those to the left too.

    Parameters
    ----------
    small : ndarray of uint8, shape (H, W, C)
        The picture with one pixel for each block.
    step : int
        Rows of blocks that are stored together.
    """
    rises = np.diff(small.astype(np.float32), axis=0)
    height, width = small.shape[:2]
    every_border = np.arange(max(step, 2), height - 1 - step, step)
    off_color = np.abs(small - np.median(small, axis=1, keepdims=True)).max(axis=2)
    is_flat = np.quantile(off_color, _SHARE_ALIKE, axis=1) <= _MOST_OFF_FLAT
    # The nearest row may hold some of both sides.
    above, below = np.maximum(every_border - 1 - step, 0), np.minimum(every_border + 2 * step, height - 1)
    every_border = every_border[~(is_flat[above] | is_flat[below])]
    is_large = np.concatenate((rises >= _LEAST_JUMP, rises <= -_LEAST_JUMP), axis=2)  # either way
    n_large = np.pad(np.cumsum(is_large, axis=1, dtype=np.int32), ((0, 0), (1, 0), (0, 0)))  # up to each column
    for split in range(0, width, max(width // _SPLITS, 1)):
        # Only where half of the rises are large one way can their median be, and medians take most of the time.
        n_left, n_right = n_large[every_border + step - 1, split], n_large[every_border - 1]
        borders = every_border[(n_left + n_right[:, -1] - n_right[:, split] >= width // 2).any(axis=1)]
        if not len(borders):  # as in most places of most photos
            continue
        before, at, after = (
            np.concatenate((rises[borders + step + offset, :split], rises[borders + offset, split:]), axis=1)
            for offset in (-2, -1, 0)
        )
        jump = np.median(at, axis=1)
        apart = np.quantile(np.abs(at - jump[:, np.newaxis]), _SHARE_ALIKE, axis=1)
        beside = np.maximum(*(np.abs(np.median(other, axis=1)) for other in (before, after)))
        size = np.abs(jump)
        is_jump = size >= np.maximum(np.maximum(2.0 * apart, 4.0 * beside), _LEAST_JUMP)
        is_alike = apart <= np.maximum(0.75 * size.max(axis=1, keepdims=True), _LEAST_JUMP)
        if (is_jump.any(axis=1) & is_alike.all(axis=1)).any():
            return True
    return False


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
    n_pixels = image.width * image.height
    if (n_bytes := n_pixels * bytes_per_pixel) > _MOST_BYTES:
        raise refusal("too-large/memory", megapixels=n_pixels / 1e6, megabytes=n_bytes / 1e6, most=_MOST_BYTES / 1e6)
