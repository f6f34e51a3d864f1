"""Pages for what a keeper enters: settings of tanks, notes, and units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from colorread.chemistry import UNITS
from colorread.log import Log, forget_tank
from colorread.page.core import CoreHere, OwnForm, TankHere, core_of
from colorread.page.pages_calibrate import profile_choices
from colorread.page.shown import CHOSEN, UnitsHere, page, parse_number, redirect, remember_units, tank_url, units_of
from colorread.page.tank_form import SentForm, apply_form
from colorread.tank import SETTINGS, Tank, event_words, parse_share, typed_event
from colorread.words import gas_cautions, when_words

router = APIRouter(include_in_schema=False)
_NOTE_NUMBERS = {"refill_g": "The amount of the refill", "bubbles": "The bubbles"}
DONE = {  # what can be noted with one tap, in words
    "water": "Water change",
    "refilled": "Refilled",
    "gas_changed": "Gas changed",
    "fluid_renewed": "Fluid renewed",
    "diffuser": "Diffuser",
}
USUAL_SHARE = "30"  # of the water [%]: common practice, no source
_FRESH_NOTE = dict.fromkeys(("done", "at", "text", *_NOTE_NUMBERS), "") | {"share": USUAL_SHARE}


@router.get("/new-tank")
def new_tank(request: Request, units: UnitsHere) -> Response:
    """Show the form for a new tank."""
    return _form_page(request, None, SentForm.untouched(Tank(name="new"), units))


@router.post("/new-tank")
def add_tank(request: Request, core: CoreHere, form: OwnForm) -> Response:
    """Add a tank."""
    name, sent = form.get("name", ""), SentForm.received(form)
    tank, wrong = apply_form(Tank(name="new"), sent)
    try:
        tank = replace(tank, name=name)
        if not wrong:
            with Log(core.log_path) as log:
                log.add_tank(tank)
    except ValueError as error:
        wrong = {"name": str(error)} | wrong
    if wrong:
        return _form_page(request, None, sent, name=name, wrong=wrong)
    return redirect(tank_url(name), "saved")


@router.get("/tanks/{name}/settings")
def settings(request: Request, tank: TankHere, units: UnitsHere) -> Response:
    """Show the settings of a tank."""
    return _form_page(request, tank, SentForm.untouched(tank, units))


@router.post("/tanks/{name}/settings")
def change_tank(request: Request, core: CoreHere, tank: TankHere, form: OwnForm) -> Response:
    """Change the settings of a tank."""
    sent = SentForm.received(form)
    with Log(core.log_path) as log, log.transaction():  # so that nobody changes it in between
        tank = log.tank(tank.name)
        changed, wrong = apply_form(tank, sent)
        # A form may name only profiles that the page made or that the tank already has, never another file.
        if changed.profile and changed.profile not in dict(profile_choices(core.log_path, tank.profile)):
            wrong["profile"] = "Choose one of the profiles in the list."
        if not wrong:
            log.put_tank(changed)
    if wrong:
        return _form_page(request, tank, sent, wrong=wrong)
    return redirect(tank_url(tank.name), "saved")


@router.post("/tanks/{name}/rename")
def rename_tank(request: Request, core: CoreHere, tank: TankHere, form: OwnForm, units: UnitsHere) -> Response:
    """Give a tank another name."""
    new_name = form.get("new_name", "")
    try:
        if new_name != tank.name:
            with Log(core.log_path) as log:
                log.rename_tank(tank.name, new_name)
            core.drop_photos(tank.name)
    except ValueError as error:
        untouched = SentForm.untouched(tank, units)
        return _form_page(request, tank, untouched, name=new_name, wrong={"new_name": str(error)})
    return redirect(tank_url(new_name), "renamed")


@router.post("/tanks/{name}/remove")
def remove_tank(core: CoreHere, form: OwnForm, name: str) -> Response:
    """Remove a tank, even a damaged one, with its readings and their photos."""
    with Log(core.log_path) as log:
        forget_tank(log, name, with_readings=True)
    core.drop_photos(name)
    return redirect("/tanks", "removed")


def _form_page(
    request: Request, tank: Tank | None, sent: SentForm, *, name: str = "", wrong: Mapping[str, str] | None = None
) -> Response:
    log_path, n_readings = core_of(request).log_path, 0
    if tank is not None:
        with Log(log_path) as log:
            n_readings = log.count(tank.name)
    return page(
        request,
        "settings.html",
        tank=tank,
        name=name,
        n_readings=n_readings,
        shown=sent.shown,
        texts=sent.typed,
        units=sent.units,
        wrong=wrong or {},
        settings=SETTINGS,
        gas_cautions=gas_cautions(None),  # any source may be chosen
        profiles=profile_choices(log_path, sent.shown["profile"]),
    )


@router.get("/tanks/{name}/notes")
def notes(request: Request, tank: TankHere) -> Response:
    """Show the notes of a tank, and a form for a new one."""
    return _notes_page(request, tank, _FRESH_NOTE)


@router.post("/tanks/{name}/notes")
def add_note(request: Request, core: CoreHere, tank: TankHere, form: OwnForm) -> Response:
    """Add a note."""
    done = form.get("done", "")
    noted: dict[str, object] = {name: form[name] for name in ("at", "text") if name in form}
    try:
        noted |= {name: parse_number(words, form[name]) for name, words in _NOTE_NUMBERS.items() if form.get(name)}
        if done == "water":
            noted["water_change"] = parse_share(form.get("share", USUAL_SHARE))  # a tap sends no share
        elif done in DONE:
            noted[done] = True
        event = typed_event(noted, datetime.now())
    except ValueError as error:
        return _notes_page(request, tank, _FRESH_NOTE | form, wrong=str(error))
    with Log(core.log_path) as log:
        log.add_event(tank.name, event)
    return redirect(tank_url(tank.name), "noted")


@router.post("/tanks/{name}/notes/{event_id}")
def forget_note(core: CoreHere, form: OwnForm, name: str, event_id: str) -> Response:
    """Delete a note."""
    with Log(core.log_path) as log:
        log.forget_events(name, [event_id])
    return redirect(tank_url(name, "/notes"), "note-deleted")


def _notes_page(request: Request, tank: Tank, typed: dict[str, str], wrong: str = "") -> Response:
    with Log(core_of(request).log_path) as log:
        events = log.events(tank.name)
    now = datetime.now()
    noted = [(key, when_words(event.at, now), event_words(event)) for key, event in reversed(events.items())]
    return page(request, "notes.html", tank=tank, texts=typed, wrong=wrong, done=DONE, notes=noted)


@router.get("/units")
def units(request: Request) -> Response:
    """Show the units to choose from."""
    return page(request, "units.html", choices=[(quantity, UNITS[quantity]) for quantity in CHOSEN])


@router.post("/units")
def choose_units(form: OwnForm) -> Response:
    """Keep the chosen units in a cookie."""
    chosen = units_of(".".join(form.get(quantity, "") for quantity in CHOSEN))
    answer = redirect("/units", "saved")
    remember_units(answer, chosen)
    return answer
