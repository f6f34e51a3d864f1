"""The JSON interface for programs: same functions, same log."""

from __future__ import annotations

from datetime import datetime
from itertools import islice
from typing import Annotated, Any

from fastapi import APIRouter, Body, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field

from colorread.errors import Reason
from colorread.log import Log, LogEntry
from colorread.page import pages
from colorread.page.core import CoreHere, EntryHere, TankHere, ViewHere
from colorread.page.guard import problem_json
from colorread.page.shown import status_of
from colorread.page.uploads import receive_photos
from colorread.records import plain, read_record
from colorread.tank import Tank, summary_to_dict, typed_event
from colorread.words import Marks, judged


class Problem(BaseModel):
    """What is wrong, in words."""

    message: str
    next_step: str
    code: str | None


class PhotoForm(BaseModel):
    """A photo to read."""

    photo: bytes = Field(description="JPEG, PNG, HEIC, TIFF or WebP, at most 40 MB and 80 megapixels.")
    modified: str = Field(
        "", description="When the file was last changed, in milliseconds since 1970; used if the photo holds no time."
    )


_PROBLEM: dict[str, Any] = {"model": Problem, "description": "What is wrong, in words."}
# Described by hand, because the form is received within limits, bypassing FastAPI.
_PHOTO = {
    "requestBody": {"required": True, "content": {"multipart/form-data": {"schema": PhotoForm.model_json_schema()}}}
}
router = APIRouter(prefix="/api", tags=["colorread"], responses={404: _PROBLEM, 422: _PROBLEM, 503: _PROBLEM})


@router.get("/tanks")
def tanks(core: CoreHere) -> list[dict[str, Any]]:
    """Return all tanks, schema colorread.tank/1."""
    with Log(core.log_path) as log:
        return [plain(tank) for tank in log.tanks()]


@router.get("/tanks/{name}")
def tank(tank: TankHere) -> dict[str, Any]:
    """Return one tank."""
    return dict(plain(tank))


@router.put("/tanks/{name}")
def put_tank(core: CoreHere, name: str, tank: Annotated[dict[str, Any], Body()]) -> dict[str, Any]:
    """Add a tank or replace its settings, schema colorread.tank/1; its profile stays as it is."""
    try:
        given = read_record(Tank, "the tank", tank)
    except ValueError as error:
        raise HTTPException(422, str(error)) from None
    if given.name != name:
        raise HTTPException(422, f"The tank is named {given.name!r} in the body, but {name!r} in the address.")
    with Log(core.log_path) as log, log.transaction():
        profile = log.tank(name).profile if log.has_tank(name) else None
        # A profile is a file on this machine; a request must not choose which files are read.
        if given.profile != profile:
            raise HTTPException(422, "The profile cannot be changed here; use the page or the command line.")
        log.put_tank(given)
    return dict(plain(given))


@router.get("/tanks/{name}/readings")
def readings(
    core: CoreHere,
    tank: TankHere,
    start: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
    count: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> dict[str, Any]:
    """
    Return readings in the order in which the photos were taken, each of schema colorread.reading/1.

    They are judged by the limits that the tank has now.
    """
    with Log(core.log_path) as log:
        entries = [_entry(entry, tank.judged_by) for entry in islice(log.entries(tank.name, skip=start), count)]
        return {"total": log.count(tank.name), "readings": entries}


@router.post(
    "/tanks/{name}/readings",
    status_code=201,
    openapi_extra=_PHOTO,
    responses={400: _PROBLEM, 408: _PROBLEM, 413: _PROBLEM, 415: _PROBLEM},
)
async def read(request: Request, core: CoreHere, tank: TankHere, keep: bool = True) -> Response:
    """
    Read a photo and, if `keep` is true, put the reading into the log.

    A refused photo gets 422 with its reading, which says why, and is not kept. A busy server answers late, or with 503
    and Retry-After.
    """
    async with receive_photos(request, core.workplace) as (_, (upload,)):
        scored = await core.score(request, upload, tank)
    if isinstance(scored, Reason):
        return problem_json(status_of(scored), scored.message, scored.next_step, scored.code)
    answer, reason = _entry(scored, tank.judged_by), scored.reading.reason
    if reason is not None:
        return problem_json(422, reason.message, reason.next_step, reason.code, **answer)
    if keep:
        await run_in_threadpool(core.keep, scored)
    return JSONResponse(answer, 201 if keep else 200)


@router.get("/tanks/{name}/readings/{sha256}")
def reading(tank: TankHere, entry: EntryHere) -> dict[str, Any]:
    """Return one reading, judged by the limits that the tank has now."""
    return _entry(entry, tank.judged_by)


@router.delete("/tanks/{name}/readings/{sha256}", status_code=204, response_class=Response)
def delete_reading(core: CoreHere, name: str, sha256: str) -> None:
    """Delete one reading and its saved photo."""
    if not core.forget(name, sha256):
        raise HTTPException(404, "There is no such reading.")


router.get(
    "/tanks/{name}/readings/{sha256}/picture",
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}, "description": "The evidence picture."}},
)(pages.picture)


@router.get("/tanks/{name}/summary")
def summary(view: ViewHere) -> dict[str, Any]:
    """Return the summary of a tank, schema colorread.summary/1."""
    return summary_to_dict(view.summary)


@router.get("/tanks/{name}/notes")
def notes(core: CoreHere, tank: TankHere) -> list[dict[str, Any]]:
    """Return the notes of a tank in order of time, each of schema colorread.event/1 with an `id`."""
    with Log(core.log_path) as log:
        return [{"id": note_id, **plain(event)} for note_id, event in log.events(tank.name).items()]


@router.post("/tanks/{name}/notes", status_code=201, responses={200: {"description": "The log had this note already."}})
def add_note(
    core: CoreHere,
    response: Response,
    name: str,
    note: Annotated[dict[str, Any], Body(examples=[{"at": "2025-06-04T18:30", "water_change": 0.3}, {"bubbles": 60}])],
) -> dict[str, Any]:
    """
    Note what was done to a tank, schema colorread.event/1, and return it with its `id`.

    Leave out what was not done. `at` is local time without offset, now if left out; `water_change` is a share from 0.01
    to 1.
    """
    try:
        event = typed_event(note, datetime.now())
    except ValueError as error:
        raise HTTPException(422, str(error)) from None
    with Log(core.log_path) as log:
        if not log.add_event(name, event):
            response.status_code = 200
    return {"id": event.id, **plain(event)}


@router.delete("/tanks/{name}/notes/{note_id}", status_code=204, response_class=Response)
def delete_note(core: CoreHere, name: str, note_id: str) -> None:
    """Delete one note."""
    with Log(core.log_path) as log:
        if not log.forget_events(name, [note_id]):
            raise HTTPException(404, "There is no such note.")


def _entry(entry: LogEntry, marks: Marks) -> dict[str, Any]:
    return {
        "sha256": entry.sha256,
        "scored_at": entry.scored_at.isoformat(),
        "reading": plain(judged(entry.reading, marks)),
    }
