"""The command that shows everything on made-up tanks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from colorread.cli.options import EXIT_FAILED, fail

EPILOG = "Example: colorread demo --out demo"


def demo(
    out: Annotated[
        Path, typer.Option(help="Folder for log, profile and reports; made if missing.", metavar="DIR")
    ] = Path("colorread-demo"),
) -> None:
    """Show the tool on three made-up tanks with rendered photos, and print where the reports are."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    from colorread.demo import DEMO_LOG, find_images, run_demo
    from colorread.gas_care import gas_cautions
    from colorread.log.store import LogError
    from colorread.verdict import WATCH_CAUTIONS

    console, stdout = Console(stderr=True), Console(highlight=False)
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / DEMO_LOG).exists())):
        fail(f"{out} holds other things; name an empty or new folder with --out.")
    try:
        out.mkdir(parents=True, exist_ok=True)
        with console.status("Starting") as status:
            tanks = run_demo(out, find_images(), on_step=status.update)
    except LogError as error:
        fail(str(error), EXIT_FAILED)
    except OSError as error:
        fail(f"The demonstration could not be written to {out}: {error.strerror or error}.", EXIT_FAILED)
    stdout.print("Made-up data: three tanks in the reading room of a public library, with rendered photos.")
    for tank in tanks:
        summary = tank.summary
        stdout.print()
        stdout.print(f"[bold]{summary.tank.name}[/bold]: {summary.n_read} read, {summary.n_refused} not read")
        for sentence in summary.headline:
            stdout.print(Padding(Text(sentence), (0, 0, 0, 2)))
        stdout.print(Text(f"  Report: {tank.report}"), soft_wrap=True)
    stdout.print()
    for caution in (*WATCH_CAUTIONS, *gas_cautions(None)):
        stdout.print(Text(f"Caution: {caution}"))
