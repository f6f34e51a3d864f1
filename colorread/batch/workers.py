"""Work shared out to processes, any of which may fail, hang or be killed without stopping the rest."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from multiprocessing.connection import wait
from typing import Any, Generic

from colorread.processes import Job, Result, WorkerProcess

_TRIES = 2  # a job is tried again once, as the process may have been killed for what another job did
_FAILED_STARTS = 4  # so many in a row, and something is wrong with the program, not with a job
_START_LIMIT_S = 120.0  # it takes some seconds: assumption
_TIME_LIMIT_S = 120.0  # a photo takes a third of a second, on a small computer some seconds: assumption


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
    task: Callable[[Job], Result], jobs: Iterable[Job], *, count: int, time_limit_s: float = _TIME_LIMIT_S
) -> Generator[Done[Job, Result], None, None]:
    """
    Run a task on every job in processes of their own, and yield what is done as it is done.

    A process has one job at a time, and jobs are taken only when a process is free, so that however many there are, few
    are in memory. A job whose process dies is tried once more in a new one; one that takes too long is given up with
    its process. Closing the generator ends the processes; they end by themselves when this process is killed.

    Parameters
    ----------
    task : callable
        Can be pickled, as can its results. What it raises becomes trouble of that job.
    jobs : iterable
        Can be pickled.
    count : int
        Most processes at a time.
    time_limit_s : float, default 120.0
        A job that takes longer is given up [s].

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
    at_work: dict[Any, tuple[WorkerProcess[Job, Result], _Attempt[Job], float]] = {}  # until when
    failed_starts = 0

    def next_attempt() -> _Attempt[Job] | None:
        return again.popleft() if again else next(new, None)

    def give(worker: WorkerProcess[Job, Result], attempt: _Attempt[Job]) -> None:
        worker.give(attempt.job)
        await_answer(worker, attempt)

    def await_answer(worker: WorkerProcess[Job, Result], attempt: _Attempt[Job]) -> None:
        limit_s = time_limit_s if worker.has_started else _START_LIMIT_S
        at_work[worker.connection] = worker, attempt, time.monotonic() + limit_s

    try:
        while True:
            while len(at_work) < count and (attempt := next_attempt()) is not None:
                give(WorkerProcess(task), attempt)
            if not at_work:
                return
            first_end = min(until for _, _, until in at_work.values())
            for connection in wait(list(at_work), max(first_end - time.monotonic(), 0.0)):
                worker, tried, _ = at_work[connection]
                try:
                    answer = worker.take()
                except (EOFError, OSError):  # the process died
                    del at_work[connection]
                    worker.end()
                    if not worker.has_started:
                        failed_starts += 1
                        if failed_starts == _FAILED_STARTS:
                            raise RuntimeError("Worker processes cannot start.") from None
                        again.append(tried)
                    elif tried.number < _TRIES:
                        again.append(_Attempt(job=tried.job, number=tried.number + 1))
                    else:
                        yield Done(job=tried.job, result=None, trouble="its process was ended, perhaps out of memory")
                    continue
                if answer is None:
                    failed_starts = 0
                    await_answer(worker, tried)
                    continue
                # The next job first: the process has it while the consumer is busy with this one.
                if (attempt := next_attempt()) is None:
                    del at_work[connection]
                    worker.end()
                else:
                    give(worker, attempt)
                yield Done(job=tried.job, result=answer[0], trouble=answer[1])
            for connection, (worker, tried, until) in list(at_work.items()):
                if until <= time.monotonic() and not connection.poll():
                    del at_work[connection]
                    worker.end()
                    yield Done(job=tried.job, result=None, trouble="it took too long")
    finally:
        for worker, _, _ in at_work.values():
            worker.end()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Attempt(Generic[Job]):
    job: Job
    number: int
