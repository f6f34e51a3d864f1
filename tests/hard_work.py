"""Work for the tests of worker processes, which start sooner with little to load."""

from __future__ import annotations

import os
import signal
import time
from typing import Any


def hard_work(number: int) -> int | tuple[int, str | None]:
    """Stands for any work: it fails, hangs, ends its process, or tells the threads that its process may use."""
    match number:
        case 0:
            import cv2

            return cv2.getNumThreads(), os.environ.get("OPENBLAS_NUM_THREADS")
        case 13:
            raise ValueError("unlucky")
        case 14:
            time.sleep(600.0)
        case 15:
            os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


class Unloadable:
    """Can be pickled, but not unpickled."""

    def __reduce__(self) -> tuple[Any, tuple[int]]:
        return divmod, (0,)

    def __call__(self, job: int) -> int:
        return job


def deadly_score(unread: Any) -> tuple[Any, bytes | None]:
    """Stands for the reading of photos: one ends its process, one raises."""
    if unread.photo.name == "a-green.jpg":
        os.kill(os.getpid(), signal.SIGKILL)
    if unread.photo.name == "b/small.jpg":
        raise ZeroDivisionError
    from tests.fabricated import made_reading

    return made_reading(photo=unread.photo.name), None


def raising(kind: str) -> None:
    """Fail as work of the page may, in a process of its own."""
    from colorread.log import DiskFull, LogFailure

    if kind == "memory":
        raise MemoryError
    raise {"log": LogFailure("x"), "full": DiskFull("x"), "disk": OSError(28, "full"), "bug": KeyError("x")}[kind]


def crashing(*_: object) -> None:
    """End as a decoder may that meets a photo made for that."""
    os._exit(1)


def faulty(*_: object) -> None:
    """Fail as work does that meets a fault of the program."""
    raise ValueError("operands could not be broadcast together")
