"""The pages for every day: a photo, its result, and what was read before."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from datetime import datetime
from itertools import islice
from pathlib import Path
from urllib.parse import quote, unquote

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, RedirectResponse, Response

from colorread.errors import Reason
from colorread.log import Damage, Log, LogEntry, photo_path
from colorread.page.core import core_of, picture_answer, require_own_form, units_shown
from colorread.page.kept_photo import keep_photo
from colorread.page.problems import UploadProblem, problem_of
from colorread.page.render import page
from colorread.page.shown import ReadingView, last_read, view_reading
from colorread.page.uploads import receive_form, receive_photos, text_of
from colorread.tank import LEAST_READINGS, LETTERS, Tank, plan_lines
from colorread.words import REFUSED_SIGN, bar_svg

router = APIRouter(include_in_schema=False)
_ROWS = 20
_LAST_TANK_COOKIE = "colorread-tank"
_YEAR_S = 365 * 24 * 3600


def tank_url(name: str, rest: str = "") -> str:
    """Return the address of a tank, or of something that belongs to it."""
    return f"/tanks/{quote(name, safe='')}{rest}"


def see(url: str, said: str = "") -> RedirectResponse:
    """Send a browser on after a form, so that loading again repeats nothing; what was done is said there."""
    return RedirectResponse(f"{url}?said={said}" if said else url, 303)


@router.get("/")
def home(request: Request) -> Response:
    """Show the tank that this browser used last, else the first one, where that is clear."""
    core = core_of(request)
    with Log(core.log_path) as log:
        tanks = [tank.name for tank in log.tanks()]
    for name in (unquote(request.cookies.get(_LAST_TANK_COOKIE, "")), core.home):
        if name in tanks:
            return see(tank_url(name))
    return see(tank_url(tanks[0])) if len(tanks) == 1 else see("/tanks")


@router.get("/tanks")
def tanks(request: Request) -> Response:
    """List the tanks with their last readings."""
    now = datetime.now().astimezone()
    with Log(core_of(request).log_path) as log:
        damages: list[Damage] = []
        tanks = log.tanks(damages.append)
        rows = [(tank, last_read(log.entries(tank.name, newest_first=True), now)) for tank in tanks]
    shown = [(tank, None if entry is None else _view(request, entry, tank)) for tank, entry in rows]
    return page(request, "tanks.html", rows=shown, damages=damages)


@router.get("/tanks/{name}")
async def tank(request: Request, name: str, start: int = 0) -> Response:
    """Show a tank: the camera, the last reading, the week, the advice and the readings before."""
    core = core_of(request)
    tank = await run_in_threadpool(core.tank, name)
    view = await core.view_soon(name)
    now = datetime.now().astimezone()
    last, rows, start, n_rows = await run_in_threadpool(_rows, core.log_path, name, start, now)
    last_view = None if last is None else _view(request, last, tank)
    cautions = () if last_view is None else last_view.cautions
    now_bar = "" if last_view is None else last_view.bar
    if view is not None:
        cautions = view.summary.cautions
        now_bar = "" if view.summary.now is None else bar_svg(view.summary.now.co2_mg_l, tank.judged_by)
    answer = page(
        request,
        "tank.html",
        tank=tank,
        view=view,
        last=last_view,
        rows=[_view(request, entry, tank) for entry in rows],
        has_days=n_rows >= LEAST_READINGS,
        start=start,
        row_step=_ROWS,
        n_rows=n_rows,
        now_bar=now_bar,
        plan=() if view is None else plan_lines(view.summary.plan, None if tank.made_up else now.date()),
        letters=LETTERS,
        cautions=cautions,
    )
    last_tank = quote(name, safe="")
    answer.set_cookie(_LAST_TANK_COOKIE, last_tank, max_age=_YEAR_S, httponly=True, samesite="lax")
    return answer


@router.post("/tanks/{name}/snap")
async def snap(request: Request, name: str) -> Response:
    """Read one photo and keep the reading, which can be taken back; what was refused leaves nothing behind."""
    core = core_of(request)
    tank = await run_in_threadpool(core.tank, name)
    async with receive_photos(request, core.workplace) as (form, (upload,)):
        require_own_form(request, text_of(form, "csrf"))
        try:
            entry = await core.score(request, upload, tank)
        except UploadProblem as error:
            return _refused_page(request, tank, error.reason, status=problem_of(error).status)
        if entry.reading.reason is not None:
            notes = _view(request, entry, tank).notes
            return _refused_page(request, tank, entry.reading.reason, notes=notes, picture=_inline(entry))
        is_first = await run_in_threadpool(core.keep, entry)
        core.originals.put(name, upload, core.workplace.new_folder())
    return see(tank_url(name, f"/readings/{entry.sha256}"), "kept" if is_first else "known")


@router.get("/tanks/{name}/snap")
def snap_again(name: str) -> Response:
    """Send a browser on that opens the address of a refusal again."""
    return see(tank_url(name))


@router.get("/tanks/{name}/readings/{sha256}")
def reading(request: Request, name: str, sha256: str) -> Response:
    """Show one reading that was kept."""
    core = core_of(request)
    with Log(core.log_path) as log:
        tank = log.tank(name)
        entry = log.entry(name, sha256)
        has_picture = entry is not None and log.picture(name, sha256) is not None
        has_days = log.count(name) >= LEAST_READINGS
    if entry is None:
        raise HTTPException(404, "This reading is no longer in the log.")
    return page(
        request,
        "reading.html",
        tank=tank,
        has_days=has_days,
        reading=_view(request, entry, tank),
        has_picture=has_picture,
        has_photo=photo_path(core.log_path, entry.sha256).is_file(),
        can_keep_photo=core.originals.path(name, sha256) is not None,
        is_new=request.query_params.get("said") == "kept",
    )


@router.post("/tanks/{name}/readings/{sha256}")
async def forget(request: Request, name: str, sha256: str) -> Response:
    """Delete a reading, and the photo of it that was kept."""
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
        said = "discarded" if text_of(form, "choice") == "discard" else "deleted"
    await run_in_threadpool(core_of(request).forget, name, sha256)
    return see(tank_url(name), said)


@router.post("/tanks/{name}/damaged")
async def forget_damaged(request: Request, name: str) -> Response:
    """Delete the readings of a tank that cannot be read back."""
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
    await run_in_threadpool(core_of(request).forget_damaged, name)
    return see(tank_url(name), "damaged-deleted")


@router.get("/tanks/{name}/readings/{sha256}/picture")
def picture(request: Request, name: str, sha256: str) -> Response:
    """Return the evidence picture of a reading."""
    return picture_answer(request, name, sha256)


@router.get("/tanks/{name}/readings/{sha256}/photo")
def photo(request: Request, name: str, sha256: str) -> Response:
    """Return the photo that was kept of a reading."""
    core = core_of(request)
    with Log(core.log_path) as log:
        entry = log.entry(name, sha256)
    path = None if entry is None else photo_path(core.log_path, entry.sha256)  # by the hash in the log, never the URL's
    if path is None or not path.is_file():
        raise HTTPException(404, "This reading has no saved photo.")
    return FileResponse(path, media_type="image/jpeg")


@router.post("/tanks/{name}/readings/{sha256}/photo")
async def keep_the_photo(request: Request, name: str, sha256: str) -> Response:
    """Keep the photo of a reading too."""
    core = core_of(request)
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
    original = core.originals.path(name, sha256)
    if original is None or await core.pool.run(keep_photo, original, core.log_path, name, sha256) is None:
        raise HTTPException(410, "The photo is gone; its reading is still there.")
    core.originals.drop(name, sha256)
    return see(tank_url(name, f"/readings/{sha256}"), "photo-kept")


def _view(request: Request, entry: LogEntry, tank: Tank) -> ReadingView:
    return view_reading(entry, units_shown(request), tank.judged_by, datetime.now().astimezone())


def _refused_page(
    request: Request,
    tank: Tank,
    reason: Reason,
    *,
    status: int = 422,
    notes: Sequence[str] = (),
    picture: str = "",
) -> Response:
    return page(
        request,
        "refused.html",
        status=status,
        tank=tank,
        sign=REFUSED_SIGN,
        message=reason.message,
        next_step=reason.next_step,
        notes=notes,
        picture=picture,
    )


def _inline(entry: LogEntry) -> str:
    return "" if entry.picture is None else "data:image/jpeg;base64," + base64.b64encode(entry.picture).decode("ascii")


def _rows(log_path: Path, name: str, start: int, now: datetime) -> tuple[LogEntry | None, list[LogEntry], int, int]:
    """Return the last reading with numbers, a page of all by falling time, where it starts, and how many there are."""
    with Log(log_path) as log:
        count = log.count(name)
        start = max(0, min(start, count))
        last = last_read(log.entries(name, newest_first=True), now)
        return last, list(islice(log.entries(name, newest_first=True, skip=start), _ROWS)), start, count
