"""The commands to start with: sheets to print, and the fluid to mix."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

import calibration
from colorread import chemistry, limits, words
from colorread.cli import common, screen

_Paper = Annotated[Literal["a4", "letter"], typer.Option(help="Size of the sheet.")]
_CARD = common.output("PDF file to write, card.pdf or tag.pdf where not given.", "FILE", ".pdf", show_default=False)


def card(
    out: Annotated[Path | None, _CARD] = None,
    tag: Annotated[bool, typer.Option("--tag", help="The small tag that hangs in the tank behind the vial.")] = False,
    paper: _Paper = "a4",
    force: common.Force = False,
) -> None:
    """
    Write a print-ready sheet of cards, or of tags, at true size, in black ink only.

    Examples
    --------
    colorread card --tag --out tag.pdf --paper letter
    """
    out = out or Path("tag.pdf" if tag else "card.pdf")
    common.require_outputs([out], force)
    data = calibration.render_tag_sheet(paper=paper) if tag else calibration.render_card_sheet(paper=paper)
    common.write(out, data)
    bar_mm = (calibration.load_tag() if tag else calibration.load_card()).scale_bar.length_mm
    typer.echo(f"Wrote {out}. Print it at 100 %, then check with a ruler that the scale bar is {bar_mm:.0f} mm long.")


def chart(
    out: Annotated[Path, common.output("PDF file to write.", "FILE", ".pdf")] = Path("chart.pdf"),
    kh: Annotated[
        float, common.number("KH of the fluid in dKH, for the labels of CO2.", "DKH", *limits.KH_RANGE_DKH)
    ] = 4.0,
    temperature: Annotated[
        float,
        common.number(
            "Temperature of the water in degrees C, for the labels of CO2.", "C", *limits.TEMPERATURE_RANGE_C
        ),
    ] = 25.0,
    paper: _Paper = "a4",
    force: common.Force = False,
) -> None:
    """
    Write color charts for comparing by eye, pH 6.0 to 7.6 with CO2, and blank cards for photos.

    Examples
    --------
    colorread chart --out chart.pdf --kh 4 --temperature 25
    """
    common.require_outputs([out], force)
    co2_mg_l = chemistry.co2_from_ph(calibration.CHART_PH, kh, temperature_c=temperature).tolist()
    data = calibration.render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=kh, temperature_c=temperature, paper=paper)
    common.write(out, data)
    typer.echo(f"Wrote {out}. Print it in color at 100 %. Printers differ, so its colors are approximate.")


def fluid(
    kh: Annotated[float, common.number("KH you want, in dKH.", "DKH", *limits.TARGET_KH_RANGE_DKH)] = 4.0,
    volume: Annotated[float, common.number("Amount of fluid, in mL.", "ML", *limits.FLUID_VOLUME_RANGE_ML)] = 1000.0,
    scale_error: Annotated[
        float, common.number("Accuracy of your scale, plus or minus, in g.", "G", 0.0, limits.SCALE_ERROR_MAX_G)
    ] = 0.1,
    vial_volume: Annotated[float, common.number("Fluid in the vial, in mL.", "ML", *limits.VIAL_VOLUME_RANGE_ML)] = 5.0,
    temperature: Annotated[
        float, common.number("Room temperature in degrees C.", "C", *limits.TEMPERATURE_RANGE_C)
    ] = 22.0,
    as_json: common.JsonObject = False,
) -> None:
    """
    Show how to mix the KH fluid, the drops of dye, and the color to expect in room air.

    Examples
    --------
    colorread fluid --kh 4 --volume 1000 --scale-error 0.1
    """
    from colorread.records import plain

    with common.exit_on(ValueError):
        recipe = chemistry.fluid_recipe(kh, volume, scale_error_g=scale_error)
        dose = chemistry.dye_drops(vial_volume, kh_dkh=recipe.kh_dkh)
        air = chemistry.color_in_room_air(kh, temperature)
    if as_json:
        room_air = {**plain(air), "text": words.room_air_words(air)}
        parts = {"recipe": recipe, "dye": dose, "room_air": room_air}
        common.echo_json(
            [{"schema": "colorread.fluid/1", **parts, "renewal": chemistry.RENEWAL, "cautions": chemistry.CAUTIONS}]
        )
    else:
        terminal = screen.Terminal()
        terminal.say(f"Fluid of {recipe.kh_dkh:.2f} dKH, {recipe.second.total_ml:g} mL", "bold underline")
        terminal.rows(words.fluid_rows(recipe, dose, air, vial_volume, option=f", --kh {dose.kh_in_vial_dkh:.2f}"))
        terminal.print()
        terminal.frame("Cautions", chemistry.CAUTIONS)
