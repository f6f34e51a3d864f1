"""Photos on their way in: received within limits, under names of our own, in a folder that goes with the server."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
import secrets
import shutil
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path, PureWindowsPath

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from python_multipart.multipart import parse_options_header
from starlette.datastructures import FormData, UploadFile
from starlette.requests import ClientDisconnect

from colorread.words import clean_name

PHOTO_BYTES_MAX = 40 << 20
"""A photo of 108 megapixels from a phone has up to 30 MB."""
PHOTOS_MAX = 30
"""Photos in one form; a browser that runs the script sends them one by one."""
_DISK_BYTES_MAX = 1 << 30  # of what is being received: 25 of the largest photos, some hundred of common ones
_FORM_BYTES_MAX = 64 << 10  # of a form without photos, or of JSON: a few kB are needed
_SEVERAL_BYTES_MAX = 320 << 20
_FORM_S = 180.0  # a phone on a weak network sends 10 MB within
_FIELD_BYTES_MAX = 16 << 10
_FIELDS_MAX = 60
_LABEL_MAX = 80
# From 1990 on, in milliseconds as browsers tell it; earlier is a clock that was never set.
_MODIFIED_MIN_MS, _MODIFIED_MAX_MS = 631_152_000_000, 10_000_000_000_000


def body_bytes_max(path: str) -> int:
    """Return how large a request may be that goes to a path."""
    last = path.rpartition("/")[2]
    if last == "several":
        return _SEVERAL_BYTES_MAX
    return _FORM_BYTES_MAX + (PHOTO_BYTES_MAX if last in ("snap", "photo", "readings") else 0)


class Workplace:
    """
    A folder beside the log that belongs to one server: no other listens at its address.

    What a server that was killed left behind, photos with their place among it, is cleared by the next one.

    Parameters
    ----------
    log_path : Path
        The log.
    host : str
        Address that the server listens on.
    port : int
        Port that it listens on.
    tell : callable
        Is called with a sentence for whoever runs the server.
    """

    def __init__(self, log_path: Path, host: str, port: int, tell: Callable[[str], None]) -> None:
        self._all = log_path.with_name(f"{log_path.stem}-uploads")
        self.path = self._all / f"{host}-{port}"
        self._tell = tell
        self._free = _DISK_BYTES_MAX
        self._changed = asyncio.Condition()
        left = [folder for folder in self._all.glob("*-*") if folder == self.path or not _is_served(folder.name)]
        count = sum(len(list(folder.iterdir())) for folder in left)
        for folder in left:
            shutil.rmtree(folder)
        if count:
            tell(f"Photos that a server before had left behind were deleted: {count}.")
        self._make()

    def new_folder(self) -> Path:
        """Return a new folder, in a working folder that is made anew where somebody cleared it away."""
        folder = self.path / secrets.token_hex(16)
        try:
            folder.mkdir(mode=0o700)
        except FileNotFoundError:
            self._make()
            self._tell(f"The folder {self.path} was missing and has been recreated.")
            folder.mkdir(mode=0o700)
        return folder

    @asynccontextmanager
    async def room(self, n_bytes: int) -> AsyncIterator[None]:
        """Take room on the disk for what is received; wait while others have it."""
        async with self._changed:
            await self._changed.wait_for(lambda: n_bytes <= self._free)
            self._free -= n_bytes
        try:
            yield
        finally:
            async with self._changed:
                self._free += n_bytes
                self._changed.notify_all()

    def close(self) -> None:
        """Delete the folder with all that is in it."""
        shutil.rmtree(self.path, ignore_errors=True)

    def _make(self) -> None:
        for folder in (self._all, self.path):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def _is_served(name: str) -> bool:
    """Return whether a server listens at the address that a folder is named by."""
    host, _, port = name.rpartition("-")
    try:
        socket.create_server((host, int(port))).close()
    except (OSError, ValueError, OverflowError) as error:
        return isinstance(error, OSError) and error.errno == errno.EADDRINUSE
    return False


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


class HeldPhotos:
    """
    Photos that stay for a while after they were received, until they are dropped or the server ends.

    Each is held by a key: its tank, and what it is of that tank.

    Parameters
    ----------
    workplace : Workplace
        Where they are.
    count_max : int
        How many there may be; the oldest go first.
    held_s : float, optional
        How long each may stay [s].
    """

    def __init__(self, workplace: Workplace, *, count_max: int, held_s: float | None = None) -> None:
        self._workplace = workplace
        self._count_max = count_max
        self._held_s = held_s
        self._uploads: dict[tuple[str, ...], Upload] = {}
        self._lock = threading.Lock()

    def put(self, *key: str, upload: Upload) -> None:
        """Move a photo here, in place of an earlier one of the same key; its file is named by the end of the key."""
        held = replace(upload, path=upload.path.rename(self._workplace.new_folder() / key[-1]))
        self.drop(*key)
        with self._lock:
            self._uploads[key] = held
            surplus = list(self._uploads)[: -self._count_max]
        for oldest in surplus:
            self.drop(*oldest)
        if self._held_s is not None:
            asyncio.get_running_loop().call_later(self._held_s, self.drop, *key)

    def paths(self, *key: str) -> dict[str, Path]:
        """Return where the photos whose keys begin so are, by the end of their keys, as far as they are here still."""
        with self._lock:
            found = {each[-1]: upload.path for each, upload in self._uploads.items() if each[: len(key)] == key}
        return {end: path for end, path in found.items() if path.exists()}

    def drop(self, *key: str) -> None:
        """Delete the photos whose keys begin so."""
        with self._lock:
            uploads = [self._uploads.pop(each) for each in list(self._uploads) if each[: len(key)] == key]
        for upload in uploads:
            upload.remove()


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


def form_texts(form: FormData) -> dict[str, str]:
    """Return the fields of a form that are no files, without spaces around."""
    return {name: value.strip() for name, value in form.items() if isinstance(value, str)}


@asynccontextmanager
async def receive_photos(
    request: Request, workplace: Workplace, *, photos_max: int = 1
) -> AsyncIterator[tuple[dict[str, str], list[Upload]]]:
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
    tuple of dict and list of Upload
        The texts of the form, and its photos in their order, at least one.

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
                times = [str(time) for time in form.getlist("modified")]
                if len(times) != len(files):
                    times = [""] * len(files)
                for file, modified in zip(files, times, strict=True):
                    uploads.append(await run_in_threadpool(_save, file, workplace.new_folder(), modified))
                texts = form_texts(form)
            yield texts, uploads
        finally:
            for upload in uploads:
                upload.remove()


def _save(file: UploadFile, folder: Path, modified_ms: str) -> Upload:
    try:
        if not file.size:
            raise HTTPException(422, "The photo is empty; choose it again.")
        if file.size > PHOTO_BYTES_MAX:
            raise HTTPException(413, f"A photo may have at most {PHOTO_BYTES_MAX >> 20} MB.")
        path = folder / "photo"
        with path.open("x+b") as target:
            shutil.copyfileobj(file.file, target, 1 << 20)
            target.seek(0)
            sha256 = hashlib.file_digest(target, "sha256").hexdigest()
        with suppress(OSError, OverflowError, ValueError):  # it stands in where the photo itself holds no time
            if _MODIFIED_MIN_MS <= int(modified_ms) <= _MODIFIED_MAX_MS:
                os.utime(path, (int(modified_ms) / 1000.0, int(modified_ms) / 1000.0))
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return Upload(path=path, label=_label_of(file.filename or ""), sha256=sha256)


def _label_of(filename: str) -> str:
    """Return what people call a photo: the last part of what its sender wrote, printable, of bounded length."""
    name = clean_name(PureWindowsPath(filename).name)[-_LABEL_MAX:].strip()
    return name if name.strip(".? ") else "photo"
