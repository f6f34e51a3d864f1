"""The state that all parts of the page share, and what requests depend on."""

from __future__ import annotations

import asyncio
import traceback
from collections import defaultdict, deque
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, TypeVar, TypeVarTuple

from fastapi import Depends, HTTPException, Request
from fastapi.concurrency import run_in_threadpool

from colorread.errors import Reason
from colorread.log import Damage, Log, LogEntry, LogFailure, forget_readings, undecided_path
from colorread.page import tasks
from colorread.page.guard import Access
from colorread.page.uploads import HeldPhotos, Upload, Workplace, form_texts, receive_form
from colorread.tank import Tank
from colorread.workers import TaskFailed, Workers, WorkLost, processors

_PROCESSES_MAX = 2  # each takes about 250 MB
_LIMIT_S = 60.0  # for any work: a photo takes a third of a second, or a few seconds on a small computer
_PATIENCE_S = 0.3  # how long the page of a tank, which starts with the camera, waits for its summary
_VIEWS_MAX = 16  # kept at a time: a choice of this project
_ORIGINALS_MAX, _ORIGINAL_S = 10, 600.0  # time to see the reading and decide
_CALIBRATION_PHOTOS_MAX = 40  # in unfinished calibrations of all tanks; a choice of this project

Arguments = TypeVarTuple("Arguments")
Result = TypeVar("Result")


class WorkFailed(Exception):  # noqa: N818 - reads better where it is caught
    """Work took too long, its process died, or it met a fault of the program; one sentence."""


class ProgramFault(WorkFailed):
    """Work that the program itself is to blame for; one sentence."""


