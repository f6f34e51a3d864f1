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
    from rich.text import Text

    from colorread.cli.show_tank import print_now
    from colorread.demo import DEMO_LOG, find_images, run_demo
    from colorread.log import LogError

    console, stdout = Console(stderr=True), Console(highlight=False)
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / DEMO_LOG).exists())):
        fail(f"{out} is not empty; choose an empty or new folder with --out.")
    try:
        out.mkdir(parents=True, exist_ok=True)
        with console.status("Starting") as status:
            tanks = run_demo(out, find_images(), on_step=status.update)
    except LogError as error:
        fail(str(error), EXIT_FAILED)
    except OSError as error:
        fail(f"Could not write the demo to {out}: {error.strerror or error}.", EXIT_FAILED)
    stdout.print("Made-up data: three tanks in a library reading room, with rendered photos.")
    for tank in tanks:
        summary = tank.summary
        stdout.print()
        print_now(stdout, summary, where="the report")
        stdout.print(Text(f"Report    {tank.report}"), soft_wrap=True)
