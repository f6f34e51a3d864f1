"""Uploads: forms and photos received within limits, and the folder that holds the photos."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import os
import shutil
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from tempfile import mkdtemp

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from python_multipart.multipart import parse_options_header
from starlette.datastructures import FormData, UploadFile
from starlette.requests import ClientDisconnect

from colorread.words import clean_name

PHOTO_BYTES_MAX = 40 << 20
"""A 108-megapixel photo from a phone has up to 30 MB."""
PHOTOS_MAX = 30
"""Most photos in one form; the page's script sends them one by one."""
_DISK_BYTES_MAX = 1 << 30  # for everything being received: 25 of the largest photos, hundreds of common ones
_FORM_BYTES_MAX = 64 << 10  # of a form without photos, or of JSON; a few kB are needed
_SEVERAL_BYTES_MAX = 320 << 20
_FORM_S = 180.0  # enough for 10 MB from a phone on a weak network
_FIELD_BYTES_MAX = 16 << 10
_FIELDS_MAX = 60
_LABEL_MAX = 80
# From 1990 on, in milliseconds as browsers give it; anything earlier comes from a clock that was never set.
_MODIFIED_MIN_MS, _MODIFIED_MAX_MS = 631_152_000_000, 10_000_000_000_000


def body_bytes_max(path: str) -> int:
    """Return how large a request to a path may be."""
    last = path.rpartition("/")[2]
    if last == "several":
        return _SEVERAL_BYTES_MAX
    return _FORM_BYTES_MAX + (PHOTO_BYTES_MAX if last in ("snap", "photo", "readings") else 0)


class Workplace:
    """
    A folder beside the log for the uploads of one server, named by its address.

    Whatever a killed server left behind, such as photos with their location, is deleted by the next one.

    Parameters
    ----------
    log_path : Path
        The log.
    host : str
        Address that the server listens on.
    port : int
        Port that it listens on.
    tell : callable
        Called with a sentence for whoever runs the server.
    """

    def __init__(self, log_path: Path, host: str, port: int, tell: Callable[[str], None]) -> None:
        self._all = log_path.with_name(f"{log_path.stem}-uploads")
        self.path = self._all / f"{host}-{port}"
        self._tell = tell
        self._free = _DISK_BYTES_MAX
        self._changed = asyncio.Condition()
        # Without hidden files, such as a Mac puts beside each of its own on a drive of another system.
        left = [folder for folder in self._all.glob("[!.]*-*") if folder == self.path or not _is_served(folder.name)]
        count = sum(len(list(folder.iterdir())) for folder in left)
        for folder in left:
            shutil.rmtree(folder)
        if count:
            tell(f"Deleted photos that an earlier server left behind: {count}.")
        self._make()

    def new_folder(self) -> Path:
        """Return a new folder; recreate the working folder if somebody deleted it."""
        try:
            return Path(mkdtemp(dir=self.path))
        except FileNotFoundError:
            self._make()
            self._tell(f"The folder {self.path} was missing and has been recreated.")
            return Path(mkdtemp(dir=self.path))

    @asynccontextmanager
    async def room(self, n_bytes: int) -> AsyncIterator[None]:
        """Reserve room on the disk for an upload; wait while others use it."""
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
        """Delete the folder with everything in it."""
        shutil.rmtree(self.path, ignore_errors=True)

    def _make(self) -> None:
        for folder in (self._all, self.path):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def _is_served(name: str) -> bool:
    """Return whether a server listens at the address in the name of a folder."""
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
        The file, in a folder of its own.
    label : str
        Name that its sender gave it, without folders; only to be shown.
    sha256 : str
        Hash of its content.
    """

    path: Path
    label: str
    sha256: str


class HeldPhotos:
    """
    Photos that are kept after they are received, until they are dropped or the server stops.

    The key of a photo starts with its tank.

    Parameters
    ----------
    workplace : Workplace
        Where they are kept.
    count_max : int
        Most photos to keep; the oldest are dropped first.
    held_s : float, optional
        How long each may stay [s].
    """

    def __init__(self, workplace: Workplace, *, count_max: int, held_s: float | None = None) -> None:
        self._workplace = workplace
        self._count_max = count_max
        self._held_s = held_s
        self._paths: dict[tuple[str, ...], Path] = {}
        self._lock = threading.Lock()

    def put(self, *key: str, path: Path) -> None:
        """Move a photo here, replacing an earlier one with the same key; the last part of the key names its file."""
        held = path.rename(self._workplace.new_folder() / key[-1])
        self.drop(*key)
        with self._lock:
            self._paths[key] = held
            surplus = list(self._paths)[: -self._count_max]
        for oldest in surplus:
            self.drop(*oldest)
        if self._held_s is not None:
            asyncio.get_running_loop().call_later(self._held_s, self.drop, *key)

    def paths(self, *key: str) -> dict[str, Path]:
        """Return the photos whose keys start with `key` and that are still here, by the last part of their keys."""
        with self._lock:
            found = [path for each, path in self._paths.items() if each[: len(key)] == key]
        return {path.name: path for path in found if path.exists()}

    def drop(self, *key: str) -> None:
        """Delete the photos whose keys start with `key`."""
        with self._lock:
            paths = [self._paths.pop(each) for each in list(self._paths) if each[: len(key)] == key]
        for path in paths:
            shutil.rmtree(path.parent, ignore_errors=True)


@asynccontextmanager
async def receive_form(request: Request, *, files_max: int = 0) -> AsyncIterator[FormData]:
    """
    Receive a form within limits; its files are deleted afterwards.

    Parameters
    ----------
    request : Request
        Request with a form.
    files_max : int, default 0
        Most files.

    Yields
    ------
    FormData
        Its fields and files.

    Raises
    ------
    fastapi.HTTPException
        If it takes too long, breaks off, or is not a form.
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
        raise HTTPException(408, "The upload took too long.") from None
    except (ClientDisconnect, ValueError):
        raise HTTPException(400, "The form is damaged.") from None
    try:
        yield form
    finally:
        await form.close()


