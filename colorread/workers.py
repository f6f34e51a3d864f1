"""Worker processes, any of which may fail, hang or be killed without stopping the rest."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.resource_tracker import ensure_running
from typing import Any, Generic, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

_TRIES = 2  # a second try, since a process may have been killed for memory that another job used
_FAILED_STARTS = 4  # in a row; after that the program is broken, not a job
_START_LIMIT_S = 120.0  # a start takes a few seconds: assumption
_TIME_LIMIT_S = 120.0  # a photo takes a third of a second, a few seconds on a small computer: assumption
# One thread in each process: with a process for each core, more only get in each other's way.
_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "OPENCV_FOR_THREADS_NUM",
)


class WorkLost(Exception):  # noqa: N818 - reads better where it is caught
    """The process of a job died, or the job took too long."""


class TaskFailed(Exception):  # noqa: N818
    """A task raised an error; the message gives its type and text."""


class Workers(Generic[Job, Result]):
    """
    Processes that do one job after another; one that hangs or dies is replaced.

    They end with this process, even if it is killed.

    Parameters
    ----------
    task : callable
        Picklable, as are its jobs and results.
    count : int
        Maximum number of processes; each starts with its first job.
    time_limit_s : float
        A job that takes longer is killed with its process [s].

    Raises
    ------
    ValueError
        If `count` is below 1.
    """

    def __init__(self, task: Callable[[Job], Result], *, count: int, time_limit_s: float) -> None:
        if count < 1:
            raise ValueError(f"At least one process is needed, not {count}.")
        self._task = task
        self._time_limit_s = time_limit_s
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="worker")  # each has one process
        self._own = threading.local()
        self._lock = threading.Lock()
        self._processes: set[_Process] = set()
        self._is_open = True

    def submit(self, job: Job, *, tries: int = 1) -> Future[Result]:
        """
        Queue a job for the next free process.

        Parameters
        ----------
        job : Job
            The job.
        tries : int, default 1
            How many times to start it in all if its process dies.

        Returns
        -------
        Future
            Its result. The future raises `WorkLost`, `TaskFailed`, or RuntimeError if no process can be started.

        Raises
        ------
        RuntimeError
            If the workers are closed.
        """
        return self._threads.submit(self._do, job, tries)

    def close(self, *, now: bool = False) -> None:
        """End the processes: once the queue is done, or now."""
        if not now:
            self._threads.shutdown()
        with self._lock:
            self._is_open = False
            for process in self._processes:
                process.kill()
        self._threads.shutdown(cancel_futures=True)  # every thread notices that its process ended
        for process in self._processes:
            process.end()

    def _do(self, job: Job, tries: int) -> Result:
        for _ in range(tries):
            process = self._process()
            try:
                process.send(job)
                result, trouble = process.answer(self._time_limit_s)
            except (EOFError, OSError):
                self._forget()
            except WorkLost:
                self._forget()
                raise
            else:
                if trouble:
                    raise TaskFailed(trouble)
                return result  # type: ignore[no-any-return]
        raise WorkLost("its process ended, possibly for lack of memory")

    def _process(self) -> _Process:
        """Return the process of this thread; start one if it has none."""
        known: _Process | None = getattr(self._own, "process", None)
        if known is not None:
            return known
        for _ in range(_FAILED_STARTS):
            with suppress(EOFError, OSError):  # it dies, or the system has no room for it
                with self._lock:
                    if not self._is_open:
                        raise WorkLost("the work was ended")
                    _leave_ctrl_c_to_main()
                    process = self._own.process = _Process(self._task)
                    self._processes.add(process)
                process.answer(_START_LIMIT_S)
                return process
            self._forget()
        raise RuntimeError("Worker processes cannot start.")

    def _forget(self) -> None:
        """End the process of this thread, if it has one."""
        process: _Process | None = getattr(self._own, "process", None)
        self._own.process = None
        if process is not None:
            with self._lock:
                self._processes.discard(process)
                process.end()


@dataclass(frozen=True, slots=True, kw_only=True)
class Done(Generic[Job, Result]):
    """
    A job that is done.

    Parameters
    ----------
    job : Job
        The job.
    result : Result or None
        What the task returned; None if it failed.
    trouble : str
        Why it failed, in a few words; empty if it did not.
    """

    job: Job
    result: Result | None
    trouble: str = ""


def run_in_workers(
    task: Callable[[Job], Result], jobs: Iterable[Job], *, count: int, time_limit_s: float = _TIME_LIMIT_S
) -> Generator[Done[Job, Result], None, None]:
    """
    Run a task on every job in worker processes, and yield the results as they come.

    A job is taken from the iterable only when a process is free, so that few are in memory at a time. A job whose
    process dies is tried once more in a new one. Closing the generator ends the processes.

    Parameters
    ----------
    task : callable
        Picklable, as are its results. If it raises an error, that becomes the trouble of its job.
    jobs : iterable
        Picklable jobs.
    count : int
        Maximum number of processes.
    time_limit_s : float, default 120.0
        A job that takes longer fails [s].

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
    workers = Workers(task, count=count, time_limit_s=time_limit_s)
    jobs = iter(jobs)
    try:
        at_work = {workers.submit(job, tries=_TRIES): job for job in islice(jobs, count)}
        while at_work:
            for future in wait(at_work, return_when=FIRST_COMPLETED).done:
                job = at_work.pop(future)
                # Submit the next job first, so that the process has it while the consumer is busy with this one.
                at_work |= {workers.submit(following, tries=_TRIES): following for following in islice(jobs, 1)}
                try:
                    done = Done(job=job, result=future.result())
                except (WorkLost, TaskFailed) as error:
                    done = Done(job=job, result=None, trouble=str(error))
                yield done
    finally:
        workers.close(now=True)


def processors() -> int:
    """
    Return the number of processors that this process may use.

    Returns
    -------
    int
        At least 1.
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _leave_ctrl_c_to_main() -> None:
    """Keep Ctrl-C, which reaches all processes, from those that this thread starts: they inherit what it blocks."""
    if hasattr(signal, "pthread_sigmask"):  # not on Windows
        ensure_running()  # it starts a process, which would undo the block
        signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT,))


class _Process:
    """A fresh interpreter that answers once when it has started, then once for each job."""

    def __init__(self, task: Callable[[Any], Any]) -> None:
        # Not a fork: forking a process with threads, such as those of numpy and the progress bar, may hang.
        context = get_context("spawn")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()  # so that the pipe closes with the process
        self.send(task)

    def send(self, message: object) -> None:
        """Send the task or a job; if the process has died, `answer` raises."""
        with suppress(BrokenPipeError, ConnectionResetError):
            self._connection.send(message)

    def answer(self, limit_s: float) -> Any:
        """Return the next answer; raise `WorkLost` if it takes longer, EOFError or OSError if the process died."""
        if not self._connection.poll(limit_s):
            raise WorkLost("it took too long")
        return self._connection.recv()

    def kill(self) -> None:
        self._process.kill()

    def end(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        self._process.join()
        self._process.close()
        self._connection.close()


def _serve(connection: Connection) -> None:
    """Do one job after another until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where it could not be blocked before
    # Before the task is received, as that loads the libraries that read these.
    os.environ.update(dict.fromkeys(_THREAD_LIMITS, "1"))
    with suppress(EOFError, OSError):
        task: Callable[[Any], Any] = connection.recv()
        connection.send(None)
        while True:
            job = connection.recv()
            try:
                answer = task(job), ""
            except Exception as error:  # noqa: BLE001 - whatever one job raises, the others go on
                answer = None, f"{type(error).__name__}: {error}"
            connection.send(answer)
