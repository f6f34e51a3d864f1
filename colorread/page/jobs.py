"""Several photos at once, by the same path as the command that reads a folder, with their progress."""

from __future__ import annotations

import secrets
import shutil
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from colorread.batch.folder import PhotoFile
from colorread.batch.score import Scored, score_photos
from colorread.log.store import Log
from colorread.page.pool import Busy
from colorread.page.uploads import Upload
from colorread.processes import processors
from colorread.tank.settings import Tank

_KEPT_MAX = 20  # finished ones whose list can still be seen
_RETRY_S = 10


@dataclass(slots=True, kw_only=True)
class Job:
    """
    Photos that are being read.

    Parameters
    ----------
    name : str
        Cannot be guessed.
    tank : str
        Whose photos they are.
    total : int
        How many.
    done : list of Scored
        What became of each; grows while it runs.
    trouble : str
        Why it ended early; empty where it did not.
    is_running : bool
        Until the last photo is done.
    """

    name: str
    tank: str
    total: int
    done: list[Scored] = field(default_factory=list)
    trouble: str = ""
    is_running: bool = True


class Jobs:
    """
    One job at a time, in a thread.

    Parameters
    ----------
    log_path : Path
        Where the readings are kept.
    """

    def __init__(self, log_path: Path) -> None:
        self._log_path = log_path
        self._jobs: dict[str, Job] = {}
        self._thread: threading.Thread | None = None
        self._is_taken = False
        self._stop = threading.Event()
        self._lock = threading.Lock()

    @contextmanager
    def place(self) -> Iterator[None]:
        """
        Take the only place for a job; `Busy` while another one is received or runs.

        To be asked for before the photos are received, so that what waits is bounded in memory and on the disk.
        """
        with self._lock:
            if self._is_taken or (self._thread is not None and self._thread.is_alive()):
                raise Busy(_RETRY_S)
            self._is_taken = True
        try:
            yield
        finally:
            self._is_taken = False

    def start(self, tank: Tank, uploads: list[Upload], folder: Path) -> Job:
        """
        Begin to read photos, once within `place`.

        Parameters
        ----------
        tank : Tank
            Whose settings apply.
        uploads : list of Upload
            The photos.
        folder : Path
            Holds nothing but them; is deleted with them at the end.

        Returns
        -------
        Job
            Its progress.
        """
        job = Job(name=secrets.token_hex(8), tank=tank.name, total=len(uploads))
        self._jobs[job.name] = job
        while len(self._jobs) > _KEPT_MAX:
            del self._jobs[next(iter(self._jobs))]
        photos = [PhotoFile(path=upload.path, name=label) for upload, label in _named(uploads)]
        self._thread = threading.Thread(target=self._run, args=(job, tank, photos, folder), name="page-job")
        self._thread.start()
        return job

    def get(self, name: str) -> Job | None:
        """Return a job, or None."""
        return self._jobs.get(name)

    def close(self, wait_s: float) -> None:
        """Let a job that runs come to its end within some seconds; what was read until then is in the log."""
        thread = self._thread
        if thread is None:
            return
        thread.join(wait_s)
        self._stop.set()
        thread.join()

    def _run(self, job: Job, tank: Tank, photos: list[PhotoFile], folder: Path) -> None:
        try:
            with (
                Log(self._log_path) as log,
                closing(score_photos(photos, log=log, tank=tank, jobs=processors())) as results,
            ):
                for scored in results:
                    job.done.append(scored)
                    if self._stop.is_set():
                        job.trouble = "The server was stopped; send the remaining photos again."
                        break
        except (OSError, ValueError, RuntimeError) as error:  # a locked log, a full disk, a lost profile
            job.trouble = str(error)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
            job.is_running = False


def _named(uploads: list[Upload]) -> list[tuple[Upload, str]]:
    """Give photos of the same name different ones."""
    seen: dict[str, int] = {}
    named = []
    for upload in uploads:
        seen[upload.label] = seen.get(upload.label, 0) + 1
        count = seen[upload.label]
        named.append((upload, upload.label if count == 1 else f"{upload.label} ({count})"))
    return named
