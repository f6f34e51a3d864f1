"""Work shared out to processes, any of which may fail or be killed without stopping the rest."""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterable
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from typing import Any, Generic, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

# One thread in each process: with a process for each core, more only get in each other's way.
THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "OPENCV_FOR_THREADS_NUM",
)
_TRIES = 2  # a job is tried again once, as the process may have been killed for what another job did
_FAILED_STARTS = 4  # so many in a row, and something is wrong with the program, not with a job


@dataclass(frozen=True, slots=True, kw_only=True)
class Done(Generic[Job, Result]):
    """
    What became of a job.

    Parameters
    ----------
    job : Job
        As it was given.
    result : Result or None
        What the task returned; None where there is trouble.
    trouble : str
        Why there is no result, a few words; empty where all went well.
    """

    job: Job
    result: Result | None
    trouble: str = ""


def run_in_workers(
    task: Callable[[Job], Result], jobs: Iterable[Job], *, count: int
) -> Generator[Done[Job, Result], None, None]:
    """
    Run a task on every job in processes of their own, and yield what is done as it is done.

    A process has one job at a time, and jobs are taken only when a process is free, so that however many there are, few
    are in memory. A job whose process dies is tried once more in a new one. Closing the generator ends the processes;
    they end by themselves when this process is killed.

    Parameters
    ----------
    task : callable
        Can be pickled, as can its results. What it raises becomes trouble of that job.
    jobs : iterable
        Can be pickled.
    count : int
        Most processes at a time.

    Yields
    ------
    Done
        One for each job, in any order.

    Raises
    ------
    ValueError
        If `count` is below 1.
    RuntimeError
        If no process can be started at all.
    """
    if count < 1:
        raise ValueError(f"At least one process is needed, not {count}.")
    new = (_Attempt(job=job, number=1) for job in jobs)
    again: deque[_Attempt[Job]] = deque()
    workers: dict[Any, _Worker[Job, Result]] = {}
    failed_starts = 0

    def next_attempt() -> _Attempt[Job] | None:
        return again.popleft() if again else next(new, None)

    try:
        while True:
            while len(workers) < count and (attempt := next_attempt()) is not None:
                worker = _Worker(task, attempt)
                workers[worker.connection] = worker
            if not workers:
                return
            for connection in wait(list(workers)):
                worker = workers[connection]
                tried = worker.attempt
                try:
                    answer = worker.receive()
                except (EOFError, OSError):  # the process died
                    del workers[connection]
                    worker.end()
                    if not worker.has_started:
                        failed_starts += 1
                        if failed_starts == _FAILED_STARTS:
                            raise RuntimeError("The processes that do the work end before they begin.") from None
                        again.append(tried)
                    elif tried.number < _TRIES:
                        again.append(_Attempt(job=tried.job, number=tried.number + 1))
                    else:
                        yield Done(job=tried.job, result=None, trouble="its process was ended, perhaps out of memory")
                    continue
                if answer is None:
                    failed_starts = 0
                    continue
                # The next job first: the process has it while the consumer is busy with this one.
                if (attempt := next_attempt()) is None:
                    del workers[connection]
                    worker.end()
                else:
                    worker.give(attempt)
                yield Done(job=tried.job, result=answer[0], trouble=answer[1])
    finally:
        for worker in workers.values():
            worker.end()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Attempt(Generic[Job]):
    job: Job
    number: int


class _Worker(Generic[Job, Result]):
    """A process, and the job it has at the moment."""

    def __init__(self, task: Callable[[Job], Result], attempt: _Attempt[Job]) -> None:
        # A fresh interpreter: forking a process that has threads, as numpy and the progress bar start them, may hang.
        context = get_context("spawn")
        self.connection, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()  # so that the pipe ends with the process
        self.has_started = False
        self._send(task)
        self.give(attempt)

    def give(self, attempt: _Attempt[Job]) -> None:
        self.attempt = attempt
        self._send(attempt.job)

    def receive(self) -> tuple[Result | None, str] | None:
        """Return result and trouble, or None where the process tells that it has started."""
        answer: tuple[Result | None, str] | None = self.connection.recv()
        self.has_started = True
        return answer

    def end(self) -> None:
        self.connection.close()
        self._process.terminate()
        self._process.join()
        self._process.close()

    def _send(self, message: object) -> None:
        with suppress(BrokenPipeError, ConnectionResetError):  # it died; the next receive tells
            self.connection.send(message)


def _serve(connection: Connection) -> None:
    """Do one job after the other until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all processes; the first one ends the others
    # Before the task is received, which loads what reads these.
    os.environ.update(dict.fromkeys(THREAD_LIMITS, "1"))
    with suppress(EOFError, OSError):
        task = connection.recv()
        connection.send(None)
        while True:
            job = connection.recv()
            try:
                answer = task(job), ""
            except Exception as error:  # noqa: BLE001 - whatever one job raises, the others are to be done
                answer = None, f"{type(error).__name__}: {error}"
            connection.send(answer)
