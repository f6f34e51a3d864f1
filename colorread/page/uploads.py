"""Photos on their way in: received within limits, under names of our own, in a folder that is empty at every start."""

from __future__ import annotations

import asyncio
import hashlib
import os
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from python_multipart.multipart import parse_options_header
from starlette.datastructures import FormData, UploadFile
from starlette.requests import ClientDisconnect

from colorread.page.workplace import Workplace
from colorread.words import clean_name

PHOTO_BYTES_MAX = 40 << 20
"""A photo of 108 megapixels from a phone has up to 30 MB."""
PHOTOS_MAX = 30
"""Photos in one form; a browser that runs the script sends them one by one."""
_FORM_BYTES_MAX = 64 << 10  # of a form without photos, or of JSON: a few kB are needed
_SEVERAL_BYTES_MAX = 320 << 20
_FORM_S = 180.0  # a phone on a weak network sends 10 MB within
_FIELD_BYTES_MAX = 16 << 10
_FIELDS_MAX = 60
_LABEL_MAX = 80
# From 1990 on, in milliseconds as browsers tell it; earlier is a clock that was never set.
_MODIFIED_MIN_MS, _MODIFIED_MAX_MS = 631_152_000_000, 10_000_000_000_000


def body_bytes_max(path: str) -> int:
    """
    Return how large a request may be.

    Parameters
    ----------
    path : str
        Where it goes to.

    Returns
    -------
    int
        Bytes of its body.
    """
    last = path.rpartition("/")[2]
    if last == "several":
        return _SEVERAL_BYTES_MAX
    return _FORM_BYTES_MAX + (PHOTO_BYTES_MAX if last in ("snap", "photo", "readings") else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """
    A photo that was received.

    Parameters
    ----------
    path : Path
        Where it is, under a name of our own, in a folder of its own.
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
async def receive_form(request: Request, *, files_max: int = 0) -> AsyncIterator[FormData]:
    """
    Receive a form within limits; its files are gone afterwards.

    Parameters
    ----------
    request : Request
        With a form in it.
    files_max : int, default 0
        How many files it may hold.

    Yields
    ------
    FormData
        Its fields and files.

    Raises
    ------
    fastapi.HTTPException
        If it takes too long, breaks off or is no form.
    """
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    if kind not in (b"multipart/form-data", b"application/x-www-form-urlencoded"):
        raise HTTPException(415, "A form was expected.")
    if options.get(b"charset", b"utf-8").lower() != b"utf-8":
        raise HTTPException(415, "The form must be in UTF-8.")
    try:
        async with asyncio.timeout(_FORM_S):
            form = await request.form(
                max_files=files_max, max_fields=_FIELDS_MAX + files_max, max_part_size=_FIELD_BYTES_MAX
            )
    except TimeoutError:
        raise HTTPException(408, "The upload took too long; move closer to the Wi-Fi router.") from None
    except (ClientDisconnect, ValueError):
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


@asynccontextmanager
async def receive_photos(
    request: Request, workplace: Workplace, *, photos_max: int = 1
) -> AsyncIterator[tuple[FormData, list[Upload]]]:
    """
    Receive a form with photos in it; they are gone afterwards, but for those that were moved away.

    Parameters
    ----------
    request : Request
        With a form in it, whose photos are named ``photo``; its fields ``modified`` say in milliseconds when the files
        were changed last, where the sender knows.
    workplace : Workplace
        Where the photos are put.
    photos_max : int, default 1
        How many there may be.

    Yields
    ------
    tuple of FormData and list of Upload
        The form, and its photos in their order, at least one.

    Raises
    ------
    fastapi.HTTPException
        As `receive_form`; also if there is no photo, or one is empty or too large.
    """
    uploads: list[Upload] = []
    async with workplace.room(int(request.headers.get("content-length", "0"))):
        try:
            async with receive_form(request, files_max=photos_max + 1) as form:  # a field may be left empty
                files = [
                    file
                    for file in form.getlist("photo")
                    if isinstance(file, UploadFile) and (file.filename or file.size)
                ]
                if not files:
                    raise HTTPException(422, "No photo was sent; choose one first.")
                if len(files) > photos_max:
                    raise HTTPException(422, f"{len(files)} photos were sent; at most {photos_max} are taken here.")
                times = [text if isinstance(text, str) else "" for text in form.getlist("modified")]
                for number, file in enumerate(files):
                    modified = times[number] if len(times) == len(files) else ""
                    uploads.append(await run_in_threadpool(_save, file, workplace.new_folder(), modified))
            yield form, uploads
        finally:
            for upload in uploads:
                upload.remove()


def _save(file: UploadFile, folder: Path, modified: str) -> Upload:
    try:
        size = file.size or 0
        if size == 0:
            raise HTTPException(422, "The photo is empty; choose it again.")
        if size > PHOTO_BYTES_MAX:
            raise HTTPException(413, f"A photo may have at most {PHOTO_BYTES_MAX >> 20} MB.")
        path = folder / "photo"
        digest = hashlib.sha256()
        with path.open("xb") as target:
            while part := file.file.read(1 << 20):
                digest.update(part)
                target.write(part)
        _set_time(path, modified)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return Upload(path=path, label=label_of(file.filename or ""), sha256=digest.hexdigest())


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
