"""What all parts of the page share: the log, the processes that read, what waits, and what requests bring along."""

from __future__ import annotations

import asyncio
from collections import defaultdict, deque
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, TypeVar, TypeVarTuple

from fastapi import Depends, HTTPException, Request
from fastapi.concurrency import run_in_threadpool

from colorread.errors import Reason
from colorread.log import Damage, Log, LogEntry, forget_readings, undecided_path
from colorread.page import tasks
from colorread.page.guard import Access, devices_path
from colorread.page.tasks import TankView
from colorread.page.uploads import HeldPhotos, Upload, Workplace, form_texts, receive_form
from colorread.tank import Tank
from colorread.workers import Workers, WorkLost, processors

_PROCESSES_MAX = 2  # each takes about 250 MB
_TIME_LIMIT_S = 60.0  # a photo takes a third of a second, on a small computer some seconds
_PATIENCE_S = 0.3  # the page of a tank, which begins with the camera, waits so long for what its days tell
_VIEWS_MAX = 16
_ORIGINALS_MAX, _ORIGINAL_S = 10, 600.0  # in which a keeper sees the reading and decides
_CALIBRATION_PHOTOS_MAX = 40  # of several calibrations that are not finished; a choice of this project
_STATUS_OF_REASON = {"not-a-photo": 415, "too-large": 413, "profile": 409}

Arguments = TypeVarTuple("Arguments")
Result = TypeVar("Result")


class WorkFailed(Exception):  # noqa: N818 - reads better where it is caught
    """Work that came to no end, as it took too long or its process died; one sentence."""


class Pool:
    """
    Processes for work that would stop the server from answering.

    Parameters
    ----------
    count : int
        Processes.
    time_limit_s : float
        Work that takes longer is ended with its process [s].
    """

    def __init__(self, *, count: int, time_limit_s: float) -> None:
        self._count = count
        self._workers: Workers[Any, tuple[Any, Exception | None]] = Workers(_do, count=count, time_limit_s=time_limit_s)
        # Photos of one address take turns, so that one device with very many keeps the others waiting for a moment.
        self.turns: defaultdict[str, asyncio.Semaphore] = defaultdict(lambda: asyncio.Semaphore(count))

    async def run(self, task: Callable[[*Arguments], Result], *args: *Arguments) -> Result:
        """
        Do a piece of work in one of the processes.

        Parameters
        ----------
        task : callable
            Function of a module; it, its arguments and its result can be pickled.
        *args : object
            For the task.

        Returns
        -------
        object
            What the task returned.

        Raises
        ------
        WorkFailed
            If there is no result.
        ValueError, OSError
            As the task raised it.
        colorread.workers.TaskFailed
            For anything else that it raised.
        """
        try:
            result, raised = await asyncio.wrap_future(self._workers.submit((task, args)))
        except WorkLost as lost:
            raise WorkFailed(f"Reading this photo failed: {lost}.") from None
        except RuntimeError as error:  # the pool was closed, or no process starts
            raise WorkFailed("The server is stopping, or out of memory; try again later.") from error
        if raised is not None:
            raise raised
        done: Result = result
        return done

    async def warm(self) -> None:
        """Load what the first photo needs in every process: given at once, as none has started before all have work."""
        await asyncio.gather(*(self.run(tasks.warm_up) for _ in range(self._count)))

    def close(self) -> None:
        """Wait for the work that has begun, and end the processes."""
        self._workers.close()


def _do(work: tuple[Callable[..., Any], tuple[Any, ...]]) -> tuple[Any, Exception | None]:
    """Do the work in the other process; errors that are told in a sentence keep their kind on the way back."""
    task, args = work
    try:
        return task(*args), None
    except (ValueError, OSError) as error:
        return None, error
    except MemoryError:
        return None, WorkFailed("Not enough memory.")


