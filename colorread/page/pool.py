"""Processes that stay warm for the page, and turns at them."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, ParamSpec, TypeVar

from colorread.log import LogError
from colorread.page.problems import WorkFailed
from colorread.workers import Workers, WorkLost

P = ParamSpec("P")
Result = TypeVar("Result")
_Work = tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]
_Outcome = tuple[Any, Exception | None]


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
        self._workers: Workers[_Work, _Outcome] = Workers(_call, count=count, time_limit_s=time_limit_s)
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
        colorread.workers.TaskFailed
            For anything else that it raised.
        """
        try:
            result, raised = await asyncio.wrap_future(self._workers.submit((task, args, kwargs)))
        except WorkLost as lost:
            raise WorkFailed(f"Reading this photo failed: {lost}.") from None
        except RuntimeError as error:  # the pool was closed, or no process starts
            raise WorkFailed("The server is stopping, or out of memory; try again later.") from error
        if raised is not None:
            raise raised
        done: Result = result
        return done

    async def warm(self, task: Callable[[], object]) -> None:
        """Do some work in every process, so that the first photo need not wait for what is loaded."""
        # Given at once: no process has started before each has its own.
        await asyncio.gather(*(self.run(task) for _ in range(self._count)))

    def close(self) -> None:
        """Wait for the work that has begun, and end the processes."""
        self._workers.close()


def _call(work: _Work) -> _Outcome:
    """Do the work in the other process; errors of which there is a word to say keep their kind on the way back."""
    task, args, kwargs = work
    try:
        return task(*args, **kwargs), None
    except (LogError, OSError) as error:
        return None, error
    except MemoryError:
        return None, WorkFailed("Not enough memory.")
