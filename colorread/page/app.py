"""The server as an ASGI application, and its errors in words."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, Response
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp

from colorread import __version__
from colorread.log import DiskFull, Leftovers, LogError, LogFailure
from colorread.page import api, pages, pages_calibrate, pages_prepare, pages_tank
from colorread.page.core import Core, ProgramFault, WorkFailed
from colorread.page.guard import Guard, problem_json
from colorread.page.shown import page
from colorread.report import PLOT_COLORS

_STATIC = Path(__file__).parent / "static"
_NEXT_STEPS = {
    400: "Go back and try again.",
    403: "Go back, reload the page, and try again.",
    408: "Move closer to the Wi-Fi router and try again.",
    413: "Choose a smaller photo, or fewer.",
    415: "Use a JPEG, PNG, HEIC, TIFF or WebP photo.",
    503: "Wait a moment and try again.",
    507: "Free some disk space on the computer that runs the page.",
}
_PLAIN = {"Not Found": "This page does not exist.", "Method Not Allowed": "This page cannot be used that way."}


def create_app(core: Core) -> ASGIApp:
    """
    Return the server.

    Parameters
    ----------
    core : Core
        Its state; closed when the server stops.

    Returns
    -------
    ASGI application
        Must run in a single process.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        warming = asyncio.create_task(core.pool.warm())
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
        docs_url=None,  # loads a script from elsewhere
        redoc_url=None,
    )
    app.state.core = core
    for part in (api, pages, pages_tank, pages_calibrate, pages_prepare):
        app.include_router(part.router)
    style = _style()

    @app.get("/static/style.css", include_in_schema=False)
    def style_sheet() -> Response:
        return Response(style, media_type="text/css")

    @app.api_route("/static/page.js", methods=["GET", "HEAD"], include_in_schema=False)
    def script() -> Response:
        # On Windows any program may change the type of such files, and browsers then refuse to run them.
        return FileResponse(_STATIC / "page.js", media_type="text/javascript")

    for kind in (WorkFailed, LogError, LogFailure, OSError, HTTPException, RequestValidationError, Exception):
        app.add_exception_handler(kind, _answer)
    return Guard(app, core.access)


def _style() -> str:
    """Return the style sheet, with the colors of the figures in the light and the dark scheme on top."""
    light, dark = (
        "\n".join(f"  --plot-{name}: {color[scheme]};" for name, color in PLOT_COLORS.items())
        for scheme in ("light", "dark")
    )
    sheet = (_STATIC / "style.css").read_text(encoding="utf-8")
    return f":root {{\n{light}\n}}\n@media (prefers-color-scheme: dark) {{ :root {{\n{dark}\n}} }}\n{sheet}"


def problem_of(error: Exception) -> tuple[int, str, str]:
    """
    Return what to say about an error.

    Parameters
    ----------
    error : Exception
        Raised in the server or in one of its processes.

    Returns
    -------
    tuple of int, str and str
        HTTP status, what is wrong, and what to do.
    """
    match error:
        case Leftovers():
            return 500, str(error), "Delete them by hand."
        case DiskFull():
            return 507, str(error), "Nothing was changed."
        case LogFailure():
            return 503, str(error), "Nothing was changed."
        case LogError():
            status, message = 404, str(error)
        case ProgramFault():
            return 500, str(error), "Nothing was changed. Try another photo or other values."
        case WorkFailed():
            status, message = 503, str(error)
        case OSError(errno=errno.ENOSPC | errno.EDQUOT):
            status, message = 507, "The disk of the computer that runs the page is full."
        case OSError():
            status, message = 500, f"A file could not be used: {error.strerror or 'unknown reason'}."
        case HTTPException():
            status, message = error.status_code, _PLAIN.get(error.detail, error.detail)
        case RequestValidationError():
            parts = [f"{'.'.join(map(str, part['loc'][1:]))}: {part['msg']}" for part in error.errors()]
            status, message = 422, f"The request is not valid ({'; '.join(parts)})."
        case _:
            status, message = 500, "Something went wrong; the terminal shows more."
    return status, message, _NEXT_STEPS.get(status, "")


async def _answer(request: Request, error: Exception) -> Response:
    """Say what is wrong: in JSON to programs, on a page to people."""
    is_program = request.url.path.startswith("/api/")
    if isinstance(error, RequestValidationError) and not is_program:
        error = HTTPException(404)  # forms are checked by the pages, so the address is wrong
    status, message, next_step = problem_of(error)
    if is_program:
        answer: Response = problem_json(status, message, next_step)
    else:
        # The tank itself may be missing from the log.
        tank_name = "" if isinstance(error, LogError | LogFailure) else request.path_params.get("name", "")
        answer = page(request, "problem.html", status=status, message=message, next_step=next_step, tank_name=tank_name)
    if status == 503:
        answer.headers["Retry-After"] = "5"
    answer.headers.update(getattr(error, "headers", None) or {})
    return answer
