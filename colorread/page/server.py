"""The server as a process: where it listens, what it needs, and how it stops."""

from __future__ import annotations

import signal
import socket
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import uvicorn
from fastapi import FastAPI

from colorread.page.access import Access
from colorread.page.core import Core
from colorread.page.drafts import Drafts
from colorread.page.jobs import Jobs
from colorread.page.network import hosts_of
from colorread.page.pool import Pool
from colorread.processes import processors

_PROCESSES_MAX = 2  # each takes about 250 MB
_WAITING_MAX = 10
_TIME_LIMIT_S = 60.0  # a photo takes a third of a second, on a small computer some seconds
_CONNECTIONS_MAX = 100
_STOP_S = 30


def make_core(
    log_path: Path, *, home: str | None, host: str, port: int, shared: bool, on_paired: Callable[[str], None]
) -> Core:
    """
    Return the state of a server.

    Parameters
    ----------
    log_path : Path
        Log that the command line uses too.
    home : str or None
        Tank that is shown first.
    host : str
        Address that it listens on.
    port : int
        Port that it listens on.
    shared : bool
        Whether other devices may reach it; then each has to be paired.
    on_paired : callable
        Is called when a device was paired, with the token for the next one.

    Returns
    -------
    Core
        For `colorread.page.app.create_app`.
    """
    return Core(
        log_path=log_path,
        home=home,
        folder=Path(tempfile.mkdtemp(prefix="colorread-page-")),
        access=Access(hosts=hosts_of(host, port), shared=shared, port=port, on_paired=on_paired),
        pool=Pool(count=min(processors(), _PROCESSES_MAX), waiting_max=_WAITING_MAX, time_limit_s=_TIME_LIMIT_S),
        drafts=Drafts(log_path),
        jobs=Jobs(log_path),
    )


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


def run(app: FastAPI, taken: socket.socket) -> None:
    """
    Serve until the process is told to stop, and let what was begun come to its end.

    Parameters
    ----------
    app : FastAPI
        The server.
    taken : socket.socket
        From `listen`.
    """
    config = uvicorn.Config(
        app,
        http="h11",
        ws="none",
        lifespan="on",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=_CONNECTIONS_MAX,
        timeout_graceful_shutdown=_STOP_S,
        h11_max_incomplete_event_size=32 << 10,
    )
    signal.signal(signal.SIGTERM, _interrupt)  # the server sends itself the signal again once it has stopped
    try:
        uvicorn.Server(config).run(sockets=[taken])
    except KeyboardInterrupt:
        pass
    finally:
        taken.close()


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt
