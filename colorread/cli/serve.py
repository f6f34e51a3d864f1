"""The command that serves the local page."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from colorread.cli.log import LogFile, open_log
from colorread.cli.options import EXIT_FAILED, fail, number
from colorread.cli.profile import prepare_defaults

EPILOG = """\b
Examples:
  colorread serve
  colorread serve --share
  colorread serve --tank window --share --port 8300

Without --share, only this computer can open the page. With it, phones on your home network can, once paired with a code
from the terminal. The connection is not encrypted. Stop with Ctrl-C."""
_EXTRA = 'The page needs more packages. In the program folder, run: pip install ".[page]"'


def serve(
    tank: Annotated[str | None, typer.Option(help="Tank to show first.", metavar="NAME")] = None,
    port: Annotated[int, number("Port of the page.", "PORT", 1, 65535, kind=int)] = 8300,
    share: Annotated[bool, typer.Option("--share", help="Let paired phones on the home network in.")] = False,
    address: Annotated[
        str | None,
        typer.Option(help="Address of this computer, if the wrong one is found.", metavar="IP"),
    ] = None,
    forget_phones: Annotated[bool, typer.Option("--forget-phones", help="Unpair all phones.")] = False,
    log: LogFile = None,
) -> None:
    """Open a page on this computer: take photos with your phone, see the reading, save it in the log."""
    if address is not None and not share:
        fail("--address needs --share.")
    try:
        import fastapi  # noqa: F401
        import python_multipart  # noqa: F401
        import segno  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError:
        fail(_EXTRA, EXIT_FAILED)
    from colorread.page import home_address, require_home

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
    prepare_defaults(log)
    if forget_phones:
        from colorread.page import devices_path

        devices_path(path).unlink(missing_ok=True)
        typer.echo("No phone is paired any more.")
    _run(path, tank, host, port, share)


def _run(log_path: Path, tank: str | None, host: str, port: int, share: bool) -> None:
    from colorread.page import Core, create_app, listen, run

    try:
        taken = listen(host, port)
    except OSError as error:
        why = error.strerror or error
        fail(f"Port {port} of {host} is not available ({why}); choose another with --port.", EXIT_FAILED)
    url = f"http://{host}:{port}/"

    def invite(code: str) -> None:
        _print_code(url, code)

    try:
        core = Core(log_path, home=tank, host=host, port=port, shared=share, on_paired=invite, tell=typer.echo)
    except (OSError, ValueError) as error:
        fail(f"The page could not start: {error}", EXIT_FAILED)
    if share:
        typer.echo("The connection between phones and this computer is not encrypted.")
        invite(core.access.code)
        typer.echo("Stop with Ctrl-C.")
    else:
        typer.echo(f"Open {url} on this computer. Stop with Ctrl-C.")
    run(create_app(core), taken)
    typer.echo("Stopped. Saved readings are in the log.")


def _print_code(url: str, code: str) -> None:
    """Print a code that works once, to be scanned where the terminal can show it, and to be typed."""
    import segno

    encoding = (sys.stdout.encoding or "").lower()
    words = f"On your phone, open {url} and type the code {code[:5]} {code[5:]}."
    if sys.stdout.isatty() and encoding.startswith("utf"):
        segno.make(f"{url}pair?code={code}", micro=False).terminal(compact=True, border=2)
        words = f"Scan this with your phone. Or: {words}"
    typer.echo(f"{words} Each code pairs one device.")
