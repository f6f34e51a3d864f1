"""A few processes that stay warm and do one piece of work after the other; one that hangs or dies is replaced."""

from __future__ import annotations

import asyncio
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, ParamSpec, TypeVar

from colorread.batch import workers

P = ParamSpec("P")
Result = TypeVar("Result")

_SECONDS_PER_JOB = 1.0  # for the advice when to come back; a photo takes about a third of it


class Busy(Exception):  # noqa: N818 - nothing is wrong, there is only too much of it
    """
    There is more work than is taken on.

    Parameters
    ----------
    retry_after_s : int
        When to ask again [s].
    """

    def __init__(self, retry_after_s: int) -> None:
        super().__init__(f"Too much is going on; try again in {retry_after_s} s.")
        self.retry_after_s = retry_after_s


class WorkFailed(Exception):  # noqa: N818 - reads better where it is caught
    """Work that came to no end: it took too long, its process died, or it raised; one sentence."""


class Pool:
    """
    Processes for work that would stop the server from answering.

    Parameters
    ----------
    count : int
        Processes.
    waiting_max : int
        Work that may wait for a process; more is turned away.
    time_limit_s : float
        Work that takes longer is ended with its process [s].
    """

    def __init__(self, *, count: int, waiting_max: int, time_limit_s: float) -> None:
        self._count = count
        self._places = count + waiting_max
        self._taken = 0
        self._time_limit_s = time_limit_s
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="page-pool")
        self._own = threading.local()
        self._lock = threading.Lock()
        self._workers: set[_Worker] = set()

    @contextmanager
    def place(self) -> Iterator[None]:
        """
        Take a place for one upload and the work on it; `Busy` where there is none.

        To be asked for before the upload is received, so that what waits is bounded in memory and on the disk.
        """
        if self._taken >= self._places:
            raise Busy(max(1, round(self._taken * _SECONDS_PER_JOB / self._count)))
        self._taken += 1
        try:
            yield
        finally:
            self._taken -= 1

    async def run(self, task: Callable[P, Result], *args: P.args, **kwargs: P.kwargs) -> Result:
        """
        Do a piece of work in one of the processes.

        Parameters
        ----------
        task : callable
            Function of a module; it, its arguments and its result can be pickled.

        Returns
        -------
        object
            What the task returned.

        Raises
        ------
        WorkFailed
            If there is no result.
        """
        loop = asyncio.get_running_loop()
        try:
            return await loop.run_in_executor(self._threads, lambda: self._do(task, args, kwargs))
        except RuntimeError as error:  # the pool was closed
            raise WorkFailed("The server is stopping; try again when it runs again.") from error

    async def warm(self, task: Callable[[], object]) -> None:
        """Do some work in every process, so that the first photo need not wait for what is loaded."""
        barrier = threading.Barrier(self._count)

        def start() -> None:
            barrier.wait()  # one thread each
            self._do(task, (), {})

        loop = asyncio.get_running_loop()
        await asyncio.gather(*(loop.run_in_executor(self._threads, start) for _ in range(self._count)))

    def close(self) -> None:
        """Wait for the work that has begun, and end the processes."""
        self._threads.shutdown(wait=True)
        for worker in self._workers:
            worker.end()
        self._workers.clear()

    def _do(self, task: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Any:
        worker: _Worker | None = getattr(self._own, "worker", None)
        if worker is None:
            worker = self._own.worker = _Worker()
            with self._lock:
                self._workers.add(worker)
        try:
            return worker.do(task, args, kwargs, self._time_limit_s)
        except _Lost as lost:
            self._own.worker = None
            with self._lock:
                self._workers.discard(worker)
            worker.end()
            raise WorkFailed(str(lost)) from None


class _Lost(Exception):  # noqa: N818
    """The process is of no use any more."""


class _Worker:
    def __init__(self) -> None:
        context = get_context("spawn")  # forking a process that has threads may hang
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()  # so that the pipe ends with the process

    def do(self, task: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any], limit_s: float) -> Any:
        try:
            self._connection.send((task, args, kwargs))
            if not self._connection.poll(limit_s):
                raise _Lost(f"The photo took longer than {limit_s:g} s and was given up.")
            result, trouble = self._connection.recv()
        except (EOFError, OSError):
            raise _Lost("The process that read the photo ended, perhaps out of memory.") from None
        if trouble:
            raise WorkFailed(f"Something went wrong in this program ({trouble}).")
        return result

    def end(self) -> None:
        self._connection.close()
        self._process.kill()
        self._process.join()
        self._process.close()


def _serve(connection: Connection) -> None:
    """Do one piece of work after the other until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all processes; the server ends these
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    # Before the first task is received, which loads what reads these: photos go side by side, not each faster.
    os.environ.update(dict.fromkeys(workers.THREAD_LIMITS, "1"))
    with suppress(EOFError, OSError):
        while True:
            task, args, kwargs = connection.recv()
            try:
                answer = task(*args, **kwargs), ""
            except Exception as error:  # noqa: BLE001 - whatever one photo raises, the next is to be read
                answer = None, f"{type(error).__name__}: {error}"
            connection.send(answer)
