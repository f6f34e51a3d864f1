"""Pages for preparation: calibration photo by photo, gas plan, recipe of the fluid, and sheets to print."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Literal

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from calibration import CHART_PH, Profile, render_card_sheet, render_chart_sheet, render_tag_sheet
from colorread import limits, profiles
from colorread.chemistry import CAUTIONS, co2_from_ph, color_in_room_air, dye_drops, fluid_recipe, ionic_strength
from colorread.errors import Reason
from colorread.log import Log
from colorread.page import tasks
from colorread.page.core import CoreHere, OwnForm, TankHere, core_of, require_own_form
from colorread.page.pages_tank import SentForm, apply_form, profile_folder, texts_in, texts_of, typed_number
from colorread.page.shown import Units, UnitsHere, page, parse_number, redirect, tank_url, units_of, units_shown
from colorread.page.uploads import receive_photos
from colorread.profiles import GUIDES, SOLD_BUFFERS, Kind, ph_of_patches
from colorread.tank import SETTINGS, GasPlan, Tank, answer_lines, changed_tank, plan_cautions, plan_rows, plan_title
from colorread.words import fluid_rows, gas_cautions, kh_words

router = APIRouter(include_in_schema=False)
_NOTHING_TYPED = {"use": "yes"}  # the form as first shown: this box is ticked
_PLANNED = ("volume", "lights", "source", "valve", "source_amount")  # settings that may be changed for a plan
_ROOM_C = 22.0  # air temperature where the color is checked: assumption


@router.get("/tanks/{name}/calibrate")
def choose_calibration(request: Request, tank: TankHere) -> Response:
    """Show the kinds of calibration."""
    return page(request, "calibrate.html", tank=tank, guides=GUIDES)


@router.get("/tanks/{name}/calibrate/{kind}")
def calibration_steps(request: Request, tank: TankHere, kind: Kind) -> Response:
    """Show the photos of a calibration in their order."""
    return _steps_page(request, tank, kind, units_shown(request))


@router.post("/tanks/{name}/calibrate/{kind}/{step}/photo")
async def check_step_photo(request: Request, core: CoreHere, kind: Kind, tank: TankHere, step: str) -> Response:
    """Receive the photo of one step and check it at once."""
    if step not in {known.key for known in GUIDES[kind].steps}:
        raise HTTPException(404)
    async with receive_photos(request, core.workplace) as (form, (upload,)):
        require_own_form(request, form)
        patches = form.get("patches", "")
        problem: Reason | None
        try:
            patch_ph = _patch_ph(patches, tank)
        except ValueError as error:
            next_step = "Correct it and send the photo again."
            problem = Reason(code="patches", message=str(error), next_step=next_step)
        else:
            count = None if patch_ph is None else len(patch_ph)
            problem = await core.pool.run(tasks.check_photo, upload.path, kind, step, count)
        if problem is not None:
            typed = {**_NOTHING_TYPED, "patches": patches}
            return _steps_page(request, tank, kind, units_shown(request), wrong={step: problem}, typed=typed)
        core.calibrations.put(tank.name, kind, step, path=upload.path)
    return redirect(tank_url(tank.name, f"/calibrate/{kind}#next"))


@router.get("/tanks/{name}/calibrate/{kind}/{step}/photo")
def photo_again(name: str, kind: Kind) -> Response:
    """Redirect a browser that opens the address of a refused photo again."""
    return redirect(tank_url(name, f"/calibrate/{kind}"))


@router.post("/tanks/{name}/calibrate/{kind}")
async def finish_calibration(request: Request, core: CoreHere, kind: Kind, tank: TankHere, form: OwnForm) -> Response:
    """Make the profile, or start over."""
    if form.get("choice") == "again":
        core.calibrations.drop(tank.name, kind)
        return redirect(tank_url(tank.name, f"/calibrate/{kind}"))
    units = units_of(form.get("units", ""))  # as the form showed them, whatever the browser shows now
    photos = core.calibrations.paths(tank.name, kind)
    filename = f"{tank.name} {kind} {datetime.now():%Y-%m-%d %H-%M-%S-%f}.toml"
    target = profile_folder(core.log_path) / filename
    earlier = tank.profile if form.get("add") == "yes" else None
    try:
        make = _profile_maker(form, photos, kind, tank, units)
        made = await core.pool.run(tasks.calibrate, make, earlier, target)
    except OSError as error:
        message = f"The profile could not be saved: {error.strerror or 'unknown reason'}."
        next_step = f"Check the folder {target.parent} on the computer that runs the page, then try again."
        made = {"": Reason(code="calibration", message=message, next_step=next_step)}
    except ValueError as error:
        next_step = "Correct your input, or take a new photo."
        made = {"": Reason(code="calibration", message=str(error), next_step=next_step)}
    if isinstance(made, dict):
        return _steps_page(request, tank, kind, units, wrong=made, typed=form)
    core.calibrations.drop(tank.name, kind)
    uses = form.get("use") == "yes"
    if uses:
        await run_in_threadpool(_use_profile, core.log_path, tank.name, str(target))
    return page(request, "profile.html", tank=tank, lines=made, uses=uses, path_of_profile=str(target))


def _use_profile(log_path: Path, name: str, profile: str) -> None:
    with Log(log_path) as log, log.transaction():  # so that nobody changes the tank in between
        log.put_tank(changed_tank(log.tank(name), {"profile": profile}))


def _steps_page(
    request: Request,
    tank: Tank,
    kind: Kind,
    units: Units,
    *,
    wrong: Mapping[str, Reason] | None = None,
    typed: Mapping[str, str] = _NOTHING_TYPED,
) -> Response:
    guide, taken = GUIDES[kind], core_of(request).calibrations.paths(tank.name, kind)
    buffers = {ph: f"Buffer of pH {ph}" for ph in SOLD_BUFFERS}
    buffers |= {"kh": f"My KH fluid ({units['kh'].text(tank.fluid_kh_dkh)}), pH measured", "other": "Other"}
    return page(
        request,
        "steps.html",
        tank=tank,
        kind=kind,
        guide=guide,
        taken=taken,
        next_step=next((step.key for step in guide.steps if step.key not in taken), ""),
        wrong=wrong or {},
        typed=typed,
        outdoor_air_ppm=f"{limits.OUTDOOR_AIR_PPM:g}",
        units=units,
        lights=SETTINGS["light"].choices,
        buffers=buffers,
    )


def _profile_maker(
    form: Mapping[str, str], photos: Mapping[str, Path], kind: Kind, tank: Tank, units: Units
) -> Callable[..., Profile]:
    """Return a function that makes a profile from the photos and what was typed; its `base` is a profile to add to."""
    if not photos:
        raise ValueError("No photo yet.")
    light = form["light"] if form.get("light") in SETTINGS["light"].choices else "unknown"
    if kind == "chart":
        patch_ph = _patch_ph(form.get("patches", ""), tank)
        return partial(profiles.make_chart_profile, list(photos.values()), patch_ph=patch_ph, light=light)
    return partial(profiles.make_profile, _known_photos(form, photos, kind, tank, units), light=light)


def _known_photos(
    form: Mapping[str, str], photos: Mapping[str, Path], kind: Kind, tank: Tank, units: Units
) -> list[profiles.KnownPhoto]:
    def number(name: str, words: str, span: tuple[float, float]) -> float | None:
        text = form.get(name, "")
        return limits.checked_number(words, parse_number(words, text), *span) if text else None

    temperature = typed_number("temperature", form.get("temperature", ""), units)
    temperature_c = tank.water_c if temperature is None else temperature
    air_ppm = number("air_ppm", "The CO2 of the air in ppm", limits.AIR_PPM_RANGE) or limits.OUTDOOR_AIR_PPM
    ph = number("known_ph", "The known pH", limits.KNOWN_PH_RANGE)
    strength = number("ionic_strength", "The ionic strength in mol/kg", limits.IONIC_STRENGTH_RANGE_MOL_KG)
    buffer = form.get("buffer", "")
    if buffer in SOLD_BUFFERS:
        if ph is not None or strength is not None:
            raise ValueError(
                f"You chose a buffer of pH {buffer} and also entered numbers. Choose Other, or clear them."
            )
        ph, strength = float(buffer), SOLD_BUFFERS[buffer]
    elif buffer == "kh":
        strength = float(ionic_strength(tank.fluid_kh_dkh))
    known = []
    for step in GUIDES[kind].steps:
        path = photos.get(step.key)
        if path is None:
            continue
        if step.kh_dkh is not None:
            known.append(profiles.air_photo(path, step.kh_dkh, air_ppm=air_ppm, temperature_c=temperature_c))
        elif step.key in tasks.END_STATES:
            known.append(profiles.end_photo(path, tasks.END_STATES[step.key]))
        elif ph is None:
            raise ValueError("The pH of the known fluid is missing; choose its buffer, or enter it.")
        elif strength is None:
            raise ValueError("The ionic strength of the known fluid is missing; choose its buffer, or enter it.")
        else:
            known.append(profiles.buffer_photo(path, ph, ionic_strength_mol_kg=strength, temperature_c=temperature_c))
    return known


def _patch_ph(patches: str, tank: Tank) -> tuple[float, ...] | None:
    """Return the pH of the patches of a kit's chart; None for the chart of this program."""
    return ph_of_patches(patches, kh_dkh=tank.fluid_kh_dkh) if patches else None


