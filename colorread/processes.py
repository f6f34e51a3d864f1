"""Processes of our own, one job after the other each; they may hang or die without harm to what started them."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from contextlib import suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, Generic, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

# One thread in each process: with a process for each core, more only get in each other's way.
_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "OPENCV_FOR_THREADS_NUM",
)


class WorkerProcess(Generic[Job, Result]):
    """
    A fresh interpreter that runs one task on job after job; it ends by itself when the process that started it does.

    Parameters
    ----------
    task : callable
        Can be pickled, as can its jobs and results. What it raises becomes the trouble of that job.

    Attributes
    ----------
    connection : multiprocessing.connection.Connection
        To wait for answers.
    has_started : bool
        Whether it told so.
    """

    def __init__(self, task: Callable[[Job], Result]) -> None:
        # Not a fork: forking a process that has threads, as numpy and the progress bar start them, may hang.
        context = get_context("spawn")
        self.connection, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()  # so that the pipe ends with the process
        self.has_started = False
        self._send(task)

    def give(self, job: Job) -> None:
        """Hand over the next job; if the process died, taking the answer tells."""
        self._send(job)

    def take(self) -> tuple[Result | None, str] | None:
        """
        Wait for an answer.

        Returns
        -------
        tuple of (Result or None, str) or None
            The result, and the trouble in a few words, empty where all went well; first of all None, when the process
            has started.

        Raises
        ------
        EOFError, OSError
            If the process died.
        """
        answer: tuple[Result | None, str] | None = self.connection.recv()
        self.has_started = True
        return answer

    def end(self) -> None:
        """End the process whatever it does."""
        self.connection.close()
        self._process.kill()
        self._process.join()
        self._process.close()

    def _send(self, message: object) -> None:
        with suppress(BrokenPipeError, ConnectionResetError):
            self.connection.send(message)


def processors() -> int:
    """
    Return how many processors this process may use.

    Returns
    -------
    int
        At least 1.
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _serve(connection: Connection) -> None:
    """Do one job after the other until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all processes; the first one ends the others
    # Before the task is received, which loads what reads these.
    os.environ.update(dict.fromkeys(_THREAD_LIMITS, "1"))
    with suppress(EOFError, OSError):
        task: Callable[[Any], Any] = connection.recv()
        connection.send(None)
        while True:
            job = connection.recv()
            try:
                answer = task(job), ""
            except Exception as error:  # noqa: BLE001 - whatever one job raises, the others are to be done
                answer = None, f"{type(error).__name__}: {error}"
            connection.send(answer)
