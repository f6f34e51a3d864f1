"""The command that serves the local page."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from colorread.cli.log import LogFile, open_log
from colorread.cli.options import EXIT_FAILED, fail, number
from colorread.cli.profile import tell_damaged_defaults

EPILOG = """\b
Examples:
  colorread serve
  colorread serve --share
  colorread serve --tank window --share --port 8300

Without --share, only this computer can open the page. With it, phones on your home network can, once they scan the code
in the terminal. The connection is not encrypted. Stop with Ctrl-C."""
_EXTRA = 'The page needs more packages. In the program folder, run: pip install ".[page]"'


def serve(
    tank: Annotated[str | None, typer.Option(help="Tank to show first.", metavar="NAME")] = None,
    port: Annotated[int, number("Port of the page.", "PORT", 1, 65535, kind=int)] = 8300,
    share: Annotated[bool, typer.Option("--share", help="Let paired phones on the home network in.")] = False,
    address: Annotated[
        str | None,
        typer.Option(help="Address of this computer, if the wrong one is found.", metavar="IP"),
    ] = None,
    log: LogFile = None,
) -> None:
    """Open a page on this computer: take photos with your phone, see the reading, save it in the log."""
    if address is not None and not share:
        fail("--address needs --share.")
    try:
        import fastapi  # noqa: F401
        import multipart  # noqa: F401
        import segno  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError:
        fail(_EXTRA, EXIT_FAILED)
    from colorread.page.network import home_address, require_home

    host = "127.0.0.1"
    if share:
        try:
            host = home_address() if address is None else require_home(address)
        except ValueError as error:
            fail(str(error))
    with open_log(log, create=True) as opened:
        path = opened.path
        if tank is not None:
            opened.tank(tank)
    tell_damaged_defaults()
    _run(path, tank, host, port, share)


def _run(log_path: Path, tank: str | None, host: str, port: int, share: bool) -> None:
    from colorread.page.app import create_app
    from colorread.page.server import listen, make_core, run

    try:
        taken = listen(host, port)
    except OSError as error:
        why = error.strerror or error
        fail(f"Port {port} of {host} is not available ({why}); choose another with --port.", EXIT_FAILED)
    url = f"http://{host}:{port}/"

    def invite(token: str) -> None:
        _print_code(f"{url}pair?token={token}")

    core = make_core(log_path, home=tank, host=host, port=port, shared=share, on_paired=invite)
    if share:
        typer.echo("The connection between phones and this computer is not encrypted.")
        invite(core.access.token)
        typer.echo("Stop with Ctrl-C.")
    else:
        typer.echo(f"Open {url} on this computer. Stop with Ctrl-C.")
    run(create_app(core), taken)
    typer.echo("Stopped. Saved readings are in the log.")


def _print_code(url: str) -> None:
    """Print an address that works once, as a code to be scanned and in letters."""
    import segno

    encoding = (sys.stdout.encoding or "").lower()
    if sys.stdout.isatty() and encoding.startswith("utf"):
        segno.make(url, micro=False).terminal(compact=True, border=2)
    typer.echo(f"Scan the code with your phone, or open {url} on it. Each code pairs one device.")