@router.get("/gas")
async def gas(request: Request) -> Response:
    """Plan the gas of a tank that is not in the log."""
    return await _plan_page(request, None)


@router.get("/tanks/{name}/gas")
async def gas_of_tank(request: Request, tank: TankHere) -> Response:
    """Plan the gas of a tank in the log, from its own readings."""
    return await _plan_page(request, tank)


async def _plan_page(request: Request, tank: Tank | None) -> Response:
    core, units, query = core_of(request), units_shown(request), request.query_params
    logged = tank or Tank(name="tank")
    texts = texts_of(logged, units)
    typed = texts | texts_in(query, _PLANNED)
    changed, wrong = apply_form(logged, SentForm(shown=texts, typed=typed, units=units))
    typed |= {name: query.get(name, "") for name in ("days", "target")}
    plan: GasPlan | None = None
    try:
        days = parse_number("The days", typed["days"]) if typed["days"] else None
        target = None
        if typed["target"]:
            target = parse_number("The target", typed["target"])
            limits.checked_number("The target in mg/L", target, *limits.TARGET_RANGE_MG_L)
        if not wrong and (query or tank):
            plan = await core.pool.run(tasks.plan_gas_of, core.log_path, changed, tank, days, target)
    except ValueError as error:
        wrong[""] = str(error)
    missing = "" if query else wrong.pop("", "")  # nothing was typed yet, so nothing is wrong
    return page(
        request,
        "gas.html",
        tank=tank,
        texts=typed,
        wrong=wrong,
        missing=missing,
        settings=SETTINGS,
        title="" if plan is None else plan_title(plan),
        answer=() if plan is None else answer_lines(plan),
        rows=() if plan is None else plan_rows(plan),
        cautions=gas_cautions(None) if plan is None else plan_cautions(plan),
    )


