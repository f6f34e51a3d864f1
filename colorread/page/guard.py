"""What every request passes before anything is served, and the headers that every answer carries."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from colorread.page.access import Access

_SAFE_METHODS = frozenset(("GET", "HEAD", "OPTIONS"))
# Nothing is loaded from elsewhere, no script stands in a page. Attributes of style are those of the drawn figures.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; img-src 'self' blob: "
    "data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(), payment=(), usb=()",
    "X-Robots-Tag": "noindex",
}
_SESSION_DAYS = 30
BODY_MAX = 320 << 20
_DRAIN_MAX, _DRAIN_S = 2 * BODY_MAX, 60.0
NOT_PAIRED = (
    "This device is not paired with the page. Scan the code that the terminal shows; each code works once, then a new "
    "one is shown.\n"
)
PAIR_PATH = "/pair"


class Guard:
    """
    Middleware that lets in only whom it should.

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
        headers = Headers(scope=scope)
        session = _cookie(headers, self._access.cookie)
        is_new = False
        if not self._access.shared and not session:
            session, is_new = self._access.new_session(), True

        body = _Body(receive, _length(headers))

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                await body.drain()  # a browser that is still sending would not see the answer
                sent = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    sent.setdefault(name, value)
                sent.setdefault("Cache-Control", "no-store")
                if is_new:
                    sent.append("Set-Cookie", self._set_cookie(session))
            await send(message)

        refusal = self._refusal(scope, headers, session)
        if refusal is not None:
            await refusal(scope, body.receive, send_with_headers)
            return
        scope.setdefault("state", {})["session"] = session
        await self._app(scope, body.receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers, session: str) -> Response | None:
        """Return the answer to a request that goes no further."""
        method = scope["method"]
        if headers.get("host", "").lower() not in self._access.hosts:
            return PlainTextResponse("The page does not answer to this name.\n", 421)
        if self._access.shared and scope["path"] == PAIR_PATH and method == "GET":
            return self._paired(scope, session)
        if not self._access.is_allowed(session):
            return PlainTextResponse(NOT_PAIRED, 403)
        if method not in _SAFE_METHODS and not _is_own_request(headers):
            return PlainTextResponse("This request came from another site and was not carried out.\n", 403)
        if "transfer-encoding" in headers:
            return PlainTextResponse("Say how long the request is (Content-Length).\n", 411)
        if _length(headers) > BODY_MAX:
            return PlainTextResponse(f"More than {BODY_MAX >> 20} MB at once are not taken; send fewer photos.\n", 413)
        return None

    def _paired(self, scope: Scope, session: str) -> Response:
        home = RedirectResponse("/", 303)
        if self._access.is_allowed(session):  # a code that is scanned again must not cost a token
            return home
        tokens = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])
        paired = self._access.pair(tokens[0])
        if paired is None:
            return PlainTextResponse(NOT_PAIRED, 403)
        home.headers.append("Set-Cookie", self._set_cookie(paired))
        return home

    def _set_cookie(self, session: str) -> str:
        age_s = _SESSION_DAYS * 24 * 3600
        return f"{self._access.cookie}={session}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Lax"


class _Body:
    """The body of a request, of which what nobody wanted can be let through."""

    def __init__(self, receive: Receive, length: int) -> None:
        self._receive = receive
        self._is_open = length > 0
        self._left = _DRAIN_MAX

    async def receive(self) -> Message:
        message = await self._receive()
        if message["type"] != "http.request" or not message.get("more_body", False):
            self._is_open = False
        self._left -= len(message.get("body", b""))
        return message

    async def drain(self) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(_DRAIN_S):
                while self._is_open and self._left > 0:
                    await self.receive()


def _length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isascii() and text.isdigit() else 0


def _is_own_request(headers: Headers) -> bool:
    """Return whether a request that changes something comes from a page of this server, or from no page at all."""
    origin = headers.get("origin")
    if origin is not None and origin != f"http://{headers.get('host', '')}":
        return False
    return headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")


def _cookie(headers: Headers, name: str) -> str:
    cookies: SimpleCookie = SimpleCookie()
    try:
        cookies.load(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookies[name].value if name in cookies else ""
