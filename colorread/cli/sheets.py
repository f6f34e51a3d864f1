"""The commands that write what is to be printed: card, tag and color chart."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from colorread.cli.options import number, require_new, require_suffix, writing
from colorread.limits import KH_RANGE_DKH, TEMPERATURE_RANGE_C

_Paper = Annotated[Literal["a4", "letter"], typer.Option(help="Size of the sheet.")]


def card(
    out: Annotated[
        Path | None,
        typer.Option(
            help="PDF file to write, card.pdf or tag.pdf where not given.", metavar="FILE", show_default=False
        ),
    ] = None,
    tag: Annotated[bool, typer.Option("--tag", help="The small tag that hangs in the tank behind the vial.")] = False,
    paper: _Paper = "a4",
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
) -> None:
    """Write a print-ready sheet of cards, or of tags, at true size, in black ink only."""
    out = out or Path("tag.pdf" if tag else "card.pdf")
    _require_pdf(out, force)
    from calibration import load_card, load_tag, render_card_sheet, render_tag_sheet, write_whole

    data = render_tag_sheet(paper=paper) if tag else render_card_sheet(paper=paper)
    with writing(out):
        write_whole(out, data)
    bar_mm = (load_tag() if tag else load_card()).scale_bar.length_mm
    typer.echo(f"Wrote {out}. Print it at 100 %, then check with a ruler that the scale bar is {bar_mm:.0f} mm long.")


def chart(
    out: Annotated[Path, typer.Option(help="PDF file to write.", metavar="FILE")] = Path("chart.pdf"),
    kh: Annotated[float, number("KH of the fluid in dKH, for the labels of CO2.", "DKH", *KH_RANGE_DKH)] = 4.0,
    temperature: Annotated[
        float, number("Temperature of the water in degrees C, for the labels of CO2.", "C", *TEMPERATURE_RANGE_C)
    ] = 25.0,
    paper: _Paper = "a4",
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
) -> None:
    """Write color charts for comparing by eye, pH 6.0 to 7.6 with CO2, and blank cards for photos."""
    _require_pdf(out, force)
    from calibration import CHART_PH, render_chart_sheet, write_whole
    from colorread.chemistry import co2_from_ph

    co2_mg_l = co2_from_ph(CHART_PH, kh, temperature_c=temperature).tolist()
    data = render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=kh, temperature_c=temperature, paper=paper)
    with writing(out):
        write_whole(out, data)
    typer.echo(f"Wrote {out}. Print it in color at 100 %. Printers differ, so its colors are approximate.")


def _require_pdf(out: Path, force: bool) -> None:
    require_suffix("--out", out, ".pdf")
    require_new(out, force)