class Pool:
    """
    Processes for work that would keep the server from answering.

    Parameters
    ----------
    count : int
        Number of processes; one is killed if its work takes too long.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self._workers: Workers[Any, tuple[Any, Exception | None]] = Workers(_do, count=count, time_limit_s=_LIMIT_S)
        # Photos from one address take turns, so that a device that sends very many delays the others only briefly.
        self.turns: defaultdict[str, asyncio.Semaphore] = defaultdict(lambda: asyncio.Semaphore(count))

    async def run(self, task: Callable[[*Arguments], Result], *args: *Arguments) -> Result:
        """
        Run a task in one of the processes.

        Parameters
        ----------
        task : callable
            Must be picklable, as must its arguments and its result.
        *args : object
            Its arguments.

        Returns
        -------
        object
            Its result.

        Raises
        ------
        WorkFailed
            If there is no result; `ProgramFault` if the task raised anything but the following.
        ValueError
            If the task raised it on purpose; its text is for people.
        OSError
            If the task raised it.
        """
        try:
            result, raised = await asyncio.wrap_future(self._workers.submit((task, args)))
        except WorkLost as lost:
            raise WorkFailed(f"This was not finished: {lost}.") from None
        except TaskFailed as fault:
            raise ProgramFault(f"A fault in the program stopped this ({fault}).") from None
        except RuntimeError as error:  # the pool was closed, or no process starts
            raise WorkFailed("The server is stopping, or out of memory; try again later.") from error
        if raised is not None:
            raise raised
        done: Result = result
        return done

    async def warm(self) -> None:
        """
        Load what the first photo needs in every process; a process starts with its first task, so all get one at once.

        Whatever fails here fails again where somebody waits for it, and is reported there.
        """
        await asyncio.gather(*(self.run(tasks.warm_up) for _ in range(self._count)), return_exceptions=True)

    def close(self) -> None:
        """Wait for running work, then end the processes."""
        self._workers.close()


def _do(work: tuple[Callable[..., Any], tuple[Any, ...]]) -> tuple[Any, Exception | None]:
    """Do the work in the other process; return errors whose text is for people, and those of the system."""
    task, args = work
    try:
        return task(*args), None
    except (OSError, LogFailure) as error:
        return None, error
    except ValueError as error:
        if not _is_for_people(error):
            raise
        return None, error
    except MemoryError:
        return None, WorkFailed("Not enough memory.")


def _is_for_people(error: ValueError) -> bool:
    """Return whether this program raised an error with a sentence; all others are its own faults, whatever they say."""
    *_, (frame, _) = traceback.walk_tb(error.__traceback__)
    is_own_kind, is_raised_here = (
        module.partition(".")[0] in ("colorread", "calibration")
        for module in (type(error).__module__, frame.f_globals["__name__"])
    )
    return is_own_kind or (is_raised_here and str(error).endswith("."))


class Core:
    """
    The state of the server.

    Parameters
    ----------
    log_path : Path
        The log, shared with the command line.
    access : Access
        Who may use the page, and where it listens.
    home : str or None
        Tank to show first.
    tell : callable
        Called with a sentence for whoever runs the server.

    Raises
    ------
    OSError, LogFailure
        If the log or the folder beside it cannot be used.
    """

    def __init__(self, log_path: Path, access: Access, *, home: str | None, tell: Callable[[str], None]) -> None:
        if waited := take_in_undecided(log_path):
            tell(f"Readings that were waiting to be saved are in the log now: {waited}.")
        self.log_path, self.access, self.home = log_path, access, home
        self.workplace = Workplace(log_path, access.host, access.port, tell)
        # Photos that were just read, by tank and hash: the keeper may want to save them too.
        self.originals = HeldPhotos(self.workplace, count_max=_ORIGINALS_MAX, held_s=_ORIGINAL_S)
        # Photos of unfinished calibrations, by tank, kind and step.
        self.calibrations = HeldPhotos(self.workplace, count_max=_CALIBRATION_PHOTOS_MAX)
        self.pool = Pool(min(processors(), _PROCESSES_MAX))
        self.patience_s = _PATIENCE_S
        self._views: dict[tuple[object, ...], asyncio.Task[tasks.TankView]] = {}

    def drop_photos(self, tank: str) -> None:
        """Delete the photos held for a tank that is gone."""
        self.originals.drop(tank)
        self.calibrations.drop(tank)

    def keep(self, entry: LogEntry) -> bool:
        """Put a reading into the log; return whether it is the first of its photo; only that one can be discarded."""
        with Log(self.log_path) as log, log.transaction():
            is_first = log.entry(entry.tank, entry.sha256) is None
            log.add_if_newer(entry)
        return is_first

    def forget(self, tank: str, sha256: str) -> bool:
        """Delete a reading and its saved photo; return whether there was one."""
        self.originals.drop(tank, sha256)
        with Log(self.log_path) as log:
            return forget_readings(log, {tank: [sha256]}) > 0

    def forget_damaged(self, tank: str) -> None:
        """Delete the readings of a tank that cannot be read back."""
        damages: list[Damage] = []
        with Log(self.log_path) as log:
            deque(log.entries(tank, on_damage=damages.append), maxlen=0)
            forget_readings(log, {tank: [each.sha256 for each in damages if each.sha256 is not None]})
        self._views.clear()  # damage may not change what identifies a view

    async def score(self, request: Request, upload: Upload, tank: Tank) -> LogEntry | Reason:
        """Read an upload when it is its turn; return a reason if there is nothing to put into the log."""
        async with self.pool.turns["" if request.client is None else request.client.host]:
            try:
                return await self.pool.run(tasks.score_photo, upload, tank, self.log_path)
            except WorkFailed as error:
                return Reason(code="broke-off", message=str(error), next_step="Take another photo.")

    async def view(self, name: str) -> tasks.TankView:
        """Return the summary of a tank, recomputed only if the log or the hour has changed."""
        version = await run_in_threadpool(self._version, name)
        if version not in self._views:  # all requests for the same view wait for the same task
            self._views[version] = asyncio.create_task(self.pool.run(tasks.view_tank, self.log_path, name))
            while len(self._views) > _VIEWS_MAX:
                del self._views[next(iter(self._views))]
        try:
            return await asyncio.shield(self._views[version])
        except Exception:
            self._views.pop(version, None)
            raise

    def _version(self, name: str) -> tuple[object, ...]:
        """Return what identifies a view; the hour is part of it, as a view says how old readings are."""
        hour = datetime.now().replace(minute=0, second=0, microsecond=0)
        with Log(self.log_path) as log:
            return log.tank(name), hour, log.version(name)


def take_in_undecided(log_path: Path) -> int:
    """
    Move readings into the log that earlier versions of the page kept apart until they were saved or discarded.

    The small log that held them is deleted, unless either log fails.

    Parameters
    ----------
    log_path : Path
        The log.

    Returns
    -------
    int
        How many of them belong to tanks in the log.
    """
    path = undecided_path(log_path)
    if not path.exists():
        return 0
    count = 0
    with Log(path) as waiting, Log(log_path) as log, log.transaction():
        for entry in waiting.entries(with_pictures=True):
            if log.has_tank(entry.tank):
                log.add_if_newer(entry)
                count += 1
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)
    return count


def core_of(request: Request) -> Core:
    """Return the state of the server."""
    core: Core = request.app.state.core
    return core


CoreHere = Annotated[Core, Depends(core_of)]


def _tank_in_url(core: CoreHere, name: str) -> Tank:
    with Log(core.log_path) as log:
        return log.tank(name)


TankHere = Annotated[Tank, Depends(_tank_in_url)]
"""The tank in the URL, or the answer that there is none."""


def _entry_in_url(core: CoreHere, name: str, sha256: str) -> LogEntry:
    with Log(core.log_path) as log:
        entry = log.entry(name, sha256)
    if entry is None:
        raise HTTPException(404, "This reading is no longer in the log.")
    return entry


async def _view_in_url(core: CoreHere, name: str) -> tasks.TankView:
    return await core.view(name)


async def _view_soon(core: CoreHere, tank: TankHere) -> tuple[tasks.TankView | None, str]:
    try:
        async with asyncio.timeout(core.patience_s):
            return await core.view(tank.name), ""
    except TimeoutError:
        return None, ""
    except WorkFailed as error:
        return None, str(error)


def require_own_form(request: Request, texts: Mapping[str, str]) -> None:
    """Raise if a form does not come from a page of the same browser."""
    if not core_of(request).access.is_form_token(request.state.session, texts.get("csrf", "")):
        raise HTTPException(403, "This form is out of date.")


async def _own_form(request: Request) -> dict[str, str]:
    async with receive_form(request) as form:
        texts = form_texts(form)
    require_own_form(request, texts)
    return texts


EntryHere = Annotated[LogEntry, Depends(_entry_in_url)]
"""The reading in the URL, or the answer that there is none."""
ViewHere = Annotated[tasks.TankView, Depends(_view_in_url)]
"""The summary of the tank in the URL."""
ViewSoon = Annotated[tuple[tasks.TankView | None, str], Depends(_view_soon)]
"""
The same if it is ready soon: the camera neither waits for it nor fails with it.

Where there is none, the text says why, or is empty while the work is going on.
"""
OwnForm = Annotated[dict[str, str], Depends(_own_form)]
"""The texts of a form from a page of the same browser; an unticked box is not sent."""
