"""What every request passes before anything is served, and the headers that every answer carries."""

from __future__ import annotations

from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from colorread.page.access import Access, new_session
from colorread.page.shown import YEAR_S, problem_json
from colorread.page.uploads import body_bytes_max
from colorread.words import templates_of

_SAFE_METHODS = frozenset(("GET", "HEAD", "OPTIONS"))
# Nothing is loaded from elsewhere, no script stands in a page. Attributes of style are those of the drawn figures.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; img-src 'self' blob: "
    "data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(), payment=(), usb=()",
    "X-Robots-Tag": "noindex",
    "Cache-Control": "no-store",
}
_READ_AWAY_MAX = 1 << 30  # what is sent beyond what is taken is read and dropped, so that a browser sees the answer
_NEXT_CODE = "Scan the code in the terminal, or type it here. Each code works once."
_PAIR_PATH = "/pair"


class Guard:
    """
    Middleware around everything else that lets in only whom it should.

    Parameters
    ----------
    app : ASGI application
        What is guarded.
    access : Access
        Who may use it.
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one connection."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        # None of our cookies has a quotation mark, and taking those of others out of long values may take seconds.
        scope["headers"] = [
            (name, b";".join(part for part in value.split(b";") if b'"' not in part) if name == b"cookie" else value)
            for name, value in scope["headers"]
        ]
        request = Request(scope)
        session = request.cookies.get(self._access.cookie, "")
        is_new = not self._access.shared and not session
        if is_new:
            session = new_session()

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                sent = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    sent.setdefault(name, value)
                if is_new:
                    sent.append("Set-Cookie", self._set_cookie(session))
                if _length(request.headers) > _READ_AWAY_MAX:
                    sent["Connection"] = "close"
            await send(message)

        scope.setdefault("state", {})["session"] = session
        await (self._refusal(request, session) or self._app)(scope, receive, send_with_headers)

    def _refusal(self, request: Request, session: str) -> Response | None:
        """Return the answer to a request that goes no further."""
        headers, path, method = request.headers, request.scope["path"], request.method
        if headers.get("host", "").lower() not in self._access.hosts:
            return _refused(path, 421, "The page does not answer to this name.")
        if self._access.shared and path == _PAIR_PATH and method == "GET":
            return self._paired(request, session)
        if not self._access.is_allowed(session):
            return _refused(path, 403, "This device is not paired with the page.", _NEXT_CODE, asks_code=True)
        if method not in _SAFE_METHODS and not _is_own_request(headers):
            return _refused(path, 403, "This request came from another site and was not carried out.")
        if "transfer-encoding" in headers:
            return _refused(path, 411, "Say how long the request is (Content-Length).")
        if _length(headers) > (most := body_bytes_max(path)):
            size = f"{most >> 20} MB" if most >= 1 << 20 else f"{most >> 10} kB"
            return _refused(path, 413, f"More than {size} are not taken here.", "Send less at a time.")
        return None

    def _paired(self, request: Request, session: str) -> Response:
        home = RedirectResponse("/", 303)
        if self._access.is_allowed(session):  # a code that is scanned again must not cost a code
            return home
        paired = self._access.pair(request.query_params.get("code", ""))
        if paired is None:
            return _refused(_PAIR_PATH, 403, "This code no longer works.", _NEXT_CODE, asks_code=True)
        home.headers.append("Set-Cookie", self._set_cookie(paired))
        return home

    def _set_cookie(self, session: str) -> str:
        return f"{self._access.cookie}={session}; Path=/; Max-Age={YEAR_S}; HttpOnly; SameSite=Lax"


def _refused(path: str, status: int, message: str, next_step: str = "", *, asks_code: bool = False) -> Response:
    """Return an answer that needs nothing else of this server, for whom it serves nothing else."""
    if path.startswith("/api/"):
        return problem_json(status, message, next_step)
    template = templates_of("colorread.page").get_template("refusal.html")
    return HTMLResponse(template.render(message=message, next_step=next_step, asks_code=asks_code), status)


def _length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isascii() and text.isdigit() else 0


def _is_own_request(headers: Headers) -> bool:
    """Return whether a request that changes something comes from a page of this server, or from no page at all."""
    origin = headers.get("origin")
    if origin is not None and origin != f"http://{headers.get('host', '')}":
        return False
    return headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")
