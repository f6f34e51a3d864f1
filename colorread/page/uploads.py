"""Photos on their way in: received within limits, under names of our own, in a folder that goes with the server."""

from __future__ import annotations

import asyncio
import hashlib
import os
import secrets
import shutil
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile

from colorread.words import clean_name

PHOTO_BYTES_MAX = 40 << 20
"""A photo of 108 megapixels from a phone has up to 30 MB."""
PHOTOS_MAX = 30
_FORM_S = 180.0  # a phone on a weak network sends 10 MB within
_FIELD_BYTES_MAX = 100_000
_FIELDS_MAX = 60
_LABEL_MAX = 80
# From 1990 on, in milliseconds as browsers tell it; earlier is a clock that was never set.
_MODIFIED_MIN_MS, _MODIFIED_MAX_MS = 631_152_000_000, 10_000_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """
    A photo that was received.

    Parameters
    ----------
    path : Path
        Where it is, under a name of our own.
    label : str
        What the sender calls it, without folders; for people only.
    sha256 : str
        Of its content.
    """

    path: Path
    label: str
    sha256: str

    def remove(self) -> None:
        """Delete the file, of which nothing is left behind."""
        shutil.rmtree(self.path.parent, ignore_errors=True)


@asynccontextmanager
async def receive_form(request: Request, *, photos_max: int = 0) -> AsyncIterator[FormData]:
    """
    Receive a form within limits; its files are gone afterwards.

    Parameters
    ----------
    request : Request
        With a form in it.
    photos_max : int, default 0
        How many files it may hold.

    Yields
    ------
    FormData
        Its fields and files.

    Raises
    ------
    fastapi.HTTPException
        If it is too large, takes too long or is no form.
    """
    length = int(request.headers.get("content-length", "0"))
    if length > photos_max * PHOTO_BYTES_MAX + _FIELDS_MAX * _FIELD_BYTES_MAX:
        raise HTTPException(413, f"A photo may have at most {PHOTO_BYTES_MAX >> 20} MB.")
    if not request.headers.get("content-type", "").startswith(
        ("multipart/form-data", "application/x-www-form-urlencoded")
    ):
        raise HTTPException(415, "A form was expected.")
    try:
        async with asyncio.timeout(_FORM_S):
            form = await request.form(
                max_files=photos_max, max_fields=_FIELDS_MAX + photos_max, max_part_size=_FIELD_BYTES_MAX
            )
    except TimeoutError:
        raise HTTPException(408, "The upload took too long; try again nearer to the network.") from None
    except (UnicodeDecodeError, ValueError):
        raise HTTPException(400, "The form is damaged.") from None
    try:
        yield form
    finally:
        await form.close()


def text_of(form: FormData, name: str) -> str:
    """
    Return a field of a form.

    Parameters
    ----------
    form : FormData
        As received.
    name : str
        Of the field.

    Returns
    -------
    str
        Without spaces around; empty where it was left out or is a file.
    """
    value = form.get(name, "")
    return value.strip() if isinstance(value, str) else ""


async def save_photos(form: FormData, folder: Path, *, name: str = "photo") -> list[Upload]:
    """
    Put the photos of a form into files.

    Parameters
    ----------
    form : FormData
        As received; the fields ``modified`` say in milliseconds when the files were changed last, where the sender
        knows.
    folder : Path
        Where to.
    name : str, default 'photo'
        Name of the fields that hold photos.

    Returns
    -------
    list of Upload
        In the order of the form, at least one.

    Raises
    ------
    fastapi.HTTPException
        If there is none, or one is empty or too large; then none is left behind.
    """
    files = [file for file in form.getlist(name) if isinstance(file, UploadFile) and (file.filename or file.size)]
    if not files:
        raise HTTPException(422, "No photo was sent; choose one first.")
    times = [text if isinstance(text, str) else "" for text in form.getlist("modified")]
    uploads: list[Upload] = []
    try:
        for number, file in enumerate(files):
            modified = times[number] if len(times) == len(files) else ""
            uploads.append(await run_in_threadpool(_save, file, folder, modified))
    except BaseException:
        for upload in uploads:
            upload.remove()
        raise
    return uploads


def _save(file: UploadFile, folder: Path, modified: str) -> Upload:
    size = file.size or 0
    if size == 0:
        raise HTTPException(422, "The photo is empty; choose it again.")
    if size > PHOTO_BYTES_MAX:
        raise HTTPException(413, f"A photo may have at most {PHOTO_BYTES_MAX >> 20} MB.")
    path = folder / secrets.token_hex(16) / "photo"
    digest = hashlib.sha256()
    with _whole(path.parent):
        with path.open("xb") as target:
            while part := file.file.read(1 << 20):
                digest.update(part)
                target.write(part)
        _set_time(path, modified)
    return Upload(path=path, label=label_of(file.filename or ""), sha256=digest.hexdigest())


@contextmanager
def _whole(folder: Path) -> Iterator[None]:
    folder.mkdir(mode=0o700)
    try:
        yield
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _set_time(path: Path, modified: str) -> None:
    """Give the file the time that the sender knows, which stands in where the photo itself holds none."""
    if modified.isascii() and modified.isdigit() and _MODIFIED_MIN_MS <= int(modified) <= _MODIFIED_MAX_MS:
        with suppress(OSError, OverflowError):
            os.utime(path, (int(modified) / 1000.0, int(modified) / 1000.0))


def label_of(filename: str) -> str:
    """
    Return what people call a photo.

    Parameters
    ----------
    filename : str
        As the sender wrote it: nothing to be trusted.

    Returns
    -------
    str
        Its last part, printable, of bounded length; ``photo`` where nothing is left.
    """
    name = clean_name(PureWindowsPath(filename).name)[-_LABEL_MAX:].strip()
    return name if name.strip(".? ") else "photo"
