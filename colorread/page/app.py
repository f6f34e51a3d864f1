"""The server: its parts put together, its errors in words, its begin and its end."""

from __future__ import annotations

import asyncio
import errno
import shutil
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.exceptions import HTTPException as AnyHTTPException

from colorread import __version__
from colorread.log.forget import Leftovers
from colorread.log.store import DiskFull, LogError, LogFailure
from colorread.page import api, pages, pages_calibrate, pages_download, pages_fluid, pages_several, pages_tank, tasks
from colorread.page.core import Core, UploadProblem
from colorread.page.guard import Guard
from colorread.page.pool import Busy, WorkFailed
from colorread.page.render import page
from colorread.report.axes import PLOT_COLORS

_STATIC = Path(__file__).parent / "static"
_FINISH_S = 60.0  # for the photos that are being read when the server is stopped
_DISK_FULL = frozenset((errno.ENOSPC, errno.EDQUOT))
_NEXT_STEPS = {
    400: "Go back and try again.",
    404: "Go back to the list of tanks.",
    408: "Go nearer to the network and try again.",
    413: "Choose a smaller photo, or fewer.",
    415: "Use a photo as JPEG, PNG, HEIC, TIFF or WebP.",
    503: "Wait a moment and try again.",
    507: "Make room on the machine that runs the page, and try again.",
}


def create_app(core: Core) -> FastAPI:
    """
    Return the server.

    Parameters
    ----------
    core : Core
        Its state; closed when the server ends.

    Returns
    -------
    FastAPI
        To be run in a single process.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        warming = asyncio.create_task(core.pool.warm(tasks.warm_up))
        try:
            yield
        finally:
            await asyncio.wait([warming])
            await run_in_threadpool(core.jobs.close, _FINISH_S)
            await run_in_threadpool(core.pool.close)
            shutil.rmtree(core.folder, ignore_errors=True)

    app = FastAPI(
        title="colorread",
        version=__version__,
        description="CO2 of planted aquariums from photos of their drop checkers. Everything stays on this machine.",
        lifespan=lifespan,
        openapi_url="/api/openapi.json",
        docs_url=None,  # would load a script from elsewhere
        redoc_url=None,
    )
    app.state.core = core
    for part in (api, pages, pages_tank, pages_several, pages_calibrate, pages_download, pages_fluid):
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

    _add_error_handlers(app)
    app.add_middleware(Guard, access=core.access)
    return app


def _style() -> str:
    """Return the style sheet, headed by the colors of the figures on light and on dark ground."""
    light, dark = (
        "\n".join(f"  --plot-{name}: {getattr(color, scheme)};" for name, color in PLOT_COLORS.items())
        for scheme in ("light", "dark")
    )
    sheet = (_STATIC / "style.css").read_text(encoding="utf-8")
    return f":root {{\n{light}\n}}\n@media (prefers-color-scheme: dark) {{ :root {{\n{dark}\n}} }}\n{sheet}"


def _add_error_handlers(app: FastAPI) -> None:
    @app.exception_handler(Busy)
    async def busy(request: Request, error: Busy) -> Response:
        answer = _problem(request, 503, str(error))
        answer.headers["Retry-After"] = str(error.retry_after_s)
        return answer

    @app.exception_handler(WorkFailed)
    async def work_failed(request: Request, error: WorkFailed) -> Response:
        return _problem(request, 422, str(error), "Try again; if it happens again, take another photo.")

    @app.exception_handler(UploadProblem)
    async def upload_problem(request: Request, error: UploadProblem) -> Response:
        return _problem(request, error.status, error.problem.message, error.problem.next_step, error.problem.code)

    @app.exception_handler(LogError)
    async def log_error(request: Request, error: LogError) -> Response:
        if isinstance(error, Leftovers):
            return _problem(request, 500, str(error), "Delete them by hand.")
        if not isinstance(error, LogFailure):
            return _problem(request, 404, str(error))
        status = 507 if isinstance(error, DiskFull) else 503
        return _problem(request, status, str(error), "Nothing was changed.")

    @app.exception_handler(OSError)
    async def system_error(request: Request, error: OSError) -> Response:
        if error.errno in _DISK_FULL:
            return _problem(request, 507, "The disk of the machine that runs the page is full.")
        return _problem(request, 500, f"A file could not be used: {error.strerror or 'unknown reason'}.")

    @app.exception_handler(AnyHTTPException)
    async def http_error(request: Request, error: HTTPException) -> Response:
        words = {404: "There is no such page.", 405: "This page cannot be used that way."}
        message = words.get(error.status_code, str(error.detail)) if error.detail in _PLAIN else str(error.detail)
        return _problem(request, error.status_code, message, headers=dict(error.headers or {}))

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        parts = [f"{'.'.join(map(str, part['loc'][1:]))}: {part['msg']}" for part in error.errors()]
        return _problem(request, 422, f"The request is not as it should be ({'; '.join(parts)}).")

    @app.exception_handler(Exception)
    async def anything(request: Request, error: Exception) -> Response:
        return _problem(request, 500, "Something went wrong in this program; the terminal tells more.")


_PLAIN = frozenset(("Not Found", "Method Not Allowed"))


def _problem(
    request: Request,
    status: int,
    message: str,
    next_step: str = "",
    code: str = "",
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Tell what is wrong, programs in JSON and people on a page."""
    next_step = next_step or _NEXT_STEPS.get(status, "")
    answer: Response
    if request.url.path.startswith("/api/"):
        answer = JSONResponse({"message": message, "next_step": next_step, "code": code or None}, status)
    else:
        # What is not there may be the tank itself.
        tank_name = "" if status == 404 else request.path_params.get("name", "")
        words = {"message": message, "next_step": next_step, "tank_name": tank_name}
        answer = page(request, "problem.html", status=status, **words)
    for name, value in (headers or {}).items():
        answer.headers[name] = value
    return answer
