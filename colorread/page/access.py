"""Who may use the page: hosts it answers to, devices that were paired, and tokens in its forms."""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from calibration import write_whole

_SESSION_BYTES = 16
_CODE_LENGTH = 10
_CODE_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is taken for another; 10 of them are 49 bits
_DEVICES_MAX = 50  # the one that was paired longest ago has to pair again


def devices_path(log_path: Path) -> Path:
    """Return where the devices that were paired are kept, beside the log."""
    return log_path.with_name(f"{log_path.stem}-paired.json")


def new_code() -> str:
    """Return a code that nobody can guess and everybody can type."""
    return "".join(secrets.choice(_CODE_SIGNS) for _ in range(_CODE_LENGTH))


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
    port : int
        Port of the page, which keeps its cookie apart from those of other servers on the machine.
    devices_path : Path
        File of the devices that were paired, so that they stay so when the server is started again.
    on_paired : callable
        Is called when a device was paired, with the code for the next one.
    """

    hosts: frozenset[str]
    shared: bool
    port: int
    devices_path: Path
    on_paired: Callable[[str], None] = lambda code: None
    code: str = field(default_factory=new_code)
    _devices: list[str] = field(init=False)

    def __post_init__(self) -> None:
        self._devices = _read_devices(self.devices_path)

    @property
    def cookie(self) -> str:
        """Name of the cookie."""
        return f"colorread-{self.port}"

    def is_allowed(self, session: str) -> bool:
        """Return whether a browser with this cookie is let in."""
        return bool(session) and (not self.shared or _digest(session) in self._devices)

    def new_session(self) -> str:
        """Return a session for a browser on this machine, where none needs to be paired."""
        return secrets.token_urlsafe(_SESSION_BYTES)

    def pair(self, typed: str) -> str | None:
        """
        Exchange the code for a session; it is of no use any more afterwards.

        Parameters
        ----------
        typed : str
            As the device gave it, with spaces and capital letters as people type them.

        Returns
        -------
        str or None
            The session, or None where the code is not that of the moment.
        """
        if not hmac.compare_digest("".join(typed.lower().split()).encode(), self.code.encode()):
            return None
        session = self.new_session()
        self._devices = [*self._devices, _digest(session)][-_DEVICES_MAX:]
        with suppress(OSError):  # as on a full disk: it has to pair again when the server is started again
            write_whole(self.devices_path, json.dumps(self._devices).encode(), mode=0o600)
        self.code = new_code()
        self.on_paired(self.code)
        return session

    def form_token(self, session: str) -> str:
        """Return what the forms of a session carry, which no other site can know."""
        return hmac.new(session.encode(), b"form", hashlib.sha256).hexdigest()

    def is_form_token(self, session: str, token: str) -> bool:
        """Return whether a form came from a page of the session."""
        return hmac.compare_digest(self.form_token(session).encode(), token.encode())


def _digest(session: str) -> str:
    """Return what is kept of a session: nobody who reads the file can use it."""
    return hashlib.sha256(session.encode()).hexdigest()


def _read_devices(path: Path) -> list[str]:
    with suppress(OSError, ValueError, RecursionError):  # a file that is damaged: all have to pair again
        devices = json.loads(path.read_bytes())
        if isinstance(devices, list):
            return [digest for digest in devices if isinstance(digest, str)]
    return []
