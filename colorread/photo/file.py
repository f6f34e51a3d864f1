"""Opening photo files: which files are tried at all, and how unreadable ones are refused."""

from __future__ import annotations

import errno
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Final

from PIL import Image, ImageFile

from colorread.errors import Refusal, refusal

# Choices of this project: the largest photos of common phones have 50 megapixels, of some 108; on less than
# 300 pixels card and vial cannot be seen.
_MOST_PIXELS: Final = 120_000_000
_LEAST_SIDE_PX: Final = 300

# What files of the formats of phones and cameras begin with.
_HEADS: Final = {
    "JPEG": rb"\xff\xd8\xff",
    "PNG": rb"\x89PNG\r\n\x1a\n",
    "TIFF": rb"II\*\0|MM\0\*",
    "WEBP": rb"RIFF.{4}WEBP",
    "HEIF": rb".{4}ftyp(hei[cmsx]|hev[cmsx]|mif1|msf1)",
}
_PICTURE_MODES: Final = frozenset(("1", "L", "LA", "P", "PA", "RGB", "RGBA", "RGBX", "RGBa", "CMYK", "YCbCr"))


def open_file(path: Path) -> BinaryIO:
    """
    Open a file for reading.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    file object
        Open for reading bytes; the caller closes it.

    Raises
    ------
    colorread.errors.Refusal
        ``"no-file"``, or ``"not-a-photo"`` for a folder.
    """
    try:
        if path.exists() and not path.is_file():
            raise refusal("not-a-photo/no-file")
        return path.open("rb")
    except FileNotFoundError as error:
        raise refusal("no-file") from error
    except (OSError, ValueError) as error:
        raise refusal("no-file/closed") from error


@contextmanager
def refusing_broken_files() -> Iterator[None]:
    """
    Turn whatever decoders raise on arbitrary bytes into a refusal, and their warnings into nothing.

    Yields
    ------
    None
        The block in which the file is decoded.

    Raises
    ------
    colorread.errors.Refusal
        ``"broken-file"`` or ``"too-large"``, or what the block itself refused.
    OSError, MemoryError
        Where the machine is to blame, not the file: a disk that fails, memory that runs out.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except (Refusal, MemoryError):
        raise
    except Image.DecompressionBombError as error:
        raise refusal("too-large/pixels", megapixels=_MOST_PIXELS // 1_000_000) from error
    except Exception as error:
        # The system reports by a number, decoders do not; EINVAL is a place that no file has.
        if isinstance(error, OSError) and error.errno not in (None, errno.EINVAL):
            raise
        raise refusal("broken-file") from error


def open_image(file: BinaryIO) -> ImageFile.ImageFile:
    """
    Read the header of a picture, not its pixels.

    Only the formats of phones and cameras are tried, so that odd files do not reach rarely used decoders.

    Parameters
    ----------
    file : file object
        Open for reading bytes, at its start.

    Returns
    -------
    PIL.ImageFile.ImageFile
        Picture that decodes when it is loaded.

    Raises
    ------
    colorread.errors.Refusal
        ``"not-a-photo"``, or ``"broken-file"`` for an empty file.
    """
    head = file.read(16)
    file.seek(0)
    if not head:
        raise refusal("broken-file/empty")
    kind = next((kind for kind, begins in _HEADS.items() if re.match(begins, head, re.DOTALL)), None)
    image: ImageFile.ImageFile
    if kind == "HEIF":
        from pillow_heif import HeifImageFile  # slow to import, and most photos are JPEG

        image = HeifImageFile(file)  # type: ignore[no-untyped-call]
    elif kind is not None:
        with warnings.catch_warnings():
            if kind == "TIFF":
                # Profile and orientation may lie behind the pixels; Pillow only warns where a file that was
                # cut off there has lost them.
                warnings.filterwarnings("error", module=r"PIL\.TiffImagePlugin")
                warnings.filterwarnings("ignore", "Metadata Warning")
            image = Image.open(file, formats=[kind])
    if kind is None or image.mode not in _PICTURE_MODES:
        raise refusal("not-a-photo")
    return image


def require_readable_size(size: tuple[int, int]) -> None:
    """
    Refuse pictures that are too large to be decoded, or too small to show card and vial.

    Parameters
    ----------
    size : tuple of int
        Width and height as the header says [px].

    Raises
    ------
    colorread.errors.Refusal
        ``"too-large"`` or ``"too-small"``.
    """
    if size[0] * size[1] > _MOST_PIXELS:
        raise refusal("too-large/pixels", megapixels=_MOST_PIXELS // 1_000_000)
    if min(size) < _LEAST_SIDE_PX:
        raise refusal("too-small", width=size[0], height=size[1], least=_LEAST_SIDE_PX)