def form_texts(form: FormData) -> dict[str, str]:
    """Return the text fields of a form, stripped."""
    return {name: value.strip() for name, value in form.items() if isinstance(value, str)}


@asynccontextmanager
async def receive_photos(
    request: Request, workplace: Workplace, *, photos_max: int = 1
) -> AsyncIterator[tuple[dict[str, str], list[Upload]]]:
    """
    Receive a form with photos; those not moved elsewhere are deleted afterwards.

    Parameters
    ----------
    request : Request
        Request with a form. Its photos are named ``photo``; fields named ``modified`` give the time of the last change
        of each file, in milliseconds since 1970, if the sender knows it.
    workplace : Workplace
        Where the photos are put.
    photos_max : int, default 1
        Most photos.

    Yields
    ------
    tuple of dict and list of Upload
        The texts of the form, and its photos in order, at least one.

    Raises
    ------
    fastapi.HTTPException
        As `receive_form`; also if there is no photo, or one is empty or too large.
    """
    folders: list[Path] = []
    async with workplace.room(int(request.headers.get("content-length", "0"))):
        try:
            async with receive_form(request, files_max=photos_max + 1) as form:  # a field may be left empty
                sent = [file for file in form.getlist("photo") if isinstance(file, UploadFile)]
                files = [file for file in sent if file.filename or file.size]
                if not files:
                    raise HTTPException(422, "No photo was sent; choose one first.")
                if len(files) > photos_max:
                    raise HTTPException(422, f"{len(files)} photos were sent; at most {photos_max} are accepted here.")
                times = [str(time) for time in form.getlist("modified")]
                if len(times) != len(files):
                    times = [""] * len(files)
                uploads = []
                for file, modified in zip(files, times, strict=True):
                    folders.append(workplace.new_folder())
                    uploads.append(await run_in_threadpool(_save, file, folders[-1], modified))
                texts = form_texts(form)
            yield texts, uploads
        finally:
            for folder in folders:
                shutil.rmtree(folder, ignore_errors=True)


def _save(file: UploadFile, folder: Path, modified_ms: str) -> Upload:
    if not file.size:
        raise HTTPException(422, "The photo is empty; choose it again.")
    if file.size > PHOTO_BYTES_MAX:
        raise HTTPException(413, f"A photo may be at most {PHOTO_BYTES_MAX >> 20} MB.")
    path = folder / "photo"
    with path.open("x+b") as target:
        shutil.copyfileobj(file.file, target, 1 << 20)
        target.seek(0)
        sha256 = hashlib.file_digest(target, "sha256").hexdigest()
    with suppress(OSError, OverflowError, ValueError):  # used if the photo holds no time
        if _MODIFIED_MIN_MS <= int(modified_ms) <= _MODIFIED_MAX_MS:
            os.utime(path, (int(modified_ms) / 1000.0, int(modified_ms) / 1000.0))
    return Upload(path=path, label=_label_of(file.filename or ""), sha256=sha256)


def _label_of(filename: str) -> str:
    """Return a name for a photo: the last part of the path its sender gave, printable and not too long."""
    name = clean_name(PureWindowsPath(filename).name)[-_LABEL_MAX:].strip()
    return name if name.strip(".? ") else "photo"
