"""The server: its pages as one application, errors in words, where it listens, and the limits of its connections."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import h11
import uvicorn
from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, Response
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from colorread import __version__
from colorread.log import DiskFull, Leftovers, LogError, LogFailure
from colorread.page import api, pages, pages_prepare, pages_tank
from colorread.page.core import Core, ProgramFault, WorkFailed
from colorread.page.guard import HEADERS, Guard, problem_json
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
# A documentation address (RFC 5737). No packet is sent; the system only says which of its own addresses it would use.
_ANYWHERE = ("192.0.2.1", 9)
_STOP_S = 30
_HEAD_BYTES_MAX = 64 << 10  # with the cookies of all other servers on the machine
# Choices of this project: a browser opens six connections, starts its requests within a second, and a phone on a weak
# network sends some kB a second.
_CONNECTIONS_MAX, _OF_ONE_ADDRESS_MAX = 160, 120
_HEAD_S, _BODY_S = 10.0, 20.0
_LOOK_S, _LEAST_BYTES = 5.0, 1000  # fewer bytes between two looks count as none


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
    for part in (api, pages, pages_tank, pages_prepare):
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


def home_address() -> str:
    """
    Return the address of this machine on the home network.

    Returns
    -------
    str
        A private IPv4 address.

    Raises
    ------
    ValueError
        If there is none; one sentence.
    """
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(_ANYWHERE)
            found = str(probe.getsockname()[0])
    except OSError:
        raise ValueError("This computer is not on a network. Connect it, or use --address.") from None
    return require_home_address(found)


def require_home_address(text: str) -> str:
    """
    Return an address if it belongs to a home network or to this machine itself.

    Parameters
    ----------
    text : str
        IPv4 address.

    Returns
    -------
    str
        The same address.

    Raises
    ------
    ValueError
        If it is not an address, or one on the open internet; one sentence.
    """
    try:
        address = ipaddress.IPv4Address(text)
    except ValueError:
        raise ValueError(f"An address must look like 192.168.1.20, not {text!r}.") from None
    if not address.is_private or address.is_unspecified:
        raise ValueError(f"{text} is not a home network address; the page is not made for the open internet.")
    return text


def listen(host: str, port: int) -> socket.socket:
    """
    Take a port and listen there, so that early connections wait until the server is ready.

    Parameters
    ----------
    host : str
        Address of this machine.
    port : int
        Port; 0 for any free one.

    Returns
    -------
    socket.socket
        Bound and listening.

    Raises
    ------
    OSError
        If the port is taken or may not be used.
    """
    try:
        return socket.create_server((host, port))
    except OSError as error:
        # Without the address, which the caller knows; Windows has no words for the number alone.
        raise OSError(error.errno, (error.strerror or "").partition(" (while ")[0]) from None


def _plain_answer(status: str, *headers: str) -> bytes:
    lines = [f"HTTP/1.1 {status}", *headers, *(f"{name}: {value}" for name, value in HEADERS.items())]
    return "\r\n".join([*lines, "Connection: close", "Content-Length: 0", "", ""]).encode("ascii")


_NO_HTTP = _plain_answer("400 Bad Request")
_TOO_MANY = _plain_answer("503 Service Unavailable", "Retry-After: 10")


class Connection(H11Protocol):
    """
    A connection that is closed if it keeps the server waiting, and makes way if there are too many.

    It keeps the server waiting if a request's head does not arrive, or a body that the server wants to read.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a place; if none is free, that of the connection that has been idle longest."""
        super().connection_made(transport)
        self._waited_for_since = self.loop.time()
        self._n_bytes = 0
        self._timer = self.loop.call_later(_LOOK_S, self._look, 0)
        others = [other for other in self.connections if isinstance(other, Connection) and other is not self]
        of_address = [other for other in others if other._host == self._host]
        for there, most in ((of_address, _OF_ONE_ADDRESS_MAX), (others, _CONNECTIONS_MAX)):
            if len(there) < most:
                continue
            if idle := [other for other in there if other._has_asked_nothing]:
                min(idle, key=lambda other: other._waited_for_since).transport.abort()
            else:
                transport.write(_TOO_MANY)
                transport.close()
            return

    def data_received(self, data: bytes) -> None:
        """Receive a part of a request."""
        self._n_bytes += len(data)
        had_asked_nothing = self._has_asked_nothing
        super().data_received(data)
        if had_asked_nothing and not self._has_asked_nothing:
            self._waited_for_since = self.loop.time()

    def connection_lost(self, exc: Exception | None) -> None:
        """Free the place."""
        self._timer.cancel()
        super().connection_lost(exc)

    def send_400_response(self, msg: str) -> None:
        """Answer something that is not HTTP."""
        self.transport.write(_NO_HTTP)
        self.transport.close()

    @property
    def _host(self) -> str:
        return "" if self.client is None else self.client[0]

    @property
    def _has_asked_nothing(self) -> bool:
        return self.conn.their_state is h11.IDLE

    def _look(self, n_bytes_before: int) -> None:
        now = self.loop.time()
        if not self._has_asked_nothing:
            is_wanted = self.conn.their_state is h11.SEND_BODY and not self.flow.read_paused
            if not is_wanted or self._n_bytes - n_bytes_before >= _LEAST_BYTES:
                self._waited_for_since = now
        if now - self._waited_for_since > (_HEAD_S if self._has_asked_nothing else _BODY_S):
            self.transport.close()
        else:
            self._timer = self.loop.call_later(_LOOK_S, self._look, self._n_bytes)


def server_of(app: ASGIApp) -> uvicorn.Server:
    """Return a server with the limits of the page, not started yet."""
    config = uvicorn.Config(
        app,
        http=Connection,
        ws="none",
        lifespan="on",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=_STOP_S,
        h11_max_incomplete_event_size=_HEAD_BYTES_MAX,
    )
    return uvicorn.Server(config)


def run(app: ASGIApp, taken: socket.socket) -> None:
    """
    Serve until the process is told to stop, then finish what has begun.

    Parameters
    ----------
    app : ASGI application
        The server.
    taken : socket.socket
        As `listen` returns it.
    """
    # As Ctrl-C; the server raises the signal again once it has stopped.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        server_of(app).run(sockets=[taken])
    except KeyboardInterrupt:
        pass
    finally:
        taken.close()
