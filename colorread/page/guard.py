"""Who may use the page: the checks on every request, and the headers of every answer."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from calibration import write_atomic
from colorread.page.uploads import body_bytes_max
from colorread.words import templates_of

YEAR_S = 365 * 24 * 3600
"""How long a browser keeps a cookie [s]."""
_SESSION_BYTES = 16
_CODE_LENGTH = 10
_CODE_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"  # no two look alike; 10 of them are 49 bits
_DEVICES_MAX = 50  # beyond that, the one paired longest ago has to pair again
_SAFE_METHODS = frozenset(("GET", "HEAD", "OPTIONS"))
# Nothing is loaded from elsewhere, and no script is inline. Inline style attributes are those of the figures.
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
_READ_AWAY_MAX = 1 << 30  # a body that is too large is read and dropped up to here, so that a browser sees the answer
_NEXT_CODE = "Scan the code in the terminal of the computer, or type it here. Each code works once."
_PAIR_PATH = "/pair"
_STYLE_PATH = "/static/style.css"  # open to all, so that the page that asks for the code can be read on a phone


def devices_path(log_path: Path) -> Path:
    """Return the file of the paired devices, beside the log."""
    return log_path.with_name(f"{log_path.stem}-paired.json")


def new_session() -> str:
    """Return a new secret that identifies a browser."""
    return secrets.token_urlsafe(_SESSION_BYTES)


def _new_code() -> str:
    """Return a code that nobody can guess and everybody can type."""
    return "".join(secrets.choice(_CODE_SIGNS) for _ in range(_CODE_LENGTH))


@dataclass(slots=True, kw_only=True)
class Access:
    """
    Decides which browsers may use the page.

    Parameters
    ----------
    host : str
        Address of the page.
    port : int
        Its port, which also keeps its cookie apart from those of other servers on the machine.
    shared : bool
        Whether other devices may use the page, once paired.
    devices_path : Path
        File of the paired devices, which stay paired when the server restarts.
    on_paired : callable
        Called when a device has been paired, with the code for the next one.
    code : str
        Code that pairs the next device.
    """

    host: str
    port: int
    shared: bool
    devices_path: Path
    on_paired: Callable[[str], None]
    code: str = field(default_factory=_new_code)
    _devices: list[str] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        with suppress(OSError, ValueError, RecursionError):  # a damaged file: all have to pair again
            devices = json.loads(self.devices_path.read_bytes())
            if isinstance(devices, list):
                self._devices = [digest for digest in devices if isinstance(digest, str)]

    @property
    def cookie(self) -> str:
        """Name of the cookie."""
        return f"colorread-{self.port}"

    def is_own_host(self, header: str) -> bool:
        """Return whether a Host header is ours; other names that point at this machine are turned away."""
        name, _, port = header.lower().partition(":")
        names = {self.host, "localhost"} if ipaddress.IPv4Address(self.host).is_loopback else {self.host}
        return name in names and (port or "80") == f"{self.port}"

    def is_allowed(self, session: str) -> bool:
        """Return whether a browser with this cookie is let in."""
        return bool(session) and (not self.shared or _digest(session) in self._devices)

    def pair(self, typed: str) -> str | None:
        """
        Exchange the code for a session; it works once.

        Parameters
        ----------
        typed : str
            The code as typed, perhaps with spaces and capital letters.

        Returns
        -------
        str or None
            The session, or None if the code is wrong.
        """
        if not hmac.compare_digest("".join(typed.lower().split()).encode(), self.code.encode()):
            return None
        session = new_session()
        self._devices = [*self._devices, _digest(session)][-_DEVICES_MAX:]
        with suppress(OSError):  # such as a full disk: the device has to pair again after a restart
            write_atomic(self.devices_path, json.dumps(self._devices).encode(), mode=0o600)
        self.code = _new_code()
        self.on_paired(self.code)
        return session

    def form_token(self, session: str) -> str:
        """Return the token that the forms of a session carry; no other site can know it."""
        return hmac.new(session.encode(), b"form", hashlib.sha256).hexdigest()

    def is_form_token(self, session: str, token: str) -> bool:
        """Return whether a form came from a page of the session."""
        return hmac.compare_digest(self.form_token(session).encode(), token.encode())


def _digest(session: str) -> str:
    """Return what is stored for a session, useless to anyone who reads the file."""
    return hashlib.sha256(session.encode()).hexdigest()


class Guard:
    """
    Middleware around everything else that turns away whoever may not use the page.

    Parameters
    ----------
    app : ASGI application
        The application to guard.
    access : Access
        Who may use it.
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one connection."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        # Our cookies have no quotation marks, and unquoting long cookies of other servers may take seconds.
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
        """Return the answer that turns a request away; None lets it through."""
        headers, path, method = request.headers, request.scope["path"], request.method
        if not self._access.is_own_host(headers.get("host", "")):
            return _refused(
                path, 421, "The page does not answer to this name.", "Open the address that the terminal shows."
            )
        if self._access.shared and path == _PAIR_PATH and method == "GET":
            return self._paired(request, session)
        if not self._access.is_allowed(session) and path != _STYLE_PATH:
            return _refused(path, 403, "This device is not paired with the page.", _NEXT_CODE, asks_code=True)
        if method not in _SAFE_METHODS and not _is_own_request(headers):
            return _refused(path, 403, "This request came from another site and was not carried out.")
        if "transfer-encoding" in headers:
            return _refused(path, 411, "The request must give its length (Content-Length).")
        if _length(headers) > (most := body_bytes_max(path)):
            size = f"{most >> 20} MB" if most >= 1 << 20 else f"{most >> 10} kB"
            most_words = f"This is larger than the limit of {size}."
            return _refused(path, 413, most_words, "Choose a smaller photo, or fewer.")
        return None

    def _paired(self, request: Request, session: str) -> Response:
        home = RedirectResponse("/", 303)
        if self._access.is_allowed(session):  # scanning a code again must not use up the next one
            return home
        paired = self._access.pair(request.query_params.get("code", ""))
        if paired is None:
            return _refused(_PAIR_PATH, 403, "This code is mistyped or already used.", _NEXT_CODE, asks_code=True)
        home.headers.append("Set-Cookie", self._set_cookie(paired))
        return home

    def _set_cookie(self, session: str) -> str:
        return f"{self._access.cookie}={session}; Path=/; Max-Age={YEAR_S}; HttpOnly; SameSite=Lax"


def problem_json(status: int, message: str, next_step: str = "", code: str | None = None, **more: Any) -> JSONResponse:
    """Return the JSON answer that says what is wrong."""
    return JSONResponse({"message": message, "next_step": next_step, "code": code, **more}, status)


def _refused(path: str, status: int, message: str, next_step: str = "", *, asks_code: bool = False) -> Response:
    """Return an answer that loads nothing but the style sheet from this server, which would refuse the rest."""
    if path.startswith("/api/"):
        return problem_json(status, message, next_step)
    template = templates_of("colorread.page").get_template("refusal.html")
    return HTMLResponse(template.render(message=message, next_step=next_step, asks_code=asks_code), status)


def _length(headers: Headers) -> int:
    return int(headers.get("content-length", "0"))  # the server has checked that it is a number


def _is_own_request(headers: Headers) -> bool:
    """Return whether a request that changes something comes from a page of this server, or from no page at all."""
    origin = headers.get("origin")
    if origin is not None and origin != f"http://{headers.get('host', '')}":
        return False
    return headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")
