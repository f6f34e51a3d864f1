"""Where the page can be reached: addresses of this machine in a home network, and the names it answers to."""

from __future__ import annotations

import ipaddress
import socket
import sys

# For documentation (RFC 5737): no packet is sent, the system only says which of its addresses it would use.
_ANYWHERE = ("192.0.2.1", 9)


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


def hosts_of(host: str, port: int) -> frozenset[str]:
    """
    Return the values of the Host header that the page answers to.

    Parameters
    ----------
    host : str
        Address that it listens on.
    port : int
        Port that it listens on.

    Returns
    -------
    frozenset of str
        With the port, and without it where it is that of plain HTTP.
    """
    names = {host} | ({"localhost"} if ipaddress.IPv4Address(host).is_loopback else set())
    return frozenset({f"{name}:{port}" for name in names} | (names if port == 80 else set()))


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
