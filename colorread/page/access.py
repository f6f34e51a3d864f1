"""Who may use the page: hosts it answers to, devices that were paired, and tokens in its forms."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field

_TOKEN_BYTES = 16
_DEVICES_MAX = 50  # the one that was paired longest ago has to pair again


@dataclass(slots=True, kw_only=True)
class Access:
    """
    What lets a browser in.

    Parameters
    ----------
    hosts : frozenset of str
        Values of the Host header that are answered, so that no other name can be pointed at this machine.
    shared : bool
        Whether other devices may reach the page; then each has to be paired first.
    on_paired : callable
        Is called when a device was paired, with the token for the next one.
    port : int
        Port of the page, which keeps its cookie apart from those of other servers on the machine.
    """

    hosts: frozenset[str]
    shared: bool
    port: int
    on_paired: Callable[[str], None] = lambda token: None
    token: str = field(default_factory=lambda: secrets.token_urlsafe(_TOKEN_BYTES))
    _devices: dict[str, None] = field(default_factory=dict)
    _key: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    @property
    def cookie(self) -> str:
        """Name of the cookie."""
        return f"colorread-{self.port}"

    def is_allowed(self, session: str) -> bool:
        """Return whether a browser with this cookie is let in."""
        return bool(session) and (not self.shared or session in self._devices)

    def new_session(self) -> str:
        """Return a session for a browser on this machine, where none needs to be paired."""
        return secrets.token_urlsafe(_TOKEN_BYTES)

    def pair(self, token: str) -> str | None:
        """
        Exchange the token for a session; it is of no use any more afterwards.

        Parameters
        ----------
        token : str
            As the device gave it.

        Returns
        -------
        str or None
            The session, or None where the token is not that of the moment.
        """
        if not hmac.compare_digest(token.encode(), self.token.encode()):
            return None
        self.token = secrets.token_urlsafe(_TOKEN_BYTES)
        session = secrets.token_urlsafe(_TOKEN_BYTES)
        self._devices[session] = None
        while len(self._devices) > _DEVICES_MAX:
            del self._devices[next(iter(self._devices))]
        self.on_paired(self.token)
        return session

    def form_token(self, session: str) -> str:
        """Return what the forms of a session carry, which no other site can know."""
        return hmac.new(self._key, session.encode(), hashlib.sha256).hexdigest()

    def is_form_token(self, session: str, token: str) -> bool:
        """Return whether a form came from a page of the session."""
        return hmac.compare_digest(self.form_token(session).encode(), token.encode())
