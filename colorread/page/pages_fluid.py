"""The page that gives the recipe of the KH fluid."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from colorread.chemistry import CAUTIONS, UNITS, Unit, color_in_room_air, dye_drops, fluid_recipe
from colorread.limits import TARGET_KH_RANGE_DKH, USUAL_KH_DKH
from colorread.page.core import units_shown
from colorread.page.render import page
from colorread.page.tank_form import number_of
from colorread.words import KhWords, dkh_words, fluid_rows

router = APIRouter(include_in_schema=False)
_ROOM_C = 22.0  # of the air in which the color is checked: assumption


@router.get("/fluid")
def fluid(request: Request, kh: str = "", volume: str = "1000", vial: str = "5") -> Response:
    """Show the recipe for a KH, a volume and a vial."""
    units = units_shown(request)
    unit = units.kh
    kh_words = dkh_words if unit == UNITS["kh"]["dkh"] else _three_digits(unit)
    texts = {"kh": kh or unit.number(USUAL_KH_DKH), "volume": volume, "vial": vial}
    wrong = title = ""
    rows: tuple[tuple[str, str], ...] = ()
    try:
        typed_dkh = unit.own_within("Wanted KH", number_of("The KH", texts["kh"]), *TARGET_KH_RANGE_DKH)
        kh_dkh = round(typed_dkh, 2)  # of any unit; finer cannot be mixed
        vial_ml = number_of("The fluid in the vial", vial)
        recipe = fluid_recipe(kh_dkh, number_of("The volume", volume))
        dose = dye_drops(vial_ml, kh_dkh=recipe.kh_dkh)
        rows = fluid_rows(recipe, dose, color_in_room_air(kh_dkh, _ROOM_C), vial_ml, kh_words=kh_words)
        title = f"{recipe.second.total_ml:g} mL of {kh_words(recipe.kh_dkh, '.2f')}"
    except ValueError as error:
        wrong = str(error)
    status = 422 if wrong else 200
    return page(
        request, "fluid.html", status=status, texts=texts, wrong=wrong, rows=rows, title=title, cautions=CAUTIONS
    )


def _three_digits(unit: Unit) -> KhWords:
    """Return words in a unit that are as exact as those in dKH: more than what is mixed by them."""
    return lambda kh_dkh, form: unit.text(unit.own(float(f"{float(unit.number(kh_dkh)):.3g}")))
