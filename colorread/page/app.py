"""The server: its parts put together, its errors in words, its begin and its end."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp

from colorread import __version__
from colorread.page import (
    api,
    pages,
    pages_calibrate,
    pages_download,
    pages_fluid,
    pages_gas,
    pages_notes,
    pages_several,
    pages_tank,
    tasks,
)
from colorread.page.core import Core
from colorread.page.guard import Guard
from colorread.page.problems import KINDS, problem_of
from colorread.page.render import page
from colorread.report import PLOT_COLORS

_STATIC = Path(__file__).parent / "static"


def create_app(core: Core) -> ASGIApp:
    """
    Return the server.

    Parameters
    ----------
    core : Core
        Its state; closed when the server ends.

    Returns
    -------
    ASGI application
        To be run in a single process.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        warming = asyncio.create_task(core.pool.warm(tasks.warm_up))
        try:
            yield
        finally:
            await asyncio.wait([warming])
            await run_in_threadpool(core.pool.close)
            await run_in_threadpool(core.workplace.close)

    app = FastAPI(
        title="colorread",
        version=__version__,
        description="CO2 of planted aquariums from photos of their drop checkers. Everything stays on this computer.",
        lifespan=lifespan,
        openapi_url="/api/openapi.json",
        docs_url=None,  # would load a script from elsewhere
        redoc_url=None,
    )
    app.state.core = core
    for part in (
        api,
        pages,
        pages_tank,
        pages_several,
        pages_calibrate,
        pages_download,
        pages_fluid,
        pages_gas,
        pages_notes,
    ):
        app.include_router(part.router)
    style = _style()

    @app.get("/static/style.css", include_in_schema=False)
    def style_sheet() -> Response:
        return Response(style, media_type="text/css", headers={"Cache-Control": "no-cache"})

    @app.get("/static/page.js", include_in_schema=False)
    def script() -> FileResponse:
        headers = {"Cache-Control": "no-cache"}
        return FileResponse(_STATIC / "page.js", media_type="text/javascript", headers=headers)

    @app.get("/favicon.ico", include_in_schema=False)
    def icon() -> Response:
        return Response(status_code=204)

    @app.get("/robots.txt", include_in_schema=False)
    def robots() -> PlainTextResponse:
        return PlainTextResponse("User-agent: *\nDisallow: /\n")

    for kind in KINDS:
        app.add_exception_handler(kind, _answer)
    return Guard(app, core.access)


def _style() -> str:
    """Return the style sheet, headed by the colors of the figures on light and on dark ground."""
    light, dark = (
        "\n".join(f"  --plot-{name}: {getattr(color, scheme)};" for name, color in PLOT_COLORS.items())
        for scheme in ("light", "dark")
    )
    sheet = (_STATIC / "style.css").read_text(encoding="utf-8")
    return f":root {{\n{light}\n}}\n@media (prefers-color-scheme: dark) {{ :root {{\n{dark}\n}} }}\n{sheet}"


async def _answer(request: Request, error: Exception) -> Response:
    """Tell what is wrong, programs in JSON and people on a page."""
    problem = problem_of(error)
    if request.url.path.startswith("/api/"):
        content = {"message": problem.message, "next_step": problem.next_step, "code": problem.code or None}
        return JSONResponse(content, problem.status, problem.headers)
    # What is not there may be the tank itself.
    tank_name = "" if problem.status == 404 else request.path_params.get("name", "")
    answer = page(request, "problem.html", status=problem.status, problem=problem, tank_name=tank_name)
    answer.headers.update(problem.headers)
    return answer