@router.get("/fluid")
def fluid(request: Request, units: UnitsHere, kh: str = "", volume: str = "1000", vial: str = "5") -> Response:
    """Show the recipe for a KH, a volume and a vial."""
    unit = units["kh"]
    texts = {"kh": kh or unit.number(limits.USUAL_KH_DKH), "volume": volume, "vial": vial}
    wrong = title = ""
    rows: tuple[tuple[str, str], ...] = ()
    try:
        typed_dkh = unit.to_base_within("The KH", parse_number("The KH", texts["kh"]), *limits.TARGET_KH_RANGE_DKH)
        kh_dkh = round(typed_dkh, 2)  # nothing finer can be mixed, whatever the unit
        vial_ml = parse_number("The fluid in the vial", vial)
        recipe = fluid_recipe(kh_dkh, parse_number("The volume", volume))
        dose = dye_drops(vial_ml, kh_dkh=recipe.kh_dkh)
        rows = fluid_rows(recipe, dose, color_in_room_air(kh_dkh, _ROOM_C), vial_ml, unit=unit)
        title = f"{recipe.second.total_ml:g} mL of {kh_words(recipe.kh_dkh, '.2f', unit)}"
    except ValueError as error:
        wrong = str(error)
    return page(request, "fluid.html", texts=texts, wrong=wrong, rows=rows, title=title, cautions=CAUTIONS)


@router.get("/print")
def to_print(request: Request) -> Response:
    """Show the sheets to print."""
    return page(request, "print.html")


@router.get("/print/{sheet}.pdf")
def sheet(sheet: Literal["card", "tag", "chart"], paper: Literal["a4", "letter"] = "a4") -> Response:
    """Return a sheet of cards, tags or color charts; the charts are labeled for 4 dKH at 25 degrees C."""
    if sheet == "chart":
        kh_dkh, water_c = limits.USUAL_KH_DKH, limits.USUAL_TEMPERATURE_C
        co2_mg_l = co2_from_ph(CHART_PH, kh_dkh, temperature_c=water_c).tolist()
        data = render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=kh_dkh, temperature_c=water_c, paper=paper)
    else:
        data = (render_card_sheet if sheet == "card" else render_tag_sheet)(paper=paper)
    headers = {"Content-Disposition": f'attachment; filename="colorread-{sheet}.pdf"'}
    return Response(data, media_type="application/pdf", headers=headers)
