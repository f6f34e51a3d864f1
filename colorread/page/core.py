"""What all parts of the page share: the log, the processes that read, and what waits."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.errors import Reason
from colorread.log.forget import forget_readings
from colorread.log.store import Log, LogEntry
from colorread.page import tasks
from colorread.page.access import Access
from colorread.page.calibrations import Calibrations
from colorread.page.drafts import Drafts
from colorread.page.jobs import Jobs
from colorread.page.pool import Pool
from colorread.page.shown_units import Units, units_of
from colorread.page.tasks import TankView
from colorread.page.uploads import Upload
from colorread.tank.settings import Tank

UNITS_COOKIE = "colorread-units"
_VIEWS_MAX = 16
_PROBLEM_STATUS = {"not-a-photo": 415, "too-large": 413, "profile": 409}


class UploadProblem(Exception):  # noqa: N818 - says what is wrong with an upload, not with the program
    """
    An upload that is no photo that could be read.

    Parameters
    ----------
    problem : Reason
        Why.
    """

    def __init__(self, problem: Reason) -> None:
        super().__init__(problem.message)
        self.problem = problem
        self.status = _PROBLEM_STATUS.get(problem.code, 422)


@dataclass(slots=True, kw_only=True)
class Core:
    """
    The state of the server.

    Parameters
    ----------
    log_path : Path
        Log that the command line uses too.
    home : str or None
        Tank that is shown first.
    folder : Path
        For uploads; goes with the server.
    access : Access
        Who may use the page.
    pool : Pool
        Processes that read.
    drafts : Drafts
        Readings that wait to be kept or discarded.
    jobs : Jobs
        Several photos at once.
    calibrations : Calibrations
        Photos of calibrations that are not finished.
    """

    log_path: Path
    home: str | None
    folder: Path
    access: Access
    pool: Pool
    drafts: Drafts
    jobs: Jobs
    calibrations: Calibrations = field(default_factory=Calibrations)
    _views: dict[str, TankView] = field(default_factory=dict)
    _view_lock: asyncio.Lock = field(default_factory=asyncio.Lock)

    def tank(self, name: str) -> Tank:
        """Return a tank, or raise `LogError` naming the known ones."""
        with Log(self.log_path) as log:
            return log.tank(name)

    def add_tank(self, tank: Tank) -> None:
        """Add a tank; raise `LogError` where its name is taken."""
        with Log(self.log_path) as log:
            log.add_tank(tank)

    def change_tank(self, name: str, change: Callable[[Tank], Tank]) -> None:
        """Replace a tank by what `change` makes of it; nobody else changes it in between."""
        with Log(self.log_path) as log, log.transaction():
            log.put_tank(change(log.tank(name)))

    def keep(self, entry: LogEntry) -> None:
        """Put a reading into the log."""
        with Log(self.log_path) as log:
            log.add(entry)

    def forget(self, tank: str, sha256: str) -> bool:
        """Delete a reading and the photo that was kept of it; return whether there was one."""
        with Log(self.log_path) as log:
            return forget_readings(log, {tank: [sha256]}) > 0

    async def score(self, upload: Upload, tank: Tank) -> LogEntry:
        """Read an upload; raise `UploadProblem` where it is no photo, `WorkFailed` where reading came to no end."""
        scored = await self.pool.run(tasks.score_photo, upload.path, upload.label, upload.sha256, tank)
        if isinstance(scored, Reason):
            raise UploadProblem(scored)
        return scored

    async def view(self, name: str) -> TankView:
        """Return what days of readings tell of a tank; computed anew only where the log or the day has changed."""
        version = await run_in_threadpool(self._version, name)
        async with self._view_lock:
            if version not in self._views:
                self._views[version] = await self.pool.run(tasks.view_tank, self.log_path, name)
                while len(self._views) > _VIEWS_MAX:
                    del self._views[next(iter(self._views))]
            return self._views[version]

    def _version(self, name: str) -> str:
        with Log(self.log_path) as log:
            tank = log.tank(name)
            readings = log.scored_at(name)
        return tasks.version_of(tank, readings, date.today())


def core_of(request: Request) -> Core:
    """Return the state of the server that answers a request."""
    core: Core = request.app.state.core
    return core


def units_shown(request: Request) -> Units:
    """Return the units that the browser shows."""
    return units_of(request.cookies.get(UNITS_COOKIE, ""))


def picture_answer(request: Request, tank: str, sha256: str) -> Response:
    """Return the evidence picture of a reading."""
    with Log(core_of(request).log_path) as log:
        found = log.picture(tank, sha256)
    if found is None:
        raise HTTPException(404, "There is no picture of this reading.")
    return Response(found, media_type="image/jpeg")


def require_own_form(request: Request, token: str) -> None:
    """Raise where a form does not come from a page of the same browser."""
    check: Callable[[str, str], bool] = core_of(request).access.is_form_token
    if not check(request.state.session, token):
        raise HTTPException(403, "This form is out of date; open the page again and repeat it.")
