"""The interface for programs: the same functions and the same log, in JSON."""

from __future__ import annotations

from datetime import datetime
from itertools import islice
from typing import Annotated, Any

from fastapi import APIRouter, Body, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response

from colorread.log import Log, LogEntry
from colorread.page.core import core_of, picture_answer
from colorread.page.uploads import receive_photos
from colorread.records import plain, record_of
from colorread.tank import Tank, summary_to_dict, typed_event
from colorread.words import Marks, judged

_PROBLEM = {
    "description": "What is wrong, in words.",
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["message", "next_step", "code"],
                "properties": {
                    "message": {"type": "string"},
                    "next_step": {"type": "string"},
                    "code": {"type": ["string", "null"]},
                },
            }
        }
    },
}
_PHOTO = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["photo"],
                    "properties": {
                        "photo": {
                            "type": "string",
                            "format": "binary",
                            "description": "JPEG, PNG, HEIC, TIFF or WebP, at most 40 MB and 80 megapixels.",
                        },
                        "modified": {
                            "type": "string",
                            "description": "When the file was changed last, milliseconds since 1970; the time of the "
                            "reading where the photo tells none.",
                        },
                    },
                }
            }
        },
    }
}
router = APIRouter(prefix="/api", tags=["colorread"], responses={404: _PROBLEM, 422: _PROBLEM, 503: _PROBLEM})


@router.get("/tanks")
def tanks(request: Request) -> list[dict[str, Any]]:
    """Return all tanks, schema colorread.tank/1."""
    with Log(core_of(request).log_path) as log:
        return [plain(tank) for tank in log.tanks()]


@router.get("/tanks/{name}")
def tank(request: Request, name: str) -> dict[str, Any]:
    """Return one tank."""
    data: dict[str, Any] = plain(core_of(request).tank(name))
    return data


@router.put("/tanks/{name}")
def put_tank(request: Request, name: str, tank: Annotated[dict[str, Any], Body()]) -> dict[str, Any]:
    """Add a tank or replace its settings, schema colorread.tank/1; its profile stays as it is."""
    try:
        given = record_of(Tank, "the tank", tank)
    except ValueError as error:
        raise HTTPException(422, str(error)) from None
    if given.name != name:
        raise HTTPException(422, f"The tank is named {given.name!r} in the body, but {name!r} in the address.")
    with Log(core_of(request).log_path) as log, log.transaction():
        known = {known.name: known for known in log.tanks()}
        # A profile is a file of this machine; which files are read is not for a request to say.
        if given.profile != (known[name].profile if name in known else None):
            raise HTTPException(422, "The profile cannot be changed here; use the page or the command line.")
        log.put_tank(given)
    data: dict[str, Any] = plain(given)
    return data


@router.get("/tanks/{name}/readings")
def readings(
    request: Request,
    name: str,
    start: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
    count: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> dict[str, Any]:
    """
    Return readings by the time at which the photos were taken, schema colorread.reading/1 each.

    Each is judged by the marks that the tank has now.
    """
    with Log(core_of(request).log_path) as log:
        marks, total = log.tank(name).judged_by, log.count(name)
        entries = islice(log.entries(name, skip=start), count)
        return {"total": total, "readings": [_entry(entry, marks) for entry in entries]}


@router.post(
    "/tanks/{name}/readings",
    status_code=201,
    openapi_extra=_PHOTO,
    responses={400: _PROBLEM, 408: _PROBLEM, 413: _PROBLEM, 415: _PROBLEM},
)
async def read(request: Request, name: str, keep: bool = True) -> Response:
    """
    Read a photo and, where `keep` is true, put the reading into the log.

    A photo that was refused is answered with 422 and its reading, which says why, and is not kept. With much to do the
    answer takes its time; 503 comes with Retry-After.
    """
    core = core_of(request)
    tank = await run_in_threadpool(core.tank, name)
    async with receive_photos(request, core.workplace) as (_, (upload,)):
        entry = await core.score(request, upload, tank)
    if entry.reading.reason is None and keep:
        await run_in_threadpool(core.keep, entry)
    reason = entry.reading.reason
    if reason is None:
        return JSONResponse(_entry(entry, tank.judged_by), 201 if keep else 200)
    problem = {"message": reason.message, "next_step": reason.next_step, "code": reason.code}
    return JSONResponse(problem | _entry(entry, tank.judged_by), 422)


@router.get("/tanks/{name}/readings/{sha256}")
def reading(request: Request, name: str, sha256: str) -> dict[str, Any]:
    """Return one reading, judged by the marks that the tank has now."""
    with Log(core_of(request).log_path) as log:
        marks = log.tank(name).judged_by
        entry = log.entry(name, sha256)
    if entry is None:
        raise HTTPException(404, "There is no such reading.")
    return _entry(entry, marks)


@router.delete("/tanks/{name}/readings/{sha256}", status_code=204)
def delete_reading(request: Request, name: str, sha256: str) -> Response:
    """Delete one reading, and the photo that was kept of it."""
    if not core_of(request).forget(name, sha256):
        raise HTTPException(404, "There is no such reading.")
    return Response(status_code=204)


@router.get(
    "/tanks/{name}/readings/{sha256}/picture",
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}, "description": "The evidence picture."}},
)
def picture(request: Request, name: str, sha256: str) -> Response:
    """Return the evidence picture of a reading."""
    return picture_answer(request, name, sha256)


@router.get("/tanks/{name}/summary")
async def summary(request: Request, name: str) -> dict[str, Any]:
    """Return what days of readings tell of a tank, schema colorread.summary/1."""
    return summary_to_dict((await core_of(request).view(name)).summary)


@router.get("/tanks/{name}/notes")
def notes(request: Request, name: str) -> list[dict[str, Any]]:
    """Return what was noted of a tank, by its time, schema colorread.event/1 with an `id` each."""
    with Log(core_of(request).log_path) as log:
        log.require_tank(name)
        return [{"id": note_id, **plain(event)} for note_id, event in log.events(name).items()]


@router.post("/tanks/{name}/notes", status_code=201, responses={200: {"description": "The log had this note already."}})
def add_note(
    request: Request,
    response: Response,
    name: str,
    note: Annotated[dict[str, Any], Body(examples=[{"at": "2025-06-04T18:30", "water_change": 0.3}, {"bubbles": 60}])],
) -> dict[str, Any]:
    """
    Note what was done to a tank, schema colorread.event/1, and return it with its `id`.

    What lacks was not done. `at` is of the clock on the wall, without offset, and now where it lacks; `water_change` a
    share from 0.01 to 1.
    """
    try:
        event = typed_event(note, datetime.now())
    except ValueError as error:
        raise HTTPException(422, str(error)) from None
    if not core_of(request).add_event(name, event):
        response.status_code = 200
    return {"id": event.id, **plain(event)}


@router.delete("/tanks/{name}/notes/{note_id}", status_code=204)
def delete_note(request: Request, name: str, note_id: str) -> Response:
    """Delete one note."""
    if not core_of(request).forget_event(name, note_id):
        raise HTTPException(404, "There is no such note.")
    return Response(status_code=204)


def _entry(entry: LogEntry, marks: Marks) -> dict[str, Any]:
    return {
        "sha256": entry.sha256,
        "scored_at": entry.scored_at.isoformat(),
        "reading": plain(judged(entry.reading, marks)),
    }
