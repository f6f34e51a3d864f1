"""What all parts of the page share: the log, the processes that read, and what waits."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.errors import Reason
from colorread.log import Damage, Log, LogEntry, forget_readings, forget_tank
from colorread.page import tasks
from colorread.page.access import Access
from colorread.page.calibrations import Calibrations
from colorread.page.originals import Originals
from colorread.page.pool import Pool
from colorread.page.problems import UploadProblem, WorkFailed
from colorread.page.shown_units import Units, units_of
from colorread.page.tasks import TankView
from colorread.page.uploads import Upload
from colorread.page.workplace import Workplace
from colorread.tank import Event, Tank

UNITS_COOKIE = "colorread-units"
_VIEWS_MAX = 16


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
    workplace : Workplace
        For uploads.
    access : Access
        Who may use the page.
    pool : Pool
        Processes that read.
    originals : Originals
        Photos that were read just now.
    calibrations : Calibrations
        Photos of calibrations that are not finished.
    patience_s : float
        How long the page of a tank, which begins with the camera, waits for what days of readings tell [s].
    """

    log_path: Path
    home: str | None
    workplace: Workplace
    access: Access
    pool: Pool
    originals: Originals = field(default_factory=Originals)
    calibrations: Calibrations = field(default_factory=Calibrations)
    patience_s: float = 0.3
    _views: dict[str, asyncio.Task[TankView]] = field(default_factory=dict)

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

    def rename_tank(self, name: str, new_name: str) -> None:
        """Give a tank and its readings another name; raise `ValueError` where it cannot be one, or is taken."""
        with Log(self.log_path) as log:
            log.rename_tank(name, new_name)
        self._drop_photos(name)

    def remove_tank(self, name: str) -> None:
        """Remove a tank with its readings and their photos."""
        with Log(self.log_path) as log:
            forget_tank(log, name, with_readings=True)
        self._drop_photos(name)

    def n_readings(self, tank: str) -> int:
        """Return how many readings a tank has."""
        with Log(self.log_path) as log:
            return log.count(tank)

    def known(self, tank: str, sha256: str) -> LogEntry | None:
        """Return what the log holds of a photo."""
        with Log(self.log_path) as log:
            return log.entry(tank, sha256)

    def keep(self, entry: LogEntry) -> bool:
        """Put a reading into the log; return whether it is the first one of its photo."""
        with Log(self.log_path) as log, log.transaction():
            is_first = log.entry(entry.tank, entry.sha256) is None
            log.add_later(entry)
        return is_first

    def forget(self, tank: str, sha256: str) -> bool:
        """Delete a reading and the photo that was kept of it; return whether there was one."""
        self.originals.drop(tank, sha256)
        with Log(self.log_path) as log:
            return forget_readings(log, {tank: [sha256]}) > 0

    def forget_damaged(self, tank: str) -> int:
        """Delete the readings of a tank that cannot be read back; return how many there were."""
        damages: list[Damage] = []
        with Log(self.log_path) as log:
            deque(log.entries(tank, on_damage=damages.append), maxlen=0)
            count = forget_readings(log, {tank: [each.sha256 for each in damages if each.sha256 is not None]})
        self._views.clear()  # damage need not show in what tells views apart
        return count

    def add_event(self, tank: str, event: Event) -> bool:
        """Keep what was noted of a tank; return whether it is new."""
        with Log(self.log_path) as log:
            return log.add_event(tank, event)

    def forget_event(self, tank: str, event_id: str) -> bool:
        """Delete a note; return whether there was one."""
        with Log(self.log_path) as log:
            return log.forget_events(tank, [event_id]) > 0

    async def score(self, request: Request, upload: Upload, tank: Tank) -> LogEntry:
        """
        Read an upload, unless the log holds what it would be read as.

        Raise `UploadProblem` where it is no photo, or reading it came to no end.
        """
        known = await run_in_threadpool(self.known, tank.name, upload.sha256)
        async with self.pool.turn("" if request.client is None else request.client.host):
            try:
                scored = await self.pool.run(
                    tasks.score_photo, upload.path, upload.label, upload.sha256, tank, known, self.log_path
                )
            except WorkFailed as error:
                scored = Reason(code="broke-off", message=str(error), next_step="Take another photo.")
        if isinstance(scored, Reason):
            raise UploadProblem(scored)
        return scored

    async def view(self, name: str) -> TankView:
        """Return what days of readings tell of a tank; computed anew only where the log or the day has changed."""
        version = await run_in_threadpool(self._version, name)
        if version not in self._views:  # else whoever asks for the same waits for the same
            self._views[version] = asyncio.create_task(self.pool.run(tasks.view_tank, self.log_path, name))
            while len(self._views) > _VIEWS_MAX:
                del self._views[next(iter(self._views))]
        try:
            return await asyncio.shield(self._views[version])
        except Exception:
            self._views.pop(version, None)
            raise

    async def view_soon(self, name: str) -> TankView | None:
        """Return what days of readings tell, or None where that is still worked out."""
        try:
            async with asyncio.timeout(self.patience_s):
                return await self.view(name)
        except TimeoutError:
            return None

    def _drop_photos(self, name: str) -> None:
        """Delete the photos that are here for a tank of whose name there is none any more."""
        self.originals.drop(name)
        self.calibrations.clear(name)

    def _version(self, name: str) -> str:
        with Log(self.log_path) as log:
            tank = log.tank(name)
            readings = log.scored_at(name)
            notes = log.events(name)
        return tasks.version_of(tank, readings, notes, datetime.now())


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
        raise HTTPException(404, "This reading has no picture.")
    return Response(found, media_type="image/jpeg")


def require_own_form(request: Request, token: str) -> None:
    """Raise where a form does not come from a page of the same browser."""
    check: Callable[[str, str], bool] = core_of(request).access.is_form_token
    if not check(request.state.session, token):
        raise HTTPException(403, "This form is out of date; reload the page.")
