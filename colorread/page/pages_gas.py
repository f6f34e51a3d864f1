"""The page that plans a charge of gas, for a tank of the log or for any other."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.page import tasks
from colorread.page.core import core_of, units_shown
from colorread.page.render import page
from colorread.page.tank_form import SentForm, WrongFields, number_of, tank_of, texts_of
from colorread.tank import GasPlan, Tank, answer_lines, plan_cautions, plan_rows, plan_title
from colorread.words import SOURCE_WORDS, VALVE_WORDS, gas_cautions

router = APIRouter(include_in_schema=False)
_SETTINGS = ("volume", "lights_on", "lights_off", "source", "source_amount", "valve")
_NUMBERS = {"days": "The days", "target": "The target"}


@router.get("/gas")
async def gas(request: Request) -> Response:
    """Plan the gas of a tank that is not in the log."""
    return await _plan_page(request, None)


@router.get("/tanks/{name}/gas")
async def gas_of_tank(request: Request, name: str) -> Response:
    """Plan the gas of a tank by its own days."""
    return await _plan_page(request, await run_in_threadpool(core_of(request).tank, name))


async def _plan_page(request: Request, tank: Tank | None) -> Response:
    core, units, query = core_of(request), units_shown(request), request.query_params
    logged = tank or Tank(name="tank")
    shown = texts_of(logged, units)
    typed = shown | {name: query[name] for name in _SETTINGS if name in query}
    numbers = {name: query.get(name, "") for name in _NUMBERS}
    planned: GasPlan | str | None = None
    try:
        changed = tank_of(logged, SentForm(shown=shown, typed=typed, units=units))
        days, target = (number_of(words, numbers[name]) if numbers[name] else None for name, words in _NUMBERS.items())
        if query or tank is not None:
            planned = await core.pool.run(
                tasks.plan_gas_of, core.log_path, changed, None if tank is None else tank.name, days, target
            )
    except WrongFields as error:
        planned = " ".join(error.sentences.values())
    except ValueError as error:
        planned = str(error)
    plan = planned if isinstance(planned, GasPlan) else None
    wrong = planned if isinstance(planned, str) else ""
    return page(
        request,
        "gas.html",
        status=422 if wrong and query else 200,
        tank=tank,
        texts=typed | numbers,
        wrong=wrong,
        title="" if plan is None else plan_title(plan),
        answer=() if plan is None else answer_lines(plan),
        rows=() if plan is None else plan_rows(plan),
        cautions=gas_cautions(None) if plan is None else plan_cautions(plan),
        sources=SOURCE_WORDS,
        valves=VALVE_WORDS,
    )
