"""Who may reach the page: addresses of a home network, hosts it answers to, paired devices, and tokens in its forms."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
import secrets
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from calibration import write_whole

# For documentation (RFC 5737): no packet is sent, the system only says which of its addresses it would use.
_ANYWHERE = ("192.0.2.1", 9)
_SESSION_BYTES = 16
_CODE_LENGTH = 10
_CODE_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is taken for another; 10 of them are 49 bits
_DEVICES_MAX = 50  # the one that was paired longest ago has to pair again


def home_address() -> str:
    """
    Return the address of this machine in the home network.

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
    return require_home(found)


def require_home(text: str) -> str:
    """
    Return an address if it is one of a home network or of this machine itself.

    Parameters
    ----------
    text : str
        IPv4 address.

    Returns
    -------
    str
        The same.

    Raises
    ------
    ValueError
        If it is none, or one that all the world may reach; one sentence.
    """
    try:
        address = ipaddress.IPv4Address(text)
    except ValueError:
        raise ValueError(f"An address must look like 192.168.1.20, not {text!r}.") from None
    if not address.is_private or address.is_unspecified:
        raise ValueError(f"{text} is no address of a home network; the page is not made for the open internet.")
    return text


def listen(host: str, port: int) -> socket.socket:
    """
    Take a port and listen there.

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
        If it is taken or may not be used.
    """
    taken = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let two servers share a port
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind((host, port))
        taken.listen()  # who comes before the server is ready waits, instead of being turned away
    except OSError:
        taken.close()
        raise
    return taken


def hosts_of(host: str, port: int) -> frozenset[str]:
    """Return the values of the Host header that are answered: without the port only where it is that of plain HTTP."""
    names = {host} | ({"localhost"} if ipaddress.IPv4Address(host).is_loopback else set())
    return frozenset({f"{name}:{port}" for name in names} | (names if port == 80 else set()))


def devices_path(log_path: Path) -> Path:
    """Return where the devices that were paired are kept, beside the log."""
    return log_path.with_name(f"{log_path.stem}-paired.json")


def new_session() -> str:
    """Return what a browser is known by, in a cookie."""
    return secrets.token_urlsafe(_SESSION_BYTES)


def _new_code() -> str:
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
    code : str
        With which the next device is paired.
    """

    hosts: frozenset[str]
    shared: bool
    port: int
    devices_path: Path
    on_paired: Callable[[str], None]
    code: str = field(default_factory=_new_code)
    _devices: list[str] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        with suppress(OSError, ValueError, RecursionError):  # a file that is damaged: all have to pair again
            devices = json.loads(self.devices_path.read_bytes())
            if isinstance(devices, list):
                self._devices = [digest for digest in devices if isinstance(digest, str)]

    @property
    def cookie(self) -> str:
        """Name of the cookie."""
        return f"colorread-{self.port}"

    def is_allowed(self, session: str) -> bool:
        """Return whether a browser with this cookie is let in."""
        return bool(session) and (not self.shared or _digest(session) in self._devices)

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
        session = new_session()
        self._devices = [*self._devices, _digest(session)][-_DEVICES_MAX:]
        with suppress(OSError):  # as on a full disk: it has to pair again when the server is started again
            write_whole(self.devices_path, json.dumps(self._devices).encode(), mode=0o600)
        self.code = _new_code()
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