class Core:
    """
    The state of the server.

    Parameters
    ----------
    log_path : Path
        Log that the command line uses too.
    home : str or None
        Tank that is shown first.
    host : str
        Address that it listens on.
    port : int
        Port that it listens on.
    shared : bool
        Whether other devices may reach it; then each has to be paired.
    on_paired : callable
        Is called when a device was paired, with the code for the next one.
    tell : callable
        Is called with a sentence for whoever runs the server.

    Raises
    ------
    OSError, LogError
        If the log or the folder beside it cannot be used.
    """

    def __init__(
        self,
        log_path: Path,
        *,
        home: str | None,
        host: str,
        port: int,
        shared: bool,
        on_paired: Callable[[str], None],
        tell: Callable[[str], None],
    ) -> None:
        if waited := take_in_undecided(log_path):
            tell(f"Readings that waited to be kept are in the log now: {waited}.")
        self.log_path, self.home = log_path, home
        self.access = Access(
            host=host, port=port, shared=shared, devices_path=devices_path(log_path), on_paired=on_paired
        )
        self.workplace = Workplace(log_path, host, port, tell)
        # Photos that were read just now, as they came, by tank and hash: their keepers may want to have them kept too.
        self.originals = HeldPhotos(self.workplace, count_max=_ORIGINALS_MAX, held_s=_ORIGINAL_S)
        # By tank, kind and step; a profile tells of its photos by their steps.
        self.calibrations = HeldPhotos(self.workplace, count_max=_CALIBRATION_PHOTOS_MAX)
        self.pool = Pool(count=min(processors(), _PROCESSES_MAX), time_limit_s=_TIME_LIMIT_S)
        self.patience_s = _PATIENCE_S
        self._views: dict[tuple[object, ...], asyncio.Task[TankView]] = {}

    def drop_photos(self, tank: str) -> None:
        """Delete the photos that are here for a tank of whose name there is none any more."""
        self.originals.drop(tank)
        self.calibrations.drop(tank)

    def keep(self, entry: LogEntry) -> bool:
        """Put a reading into the log; return whether it is the first one of its photo."""
        with Log(self.log_path) as log, log.transaction():
            is_first = log.entry(entry.tank, entry.sha256) is None
            log.add_later(entry)
        return is_first

    def forget(self, tank: str, sha256: str) -> bool:
        """Delete a reading and the photo that was kept of it; return whether there was one."""
        self.originals.drop(tank, sha256)
        with Log(self.log_path) as log:
            return forget_readings(log, {tank: [sha256]}) > 0

    def forget_damaged(self, tank: str) -> None:
        """Delete the readings of a tank that cannot be read back."""
        damages: list[Damage] = []
        with Log(self.log_path) as log:
            deque(log.entries(tank, on_damage=damages.append), maxlen=0)
            forget_readings(log, {tank: [each.sha256 for each in damages if each.sha256 is not None]})
        self._views.clear()  # damage need not show in what tells views apart

    async def score(self, request: Request, upload: Upload, tank: Tank) -> LogEntry | Reason:
        """Read an upload when it is its turn; a reason where there is nothing to put into the log."""
        async with self.pool.turns["" if request.client is None else request.client.host]:
            try:
                return await self.pool.run(
                    tasks.score_photo, upload.path, upload.label, upload.sha256, tank, self.log_path
                )
            except WorkFailed as error:
                return Reason(code="broke-off", message=str(error), next_step="Take another photo.")

    async def view(self, name: str) -> TankView:
        """Return what days of readings tell of a tank; computed anew only where the log or the day has changed."""
        version = await run_in_threadpool(self._version, name)
        if version not in self._views:  # else whoever asks for the same waits for the same
            self._views[version] = asyncio.create_task(self.pool.run(tasks.view_tank, self.log_path, name))
            while len(self._views) > _VIEWS_MAX:
                del self._views[next(iter(self._views))]
        try:
            return await asyncio.shield(self._views[version])
        except Exception:
            self._views.pop(version, None)
            raise

    def _version(self, name: str) -> tuple[object, ...]:
        """Return what changes whenever the view would, which tells how old the readings are and what is next."""
        hour = datetime.now().replace(minute=0, second=0, microsecond=0)
        with Log(self.log_path) as log:
            return log.tank(name), hour, tuple(sorted(log.scored_at(name).items())), tuple(log.events(name))


def take_in_undecided(log_path: Path) -> int:
    """
    Put readings into the log that earlier versions of the page left waiting to be kept or discarded.

    The small log in which they waited is deleted, unless either log fails.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    int
        How many there were of tanks that are in the log.
    """
    path = undecided_path(log_path)
    if not path.exists():
        return 0
    count = 0
    with Log(path) as waiting, Log(log_path) as log, log.transaction():
        for entry in waiting.entries(with_pictures=True):
            if log.has_tank(entry.tank):
                log.add_later(entry)
                count += 1
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)
    return count


def status_of(reason: Reason) -> int:
    """Return the status of the answer to a photo that was refused."""
    return _STATUS_OF_REASON.get(reason.code, 422)


def core_of(request: Request) -> Core:
    """Return the state of the server that answers a request."""
    core: Core = request.app.state.core
    return core


CoreHere = Annotated[Core, Depends(core_of)]


def _tank_of_address(core: CoreHere, name: str) -> Tank:
    with Log(core.log_path) as log:
        return log.tank(name)


def _entry_of_address(core: CoreHere, name: str, sha256: str) -> LogEntry:
    with Log(core.log_path) as log:
        entry = log.entry(name, sha256)
    if entry is None:
        raise HTTPException(404, "This reading is no longer in the log.")
    return entry


async def _view_of_address(core: CoreHere, name: str) -> TankView:
    return await core.view(name)


def require_own_form(request: Request, texts: Mapping[str, str]) -> None:
    """Raise where a form does not come from a page of the same browser."""
    if not core_of(request).access.is_form_token(request.state.session, texts.get("csrf", "")):
        raise HTTPException(403, "This form is out of date; reload the page.")


async def _own_form(request: Request) -> dict[str, str]:
    async with receive_form(request) as form:
        texts = form_texts(form)
    require_own_form(request, texts)
    return texts


TankHere = Annotated[Tank, Depends(_tank_of_address)]
"""The tank that the address names; if there is none, that is the answer."""
EntryHere = Annotated[LogEntry, Depends(_entry_of_address)]
"""The reading that the address names; if there is none, that is the answer."""
ViewHere = Annotated[TankView, Depends(_view_of_address)]
"""What days of readings tell of that tank."""
OwnForm = Annotated[dict[str, str], Depends(_own_form)]
"""The texts of a form that came from a page of the same browser; a box without its tick is not among them."""
