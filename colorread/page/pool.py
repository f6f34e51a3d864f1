"""A few processes that stay warm and do one piece of work after the other; one that hangs or dies is replaced."""

from __future__ import annotations

import asyncio
import threading
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from typing import Any, ParamSpec, TypeVar

from colorread.log.store import LogError
from colorread.page.problems import WorkFailed
from colorread.processes import WorkerProcess

P = ParamSpec("P")
Result = TypeVar("Result")
_Worker = WorkerProcess[Any, Any]


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
        self._time_limit_s = time_limit_s
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="page-pool")
        self._own = threading.local()
        self._lock = threading.Lock()
        self._workers: set[_Worker] = set()
        self._turns: defaultdict[str, asyncio.Semaphore] = defaultdict(lambda: asyncio.Semaphore(count))

    @asynccontextmanager
    async def turn(self, address: str) -> AsyncIterator[None]:
        """
        Wait until the photos that came before from the same address are read but for the last few.

        So one device that sends very many photos keeps the others waiting for a moment only.
        """
        async with self._turns[address]:
            yield

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
        LogError, OSError
            As the task raised it.
        """
        loop = asyncio.get_running_loop()
        try:
            work = loop.run_in_executor(self._threads, lambda: self._do(task, args, kwargs))
        except RuntimeError as error:  # the pool was closed
            raise WorkFailed("The server is stopping; try again later.") from error
        result: Result = await work
        return result

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
            raise WorkFailed("Reading this photo failed, perhaps out of memory.") from None
        if trouble:
            raise RuntimeError(f"A process that works for the page failed: {trouble}.")
        done, error = result
        if error is not None:
            raise error
        return done

    def _answer(self, worker: _Worker) -> tuple[Any, str]:
        """Return the answer to what was given last, once the process has started."""
        until = time.monotonic() + self._time_limit_s
        while worker.connection.poll(max(until - time.monotonic(), 0.0)):
            if (answer := worker.take()) is not None:
                return answer
        self._forget(worker)
        raise WorkFailed(f"Reading this photo took longer than {self._time_limit_s:g} s.")

    def _forget(self, worker: _Worker) -> None:
        """End a process that is of no use any more; the next work gets a new one."""
        self._own.worker = None
        with self._lock:
            self._workers.discard(worker)
        worker.end()


def _call(work: tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]) -> tuple[Any, Exception | None]:
    """Do the work in the other process; errors of which there is a word to say keep their kind on the way back."""
    task, args, kwargs = work
    try:
        return task(*args, **kwargs), None
    except (LogError, OSError) as error:
        return None, error
    except MemoryError:
        return None, WorkFailed("Not enough memory.")
