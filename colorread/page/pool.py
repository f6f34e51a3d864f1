"""A few processes that stay warm and do one piece of work after the other; one that hangs or dies is replaced."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, ParamSpec, TypeVar

from colorread.processes import WorkerProcess

P = ParamSpec("P")
Result = TypeVar("Result")
_Worker = WorkerProcess[Any, Any]

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
            worker = self._own.worker = WorkerProcess(_call)
            with self._lock:
                self._workers.add(worker)
        worker.give((task, args, kwargs))
        try:
            result, trouble = self._answer(worker)
        except (EOFError, OSError):
            self._forget(worker)
            raise WorkFailed("The process that read the photo ended, perhaps out of memory.") from None
        if trouble:
            raise WorkFailed(f"Something went wrong in this program ({trouble}).")
        return result

    def _answer(self, worker: _Worker) -> tuple[Any, str]:
        """Return the answer to what was given last, once the process has started."""
        until = time.monotonic() + self._time_limit_s
        while worker.connection.poll(max(until - time.monotonic(), 0.0)):
            if (answer := worker.take()) is not None:
                return answer
        self._forget(worker)
        raise WorkFailed(f"The photo took longer than {self._time_limit_s:g} s and was given up.")

    def _forget(self, worker: _Worker) -> None:
        """End a process that is of no use any more; the next work gets a new one."""
        self._own.worker = None
        with self._lock:
            self._workers.discard(worker)
        worker.end()


def _call(work: tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]) -> Any:
    task, args, kwargs = work
    return task(*args, **kwargs)
