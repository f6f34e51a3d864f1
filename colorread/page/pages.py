"""The everyday pages: photos, readings and the course of a tank, also as files to download."""

from __future__ import annotations

import asyncio
import base64
from itertools import islice
from typing import NamedTuple
from urllib.parse import quote, unquote

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, Response

from colorread.batch import csv_bytes
from colorread.errors import Reason
from colorread.log import Damage, Log, LogEntry, photo_path
from colorread.page import tasks
from colorread.page.core import Core, CoreHere, EntryHere, OwnForm, TankHere, ViewHere, ViewSoon, require_own_form
from colorread.page.guard import YEAR_S
from colorread.page.pages_tank import DONE, USUAL_SHARE
from colorread.page.shown import ReadingView, last_view, page, redirect, status_of, tank_url, view_of
from colorread.page.uploads import PHOTO_BYTES_MAX, PHOTOS_MAX, Upload, receive_photos
from colorread.report import calendar_bytes
from colorread.tank import LEAST_READINGS, LETTERS, Tank
from colorread.words import flag_texts, judged

router = APIRouter(include_in_schema=False)
_ROWS = 20
_LAST_TANK_COOKIE = "colorread-tank"
# The report has its style and its pictures in itself, and no script.
_REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)


@router.get("/")
def home(request: Request, core: CoreHere) -> Response:
    """Show the tank that this browser used last, else the one to show first, else the only one."""
    with Log(core.log_path) as log:
        tanks = [tank.name for tank in log.tanks()]
    for name in (unquote(request.cookies.get(_LAST_TANK_COOKIE, "")), core.home):
        if name in tanks:
            return redirect(tank_url(name))
    return redirect(tank_url(tanks[0])) if len(tanks) == 1 else redirect("/tanks")


@router.get("/tanks")
def tanks(request: Request, core: CoreHere) -> Response:
    """List the tanks with their last readings."""
    damages: list[Damage] = []
    with Log(core.log_path) as log:
        rows = [(tank, last_view(request, log, tank)) for tank in log.tanks(damages.append)]
    return page(request, "tanks.html", rows=rows, damages=damages)


@router.get("/tanks/{name}")
def tank(request: Request, core: CoreHere, tank: TankHere, soon: ViewSoon, start: int = 0) -> Response:
    """Show a tank: the camera, the last reading, the week, the advice and the history."""
    view, trouble = soon
    with Log(core.log_path) as log:
        n_rows = log.count(tank.name)
        start = max(0, min(start, n_rows))
        last = last_view(request, log, tank)
        entries = list(islice(log.entries(tank.name, newest_first=True, skip=start), _ROWS))
    answer = page(
        request,
        "tank.html",
        tank=tank,
        view=view,
        trouble=trouble,
        last=last,
        rows=[view_of(request, entry, tank) for entry in entries],
        has_days=n_rows >= LEAST_READINGS,
        start=start,
        row_step=_ROWS,
        n_rows=n_rows,
        letters=LETTERS,
        done=DONE,
        usual_share=USUAL_SHARE,
    )
    last_tank = quote(tank.name, safe="")
    answer.set_cookie(_LAST_TANK_COOKIE, last_tank, max_age=YEAR_S, httponly=True, samesite="lax")
    return answer


@router.post("/tanks/{name}/snap")
async def snap(request: Request, core: CoreHere, tank: TankHere) -> Response:
    """Read one photo and keep the reading, which can be discarded; a refused photo leaves nothing behind."""
    async with receive_photos(request, core.workplace) as (form, (upload,)):
        require_own_form(request, form)
        scored = await core.score(request, upload, tank)
        if isinstance(scored, Reason):
            return _refused_page(request, tank, scored)
        if scored.reading.reason is not None:
            return _refused_page(request, tank, scored.reading.reason, scored)
        is_first = await run_in_threadpool(core.keep, scored)
        core.originals.put(tank.name, upload.sha256, path=upload.path)
    return redirect(tank_url(tank.name, f"/readings/{upload.sha256}"), "kept" if is_first else "known")


@router.get("/tanks/{name}/snap")
def snap_again(name: str) -> Response:
    """Redirect a browser that opens the address of a refusal again."""
    return redirect(tank_url(name))


def _refused_page(request: Request, tank: Tank, reason: Reason, entry: LogEntry | None = None) -> Response:
    picture = b"" if entry is None else entry.picture or b""
    return page(
        request,
        "refused.html",
        status=status_of(reason),
        tank=tank,
        reason=reason,
        notes=() if entry is None else [text.sentence for text in flag_texts(entry.reading)],
        picture=base64.b64encode(picture).decode("ascii"),
    )


class _Row(NamedTuple):
    """One of several photos: its reading, or why there is none, and whether it is new in the log."""

    label: str
    reading: ReadingView | None
    reason: Reason | None
    is_first: bool


@router.get("/tanks/{name}/several")
def choose(request: Request, tank: TankHere) -> Response:
    """Show the form for several photos, which the script sends one by one; without the script they come all at once."""
    return _several_page(request, tank, [])


