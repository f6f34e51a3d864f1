"""Pages for what is set once in a while: tanks, units, things to print."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.chemistry import UNITS
from colorread.log import LogError, LogFailure
from colorread.page.core import UNITS_COOKIE, core_of, require_own_form, units_shown
from colorread.page.pages import see, tank_url
from colorread.page.profiles import profile_choices
from colorread.page.render import page
from colorread.page.shown_units import CHOSEN, Units, units_of
from colorread.page.tank_form import FIELD_NAMES, SentForm, WrongFields, tank_of, texts_of
from colorread.page.uploads import receive_form, text_of
from colorread.tank import SETTINGS, Tank
from colorread.words import gas_cautions

router = APIRouter(include_in_schema=False)
_YEAR_S = 365 * 24 * 3600


@router.get("/new-tank")
def new_tank(request: Request) -> Response:
    """Show the form for a new tank."""
    return _form_page(request, None, _untouched(Tank(name="new"), units_shown(request)))


@router.post("/new-tank")
async def add_tank(request: Request) -> Response:
    """Add a tank."""
    name, sent = await _sent(request)
    wrong: dict[str, str] = {}
    try:
        tank = Tank(name=name)
    except ValueError as error:
        wrong["name"] = str(error)
        tank = Tank(name="new")
    try:
        tank = tank_of(tank, sent)
        if not wrong:
            await run_in_threadpool(core_of(request).add_tank, tank)
    except WrongFields as error:
        wrong |= error.sentences
    except LogFailure:  # nothing is wrong with what was typed
        raise
    except LogError as error:
        wrong["name"] = str(error)
    if wrong:
        return _form_page(request, None, sent, name=name, wrong=wrong)
    return see(tank_url(tank.name), "saved")


@router.get("/tanks/{name}/settings")
def settings(request: Request, name: str) -> Response:
    """Show the settings of a tank."""
    tank = core_of(request).tank(name)
    return _form_page(request, tank, _untouched(tank, units_shown(request)))


@router.post("/tanks/{name}/settings")
async def change_tank(request: Request, name: str) -> Response:
    """Change the settings of a tank."""
    core = core_of(request)
    _, sent = await _sent(request)
    try:
        await run_in_threadpool(core.change_tank, name, lambda tank: _changed(tank, sent, core.log_path))
    except WrongFields as error:
        tank = await run_in_threadpool(core.tank, name)
        return _form_page(request, tank, sent, wrong=error.sentences)
    return see(tank_url(name), "saved")


@router.post("/tanks/{name}/rename")
async def rename_tank(request: Request, name: str) -> Response:
    """Give a tank another name."""
    core = core_of(request)
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
        new_name = text_of(form, "new_name")
    tank = await run_in_threadpool(core.tank, name)
    try:
        if new_name != name:
            await run_in_threadpool(core.rename_tank, name, new_name)
    except LogFailure:  # nothing is wrong with what was typed
        raise
    except ValueError as error:
        untouched = _untouched(tank, units_shown(request))
        return _form_page(request, tank, untouched, name=new_name, wrong={"new_name": str(error)})
    return see(tank_url(new_name), "renamed")


@router.post("/tanks/{name}/remove")
async def remove_tank(request: Request, name: str) -> Response:
    """Remove a tank with its readings."""
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
    await run_in_threadpool(core_of(request).remove_tank, name)
    return see("/tanks", "removed")


@router.get("/units")
def units(request: Request) -> Response:
    """Show which units can be chosen."""
    return page(request, "units.html", choices=[(quantity, UNITS[quantity]) for quantity in CHOSEN])


@router.post("/units")
async def choose_units(request: Request) -> Response:
    """Keep the units in a cookie of the browser."""
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
        chosen = units_of(".".join(text_of(form, quantity) for quantity in CHOSEN))
    answer = see("/units", "saved")
    answer.set_cookie(UNITS_COOKIE, chosen.cookie, max_age=_YEAR_S, httponly=True, samesite="lax")
    return answer


@router.get("/print")
def to_print(request: Request) -> Response:
    """Show what can be printed."""
    return page(request, "print.html")


@router.get("/print/card.pdf")
def card(paper: Literal["a4", "letter"] = "a4") -> Response:
    """Return the sheet of cards."""
    from calibration import render_card_sheet

    return _pdf("card.pdf", render_card_sheet(paper=paper))


@router.get("/print/tag.pdf")
def tag(paper: Literal["a4", "letter"] = "a4") -> Response:
    """Return the sheet of tags."""
    from calibration import render_tag_sheet

    return _pdf("tag.pdf", render_tag_sheet(paper=paper))


@router.get("/print/chart.pdf")
def chart(paper: Literal["a4", "letter"] = "a4") -> Response:
    """Return the sheet of color charts, labelled for 4 dKH at 25 degrees C."""
    from calibration import CHART_PH, render_chart_sheet
    from colorread.chemistry import co2_from_ph

    new = Tank(name="new")
    co2_mg_l = co2_from_ph(CHART_PH, new.fluid_kh_dkh, temperature_c=new.water_c).tolist()
    data = render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=new.fluid_kh_dkh, temperature_c=new.water_c, paper=paper)
    return _pdf("chart.pdf", data)


def _pdf(name: str, data: bytes) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="colorread-{name}"'}
    return Response(data, media_type="application/pdf", headers=headers)


def _untouched(tank: Tank, units: Units) -> SentForm:
    texts = texts_of(tank, units)
    return SentForm(shown=texts, typed=texts, units=units)


async def _sent(request: Request) -> tuple[str, SentForm]:
    """Receive the name of a tank, and its settings with what the form showed of them."""
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
        return text_of(form, "name"), SentForm(
            shown={name: text_of(form, f"shown-{name}") for name in FIELD_NAMES},
            typed={name: text_of(form, name) for name in FIELD_NAMES},
            units=units_of(text_of(form, "units")),
        )


def _form_page(
    request: Request, tank: Tank | None, sent: SentForm, *, name: str = "", wrong: Mapping[str, str] | None = None
) -> Response:
    return page(
        request,
        "settings.html",
        status=422 if wrong else 200,
        tank=tank,
        name=name,
        n_readings=0 if tank is None else core_of(request).n_readings(tank.name),
        shown=sent.shown,
        texts=sent.typed,
        units=sent.units,
        wrong=wrong or {},
        settings=SETTINGS,
        gas_cautions=gas_cautions(None),  # any kind may be chosen
        profiles=profile_choices(core_of(request).log_path, sent.shown["profile"]),
    )


def _changed(tank: Tank, sent: SentForm, log_path: Path) -> Tank:
    changed = tank_of(tank, sent)
    # A form may name only profiles that this page made, or that the tank has already, never any other file.
    if changed.profile and changed.profile not in dict(profile_choices(log_path, tank.profile)):
        raise WrongFields({"profile": "Choose one of the profiles in the list."})
    return changed
