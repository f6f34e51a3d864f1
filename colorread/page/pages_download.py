"""Files of a tank to keep or to send on: its report and its readings as a table."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.batch import csv_bytes
from colorread.log import Log
from colorread.page.core import core_of
from colorread.report import calendar_bytes
from colorread.tank import TankSummary
from colorread.words import judged

router = APIRouter(include_in_schema=False)


@router.get("/tanks/{name}/report.html")
async def report(request: Request, name: str) -> Response:
    """Return the report of a tank."""
    core = core_of(request)
    view = await core.view(name)
    made = await core.pool.run(_report, core.log_path, view.summary)
    return _attachment(made.encode(), "text/html; charset=utf-8", f"{name}.html")


@router.get("/tanks/{name}/readings.csv")
async def table(request: Request, name: str) -> Response:
    """Return the readings of a tank, judged by the marks that it has now, and the CO2 of the tank."""
    core = core_of(request)
    view = await core.view(name)
    made = await run_in_threadpool(_table, core.log_path, view.summary)
    return _attachment(made, "text/csv; charset=utf-8", f"{name}.csv")


@router.get("/tanks/{name}/plan.ics")
async def plan(request: Request, name: str) -> Response:
    """Return what is planned for a tank as a calendar."""
    view = await core_of(request).view(name)
    made = await run_in_threadpool(calendar_bytes, view.summary)
    return _attachment(made, "text/calendar; charset=utf-8", f"{name}.ics")


def _report(log_path: Path, summary: TankSummary) -> str:
    from colorread.report import report_html

    with Log(log_path) as log:
        return report_html(summary, log.entries(summary.tank.name, with_pictures=True))


def _table(log_path: Path, summary: TankSummary) -> bytes:
    with Log(log_path) as log:
        entries = log.entries(summary.tank.name)
        return csv_bytes((judged(entry.reading, summary.tank.judged_by) for entry in entries), summary.tank_co2)


def _attachment(content: bytes, media_type: str, filename: str) -> Response:
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(filename, safe='')}"}
    return Response(content, media_type=media_type, headers=headers)
