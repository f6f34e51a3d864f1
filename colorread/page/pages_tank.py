"""Pages for what a keeper enters: settings of tanks, whose form is read back here, notes, and units."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Self

from fastapi import APIRouter, Request
from fastapi.responses import Response

from colorread.chemistry import UNITS, parse_quantity
from colorread.log import Log, forget_tank
from colorread.page.core import CoreHere, OwnForm, TankHere, core_of
from colorread.page.shown import (
    CHOSEN,
    Units,
    UnitsHere,
    page,
    parse_number,
    redirect,
    remember_units,
    tank_url,
    units_of,
)
from colorread.profiles import profile_files
from colorread.tank import SETTINGS, Setting, Tank, changed_tank, event_words, parse_share, typed_event
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
_OF_SOURCE = {name for name, setting in SETTINGS.items() if setting.fields[0].startswith("source.")}


@dataclass(frozen=True, slots=True, kw_only=True)
class SentForm:
    """
    A form that comes back, perhaps long after it was shown.

    Parameters
    ----------
    shown, typed : mapping of str to str
        The settings as they were shown and as they are now, named and written as in `texts_of`.
    units : Units
        Units of their numbers.
    """

    shown: Mapping[str, str]
    typed: Mapping[str, str]
    units: Units

    @classmethod
    def untouched(cls, tank: Tank, units: Units) -> Self:
        """Return the form as it is first shown."""
        texts = texts_of(tank, units)
        return cls(shown=texts, typed=texts, units=units)

    @classmethod
    def received(cls, form: Mapping[str, str]) -> Self:
        """Return the form as a browser sent it; an unticked box is not sent."""
        return cls(
            shown={name: form.get(f"shown-{name}", "") for name in SETTINGS},
            typed=dict.fromkeys(SETTINGS, "") | texts_in(form),
            units=units_of(form.get("units", "")),
        )


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


def profile_choices(log_path: Path, current: str | None) -> list[tuple[str, str]]:
    """
    Return the profiles to choose from.

    Parameters
    ----------
    log_path : Path
        The log.
    current : str or None
        Path of the profile in use, which may be anywhere.

    Returns
    -------
    list of (str, str)
        Path and name, the newest first.
    """
    files = profile_files(profile_folder(log_path))
    paths = [str(path) for path in sorted(files, key=lambda path: path.stat().st_mtime, reverse=True)]
    if current and current not in paths:
        paths.insert(0, current)
    return [(path, Path(path).stem) for path in paths]


def profile_folder(log_path: Path) -> Path:
    """Return the folder of the profiles that the page makes for a log."""
    return log_path.with_name(f"{log_path.stem}-profiles")


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


def texts_of(tank: Tank, units: Units) -> dict[str, str]:
    """
    Return the settings of a tank as a form shows them.

    Parameters
    ----------
    tank : Tank
        The tank.
    units : Units
        Units of the numbers.

    Returns
    -------
    dict of str to str
        By the names in `colorread.tank.SETTINGS`; empty if not set. The ends of a daily span, which have a field each,
        are joined by a dash.
    """
    return {name: _text_of(setting, tank, units) for name, setting in SETTINGS.items()}


def _text_of(setting: Setting, tank: Tank, units: Units) -> str:
    values = setting.values_in(tank)
    if setting.kind == "span":  # a time field has no 24:00
        return "-" if values[0] is None else f"{values[0].on:%H:%M}-{values[0].off:%H:%M}"
    if values[0] is None:
        return ""
    if setting.kind == "flag":
        return "yes" if values[0] else ""
    if setting.measure is None:
        return str(values[0])
    unit = units[setting.measure.quantity] if setting.measure.quantity else None
    return "-".join(f"{value:g}" if unit is None else unit.number(value) for value in values)


def texts_in(form: Mapping[str, str], names: Iterable[str] = SETTINGS) -> dict[str, str]:
    """Return those of the named settings that a form has fields for, written as in `texts_of`."""
    texts = {}
    for name in names:
        fields = (f"{name}_on", f"{name}_off") if SETTINGS[name].kind == "span" else (name,)
        if any(field in form for field in fields):
            texts[name] = "-".join(form.get(field, "") for field in fields)
    return texts


def apply_form(tank: Tank, sent: SentForm) -> tuple[Tank, dict[str, str]]:
    """
    Return a tank with what was typed; a field that was left as shown changes nothing, not even by rounding.

    Parameters
    ----------
    tank : Tank
        As it is now; it may have changed since the form was shown.
    sent : SentForm
        The form.

    Returns
    -------
    tuple of Tank and dict of str to str
        The changed tank, and a sentence for each invalid setting, by its name in
        `colorread.tank.SETTINGS` and in the order of the form.
    """
    typed = sent.typed
    changed = {name for name in SETTINGS if typed[name] != sent.shown[name]}
    if not typed["source"]:
        changed -= _OF_SOURCE - {"source"}
    elif _OF_SOURCE & changed and tank.source_kind != typed["source"]:
        changed |= _OF_SOURCE  # another kind starts without amount, day and valve, so set all of them again
    wrong: dict[str, str] = {}
    for name, setting in SETTINGS.items():  # one by one, so that every mistake is shown at its field
        if name in changed:
            try:
                value = _typed_value(name, setting, sent)
                tank = changed_tank(tank, {}, {name}) if value is None else changed_tank(tank, {name: value})
            except ValueError as error:
                wrong[name] = str(error)
    return tank, wrong


def _typed_value(name: str, setting: Setting, sent: SentForm) -> str | float | bool | None:
    """Return what was typed as `changed_tank` takes it; None if the field is empty."""
    text = sent.typed[name]
    if setting.kind == "flag":
        return text == "yes"
    if setting.kind == "span":
        return _span_text(name, text)
    return typed_number(name, text, sent.units) if setting.kind == "number" else text or None


def typed_number(name: str, text: str, units: Units) -> float | None:
    """Return a number that was typed for a setting, in the unit of the project; None if the field is empty."""
    setting = SETTINGS[name]
    measure = setting.measure
    if not text or measure is None or measure.quantity is None:
        return parse_number(setting.name, text) if text else None
    unit = units[measure.quantity]
    try:  # a unit may be typed too, such as 16 gal
        value = unit.from_base(parse_quantity(measure.quantity, text.replace(",", ".")))
    except ValueError:
        value = parse_number(setting.name, text)
    return unit.to_base_within(setting.name, value, *measure.limits)


def _span_text(name: str, text: str) -> str | None:
    on, _, off = text.partition("-")
    if not on and not off:
        return None
    if not on or not off:
        raise ValueError(f"Enter both times for the {name}, or neither.")
    if on == off != "00:00":
        raise ValueError(f"{on} twice may mean never or always; for the whole day, enter midnight twice.")
    return f"{on}-{'24:00' if off == '00:00' else off}"
