"""Pages that lead through a calibration, photo by photo."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from starlette.datastructures import FormData

from colorread.chemistry import ionic_strength
from colorread.errors import Reason
from colorread.limits import (
    AIR_PPM_RANGE,
    IONIC_STRENGTH_RANGE_MOL_KG,
    KNOWN_PH_RANGE,
    OUTDOOR_AIR_PPM,
    TEMPERATURE_RANGE_C,
    LightName,
)
from colorread.page import tasks_calibrate
from colorread.page.core import core_of, require_own_form, units_shown
from colorread.page.pages import see, tank_url
from colorread.page.profiles import new_profile_path
from colorread.page.render import page
from colorread.page.shown_units import Units, units_of
from colorread.page.tank_form import number_of
from colorread.page.tasks_calibrate import Numbers
from colorread.page.uploads import receive_form, receive_photos, text_of
from colorread.profiles import GUIDES, SOLD_BUFFERS, Kind, ph_of_patches
from colorread.ranges import checked_number
from colorread.tank import Tank, changed_tank

router = APIRouter(include_in_schema=False)
_NOT_TICKED = {"add": "", "use": ""}  # a browser sends nothing of a box without its tick


@router.get("/tanks/{name}/calibrate")
def choose(request: Request, name: str) -> Response:
    """Show the kinds of calibration."""
    return page(request, "calibrate.html", tank=core_of(request).tank(name), guides=GUIDES)


@router.get("/tanks/{name}/calibrate/{kind}")
def steps(request: Request, name: str, kind: str) -> Response:
    """Show the photos of a calibration in their order."""
    return _steps_page(request, core_of(request).tank(name), _kind(kind))


@router.post("/tanks/{name}/calibrate/{kind}/{step}/photo")
async def photo(request: Request, name: str, kind: str, step: str) -> Response:
    """Receive the photo of one step, and look at it at once."""
    core, known_kind = core_of(request), _kind(kind)
    if step not in {known.key for known in GUIDES[known_kind].steps}:
        raise HTTPException(404)
    tank = await run_in_threadpool(core.tank, name)
    async with receive_photos(request, core.workplace) as (form, (upload,)):
        require_own_form(request, text_of(form, "csrf"))
        patches = text_of(form, "patches")
        try:
            patch_ph = _patch_ph(patches, tank) if patches else None
        except ValueError as error:
            problem: Reason | None = Reason(
                code="patches", message=str(error), next_step="Correct it and send the photo again."
            )
        else:
            count = None if patch_ph is None else len(patch_ph)
            problem = await core.pool.run(tasks_calibrate.check_photo, upload.path, known_kind, step, count)
        if problem is not None:
            return _steps_page(request, tank, known_kind, problems={step: problem}, typed={"patches": patches})
        core.calibrations.put(name, known_kind, step, upload, core.workplace.new_folder())
    return see(tank_url(name, f"/calibrate/{kind}#next"))


@router.get("/tanks/{name}/calibrate/{kind}/{step}/photo")
def photo_again(name: str, kind: str, step: str) -> Response:
    """Send a browser on that opens the address of a refused photo again."""
    return see(tank_url(name, f"/calibrate/{_kind(kind)}"))


@router.post("/tanks/{name}/calibrate/{kind}")
async def finish(request: Request, name: str, kind: str) -> Response:
    """Make the profile, or start over."""
    core, known_kind = core_of(request), _kind(kind)
    tank = await run_in_threadpool(core.tank, name)
    async with receive_form(request) as form:
        require_own_form(request, text_of(form, "csrf"))
        sent = {key: value for key, value in form.items() if isinstance(value, str) and key != "csrf"}
        typed = _NOT_TICKED | sent
        units = units_of(text_of(form, "units"))  # those of the form, whatever the browser shows by now
        if text_of(form, "choice") == "again":
            core.calibrations.clear(name, known_kind)
            return see(tank_url(name, f"/calibrate/{kind}"))
        try:
            numbers = _numbers(form, tank, units)
        except ValueError as error:
            problem = Reason(code="numbers", message=str(error), next_step="Correct it and try again.")
            return _steps_page(request, tank, known_kind, problems={"": problem}, typed=typed, units=units)
        adds, uses = text_of(form, "add") == "yes", text_of(form, "use") == "yes"
    photos = {step: upload.path for step, upload in core.calibrations.photos(name, known_kind).items()}
    if not photos:
        problem = Reason(code="no-photos", message="No photo yet.", next_step="Take the first one.")
        return _steps_page(request, tank, known_kind, problems={"": problem}, typed=typed, units=units)
    target = new_profile_path(core.log_path, name, kind)
    made = await core.pool.run(
        tasks_calibrate.make, photos, known_kind, numbers, tank.profile if adds else None, target
    )
    if isinstance(made, Mapping):
        return _steps_page(request, tank, known_kind, problems=made, typed=typed, units=units)
    core.calibrations.clear(name, known_kind)
    if uses:
        await run_in_threadpool(core.change_tank, name, lambda tank: changed_tank(tank, {"profile": str(target)}))
    return page(request, "profile.html", tank=tank, lines=made, uses=uses, path_of_profile=str(target))


def _steps_page(
    request: Request,
    tank: Tank,
    kind: Kind,
    *,
    problems: Mapping[str, Reason] | None = None,
    typed: dict[str, Any] | None = None,
    units: Units | None = None,
) -> Response:
    units = units or units_shown(request)
    taken = set(core_of(request).calibrations.photos(tank.name, kind))
    guide = GUIDES[kind]
    waiting = [step.key for step in guide.steps if step.key not in taken]
    texts = {
        "temperature": units.temperature.number(tank.water_c),
        "light": tank.light,
        "known_ph": "",
        "ionic_strength": "",
        "buffer": "7.00",
        "air_ppm": f"{OUTDOOR_AIR_PPM:g}",
        "patches": "",
        "add": "",
        "use": "yes",
    }
    return page(
        request,
        "steps.html",
        status=422 if problems else 200,
        tank=tank,
        kind=kind,
        guide=guide,
        taken=taken,
        next_step=waiting[0] if waiting else "",
        problems=problems or {},
        texts=texts | (typed or {}),
        outdoor_air_ppm=f"{OUTDOOR_AIR_PPM:g}",
        units=units,
        lights=get_args(LightName),
        buffers={
            **{ph: f"Buffer of pH {ph}" for ph in SOLD_BUFFERS},
            "kh": f"My KH fluid ({units.kh.text(tank.fluid_kh_dkh)}), pH measured",
            "other": "Other",
        },
    )


def _numbers(form: FormData, tank: Tank, units: Units) -> Numbers:
    def number(name: str, words: str, low: float, high: float) -> float | None:
        text = text_of(form, name)
        if not text:
            return None
        value = number_of(words, text)
        if name == "temperature":
            return units.temperature.own_within(words, value, low, high)
        return checked_number(words, value, low, high)

    temperature_c = number("temperature", "The temperature", *TEMPERATURE_RANGE_C)
    air_ppm = number("air_ppm", "The CO2 of the air in ppm", *AIR_PPM_RANGE)
    light = text_of(form, "light")
    patches = text_of(form, "patches")
    known_ph = number("known_ph", "The known pH", *KNOWN_PH_RANGE)
    strength = number("ionic_strength", "The ionic strength in mol/kg", *IONIC_STRENGTH_RANGE_MOL_KG)
    buffer = text_of(form, "buffer")
    if buffer in SOLD_BUFFERS:
        known_ph, strength = float(buffer), SOLD_BUFFERS[buffer]
    elif buffer == "kh":
        strength = float(ionic_strength(tank.fluid_kh_dkh))
    return Numbers(
        temperature_c=tank.water_c if temperature_c is None else temperature_c,
        known_ph=known_ph,
        ionic_strength_mol_kg=strength,
        air_ppm=OUTDOOR_AIR_PPM if air_ppm is None else air_ppm,
        patch_ph=_patch_ph(patches, tank) if patches else None,
        light=light if light in get_args(LightName) else "unknown",
    )


def _patch_ph(patches: str, tank: Tank) -> tuple[float, ...]:
    return ph_of_patches(patches, kh_dkh=tank.fluid_kh_dkh)


def _kind(text: str) -> Kind:
    for kind in GUIDES:
        if kind == text:
            return kind
    raise HTTPException(404)
