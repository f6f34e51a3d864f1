"""Pages for preparation: a plan of the gas, the recipe of the fluid, and sheets to print."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import Response

from calibration import CHART_PH, render_card_sheet, render_chart_sheet, render_tag_sheet
from colorread import limits
from colorread.chemistry import CAUTIONS, co2_from_ph, color_in_room_air, dye_drops, fluid_recipe
from colorread.page import tasks
from colorread.page.core import TankHere, core_of
from colorread.page.shown import UnitsHere, page, parse_number, units_shown
from colorread.page.tank_form import SentForm, apply_form, texts_in, texts_of
from colorread.tank import SETTINGS, GasPlan, Tank, answer_lines, plan_cautions, plan_rows, plan_title
from colorread.words import fluid_rows, gas_cautions, kh_words

router = APIRouter(include_in_schema=False)
_PLANNED = ("volume", "lights", "source", "valve", "source_amount")  # settings that may be changed for a plan
_ROOM_C = 22.0  # air temperature where the color is checked: assumption


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