@router.post("/tanks/{name}/several")
async def send(request: Request, core: CoreHere, tank: TankHere) -> Response:
    """Read photos, keep the readings, and list them."""
    async with receive_photos(request, core.workplace, photos_max=PHOTOS_MAX) as (form, uploads):
        require_own_form(request, form)
        rows = await asyncio.gather(*(_read_one(request, core, tank, upload) for upload in uploads))
    return _several_page(request, tank, rows)


async def _read_one(request: Request, core: Core, tank: Tank, upload: Upload) -> _Row:
    scored = await core.score(request, upload, tank)
    if isinstance(scored, Reason):
        return _Row(upload.label, None, scored, False)
    view = view_of(request, scored, tank)
    is_first = view.reason is None and await run_in_threadpool(core.keep, scored)
    return _Row(upload.label, view, view.reason, is_first)


def _several_page(request: Request, tank: Tank, rows: list[_Row]) -> Response:
    cautions = dict.fromkeys(caution for row in rows if row.reading for caution in row.reading.cautions)
    return page(
        request,
        "several.html",
        tank=tank,
        rows=rows,
        cautions=cautions,
        photos_max=PHOTOS_MAX,
        photo_mb_max=PHOTO_BYTES_MAX >> 20,
    )


@router.get("/tanks/{name}/readings/{sha256}")
def reading(request: Request, core: CoreHere, tank: TankHere, entry: EntryHere) -> Response:
    """Show one reading."""
    with Log(core.log_path) as log:
        has_picture = log.picture(tank.name, entry.sha256) is not None
        has_days = log.count(tank.name) >= LEAST_READINGS
    return page(
        request,
        "reading.html",
        tank=tank,
        has_days=has_days,
        reading=view_of(request, entry, tank),
        has_picture=has_picture,
        has_photo=photo_path(core.log_path, entry.sha256).is_file(),
        can_keep_photo=bool(core.originals.paths(tank.name, entry.sha256)),
        is_new=request.query_params.get("said") == "kept",
    )


@router.post("/tanks/{name}/readings/{sha256}")
def forget(core: CoreHere, form: OwnForm, name: str, sha256: str) -> Response:
    """Delete a reading and its saved photo."""
    core.forget(name, sha256)
    return redirect(tank_url(name), "discarded" if form.get("choice") == "discard" else "deleted")


@router.post("/tanks/{name}/damaged")
def forget_damaged(core: CoreHere, form: OwnForm, name: str) -> Response:
    """Delete the readings of a tank that cannot be read back."""
    core.forget_damaged(name)
    return redirect(tank_url(name), "damaged-deleted")


@router.get("/tanks/{name}/readings/{sha256}/picture")
def picture(core: CoreHere, name: str, sha256: str) -> Response:
    """Return the evidence picture of a reading."""
    with Log(core.log_path) as log:
        found = log.picture(name, sha256)
    if found is None:
        raise HTTPException(404, "This reading has no picture.")
    return Response(found, media_type="image/jpeg")


@router.get("/tanks/{name}/readings/{sha256}/photo")
def photo(core: CoreHere, entry: EntryHere) -> Response:
    """Return the saved photo of a reading."""
    path = photo_path(core.log_path, entry.sha256)  # by the hash in the log, never the URL's
    if not path.is_file():
        raise HTTPException(404, "This reading has no saved photo.")
    return FileResponse(path, media_type="image/jpeg")


@router.post("/tanks/{name}/readings/{sha256}/photo")
async def keep_the_photo(core: CoreHere, form: OwnForm, name: str, sha256: str) -> Response:
    """Save the photo of a reading too."""
    original = core.originals.paths(name, sha256).get(sha256)
    if original is None or await core.pool.run(tasks.keep_photo, original, core.log_path, name, sha256) is None:
        raise HTTPException(410, "The photo is gone; its reading is still there.")
    core.originals.drop(name, sha256)
    return redirect(tank_url(name, f"/readings/{sha256}"), "photo-kept")


@router.get("/tanks/{name}/report.html")
async def report(core: CoreHere, view: ViewHere, name: str) -> Response:
    """Return the report of a tank."""
    made = await core.pool.run(tasks.report_of, core.log_path, view.summary)
    answer = _file(made.encode(), "text/html; charset=utf-8", f"{name}.html", "inline")
    answer.headers["Content-Security-Policy"] = _REPORT_POLICY
    return answer


@router.get("/tanks/{name}/readings.csv")
def table(core: CoreHere, view: ViewHere, name: str) -> Response:
    """Return the readings of a tank, judged by its current limits, and the CO2 of the tank."""
    marks = view.summary.tank.judged_by
    with Log(core.log_path) as log:
        made = csv_bytes((judged(entry.reading, marks) for entry in log.entries(name)), view.summary.tank_co2)
    return _file(made, "text/csv; charset=utf-8", f"{name}.csv")


@router.get("/tanks/{name}/plan.ics")
def plan(view: ViewHere, name: str) -> Response:
    """Return the plan for a tank as a calendar."""
    return _file(calendar_bytes(view.summary), "text/calendar; charset=utf-8", f"{name}.ics")


def _file(content: bytes, media_type: str, filename: str, disposition: str = "attachment") -> Response:
    headers = {"Content-Disposition": f"{disposition}; filename*=UTF-8''{quote(filename, safe='')}"}
    return Response(content, media_type=media_type, headers=headers)
