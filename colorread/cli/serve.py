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

Without --share only this machine can open the page. With it, phones on the home network can, each after it was paired
once with a code from the terminal; what they send goes unencrypted through the home network. Stop with Ctrl-C."""
_EXTRA = 'The page needs more packages; in the folder of this program: pip install ".[page]".'


def serve(
    tank: Annotated[str | None, typer.Option(help="Tank in the log that is shown first.", metavar="NAME")] = None,
    port: Annotated[int, number("Port of the page.", "PORT", 1, 65535, kind=int)] = 8300,
    share: Annotated[
        bool, typer.Option("--share", help="Let phones on the home network in, each after pairing.")
    ] = False,
    address: Annotated[
        str | None,
        typer.Option(help="Address of this machine in the home network, where the wrong one is found.", metavar="IP"),
    ] = None,
    forget_phones: Annotated[
        bool, typer.Option("--forget-phones", help="Let all phones that were paired pair again.")
    ] = False,
    log: LogFile = None,
) -> None:
    """Serve a page on this machine: take photos with the phone, see the reading, keep it in the log."""
    if address is not None and not share:
        fail("--address belongs to --share.")
    try:
        import fastapi  # noqa: F401
        import python_multipart  # noqa: F401
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
    if forget_phones:
        from colorread.page.access import devices_path

        devices_path(path).unlink(missing_ok=True)
        typer.echo("No phone is paired any more.")
    _run(path, tank, host, port, share)


def _run(log_path: Path, tank: str | None, host: str, port: int, share: bool) -> None:
    from colorread.page.app import create_app
    from colorread.page.network import listen
    from colorread.page.server import make_core, run

    try:
        taken = listen(host, port)
    except OSError as error:
        why = error.strerror or error
        fail(f"Port {port} of {host} cannot be used: {why}; choose another with --port.", EXIT_FAILED)
    url = f"http://{host}:{port}/"

    def invite(code: str) -> None:
        _print_code(url, code)

    try:
        core = make_core(log_path, home=tank, host=host, port=port, shared=share, on_paired=invite, tell=typer.echo)
    except (OSError, ValueError) as error:
        fail(f"The page cannot be served: {error}", EXIT_FAILED)
    if share:
        typer.echo("What phones and this machine send each other goes unencrypted through the home network.")
        invite(core.access.code)
        typer.echo("Stop with Ctrl-C.")
    else:
        typer.echo(f"The page is at {url} on this machine. Stop with Ctrl-C.")
    run(create_app(core), taken)
    typer.echo("Stopped; what was kept is in the log.")


def _print_code(url: str, code: str) -> None:
    """Print a code that works once, to be scanned where the terminal can show it, and to be typed."""
    import segno

    encoding = (sys.stdout.encoding or "").lower()
    words = f"On the phone, open {url} and type the code {code[:5]} {code[5:]}."
    if sys.stdout.isatty() and encoding.startswith("utf"):
        segno.make(f"{url}pair?code={code}", micro=False).terminal(compact=True, border=2)
        words = f"Scan this with the phone. Or: {words}"
    typer.echo(f"{words} It pairs one device; then a new code is shown.")
