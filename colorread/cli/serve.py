"""The command that serves the local page."""

from __future__ import annotations

import sys
from functools import partial
from importlib.util import find_spec
from typing import Annotated

import typer

from colorread import log as log_room, page
from colorread.cli import common

_EXTRA = 'The page needs more packages. In the program folder, run: pip install ".[page]"'


def serve(
    tank: Annotated[str | None, typer.Option(help="Tank to show first.", metavar="NAME")] = None,
    port: Annotated[int, common.number("Port of the page.", "PORT", 1, 65535, kind=int)] = 8300,
    share: Annotated[bool, typer.Option("--share", help="Let paired phones on your home network open it.")] = False,
    address: Annotated[
        str | None, typer.Option(help="Address of this computer, if the wrong one is found.", metavar="IP")
    ] = None,
    forget_phones: Annotated[bool, typer.Option("--forget-phones", help="Unpair all phones.")] = False,
    log: common.LogFile = None,
) -> None:
    """
    Open a page on this computer: take photos with your phone, see the reading, save it in the log.

    Examples
    --------
    colorread serve
    colorread serve --share
    colorread serve --tank window --share --port 8300

    Without --share, only this computer can open the page. With it, phones on your home network can, once paired with a
    code from the terminal. The connection is not encrypted. Stop with Ctrl-C.
    """
    if address is not None and not share:
        common.fail("--address needs --share.")
    if any(find_spec(name) is None for name in ("fastapi", "python_multipart", "segno", "uvicorn")):
        common.fail(_EXTRA, common.EXIT_FAILED)
    host = "127.0.0.1"
    if share:
        with common.exit_on(ValueError):
            host = page.home_address() if address is None else page.require_home_address(address)
    with common.open_log(log, create=True) as opened:
        path = opened.path
        if tank is not None:
            opened.tank(tank)
    common.prepare_defaults(log)
    if forget_phones:
        page.devices_path(path).unlink(missing_ok=True)
        typer.echo("All phones are unpaired.")
    try:
        taken = page.listen(host, port)
    except OSError as error:
        why = error.strerror or error
        common.fail(f"Port {port} of {host} is not available ({why}); choose another with --port.", common.EXIT_FAILED)
    url = f"http://{host}:{port}/"
    invite = partial(_print_code, url)
    try:
        devices_path = page.devices_path(path)
        access = page.Access(host=host, port=port, shared=share, devices_path=devices_path, on_paired=invite)
        core = page.Core(path, access, home=tank, tell=typer.echo)
    except (OSError, log_room.LogFailure) as error:
        common.fail(f"The page could not start: {error}", common.EXIT_FAILED)
    if share:
        typer.echo("The connection between phones and this computer is not encrypted.")
        invite(access.code)
        typer.echo("Stop with Ctrl-C.")
    else:
        typer.echo(f"Open {url} on this computer. Stop with Ctrl-C.")
    page.run(page.create_app(core), taken)
    typer.echo("Stopped. Saved readings are in the log.")


def _print_code(url: str, code: str) -> None:
    """Print a code that works once, to type or, where the terminal can show it, to scan."""
    import segno

    encoding = (sys.stdout.encoding or "").lower()
    words = f"On your phone, open {url} and type the code {code[:5]} {code[5:]}."
    if sys.stdout.isatty() and encoding.startswith("utf"):
        segno.make(f"{url}pair?code={code}", micro=False).terminal(compact=True, border=2)
        words = f"Scan this with your phone. Or: {words}"
    typer.echo(f"{words} Each code pairs one device.")
