"""Pages for what a keeper notes of a tank."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.log import Log
from colorread.page.core import core_of, require_own_form
from colorread.page.pages import see, tank_url
from colorread.page.render import page
from colorread.page.tank_form import number_of
from colorread.page.uploads import receive_form, text_of
from colorread.tank import Event, event_words, parse_share, typed_event
from colorread.words import when_words

router = APIRouter(include_in_schema=False)
_FIELDS = ("done", "share", "grams", "bubbles", "at", "text")
DONE = {
    "water": "Water change",
    "refilled": "Refilled",
    "gas_changed": "Gas changed",
    "fluid_renewed": "Fluid renewed",
    "diffuser": "Diffuser",
}
"""What can be noted with a tap, in words."""
USUAL_SHARE = "30"  # of the water [%]: common practice, no source


@router.get("/tanks/{name}/notes")
async def notes(request: Request, name: str) -> Response:
    """Show what was noted, and a form for more."""
    return await _notes_page(request, name, {"share": USUAL_SHARE})


@router.post("/tanks/{name}/notes")
async def add_note(request: Request, name: str) -> Response:
    """Note something, or show what is wrong with it."""
    core = core_of(request)
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
        typed = {field: text_of(form, field) for field in _FIELDS}
    try:
        event = _event(typed, datetime.now())
    except ValueError as error:
        return await _notes_page(request, name, typed, wrong=str(error))
    await run_in_threadpool(core.add_event, name, event)
    return see(tank_url(name), "noted")


@router.post("/tanks/{name}/notes/{event_id}")
async def forget_note(request: Request, name: str, event_id: str) -> Response:
    """Delete a note."""
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
    await run_in_threadpool(core_of(request).forget_event, name, event_id)
    return see(tank_url(name, "/notes"), "note-deleted")


def _event(typed: dict[str, str], now: datetime) -> Event:
    done, grams, bubbles = typed["done"], typed["grams"].strip(), typed["bubbles"].strip()
    values: dict[str, object] = {
        "at": typed["at"],
        "text": typed["text"],
        "water_change": parse_share(typed["share"] or USUAL_SHARE) if done == "water" else None,
        "refill_g": number_of("The amount of the refill", grams) if grams else None,
        "bubbles": number_of("The bubbles", bubbles) if bubbles else None,
    }
    flags = {done: True} if done in DONE and done != "water" else {}
    return typed_event(values | flags, now)


async def _notes_page(request: Request, name: str, typed: dict[str, str], wrong: str = "") -> Response:
    tank, events = await run_in_threadpool(_noted, request, name)
    return page(
        request,
        "notes.html",
        status=422 if wrong else 200,
        tank=tank,
        texts={field: typed.get(field, "") for field in _FIELDS},
        wrong=wrong,
        done=DONE,
        notes=[(event_id, when_words(event.at, datetime.now()), event_words(event)) for event_id, event in events],
    )


def _noted(request: Request, name: str) -> tuple[Any, list[tuple[str, Event]]]:
    with Log(core_of(request).log_path) as log:
        return log.tank(name), list(log.events(name).items())[::-1]
