"""The command that gives the recipe of the KH fluid."""

from __future__ import annotations

from typing import Annotated

import typer

from colorread.cli.options import fail, number
from colorread.limits import (
    FLUID_VOLUME_RANGE_ML,
    SCALE_ERROR_MAX_G,
    TARGET_KH_RANGE_DKH,
    TEMPERATURE_RANGE_C,
    VIAL_VOLUME_RANGE_ML,
)


def fluid(
    kh: Annotated[float, number("KH you want, in dKH.", "DKH", *TARGET_KH_RANGE_DKH)] = 4.0,
    volume: Annotated[float, number("Amount of fluid, in mL.", "ML", *FLUID_VOLUME_RANGE_ML)] = 1000.0,
    scale_error: Annotated[
        float, number("Accuracy of your scale, plus or minus, in g.", "G", 0.0, SCALE_ERROR_MAX_G)
    ] = 0.1,
    vial_volume: Annotated[float, number("Fluid in the vial, in mL.", "ML", *VIAL_VOLUME_RANGE_ML)] = 5.0,
    temperature: Annotated[float, number("Room temperature in degrees C.", "C", *TEMPERATURE_RANGE_C)] = 22.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
) -> None:
    """Show how to mix the KH fluid, the drops of dye, and the color to expect in room air."""
    from colorread.chemistry import CAUTIONS, RENEWAL, color_in_room_air, dye_drops, fluid_recipe

    try:
        recipe = fluid_recipe(kh, volume, scale_error_g=scale_error)
        dose = dye_drops(vial_volume, kh_dkh=recipe.kh_dkh)
        air = color_in_room_air(kh, temperature)
    except ValueError as error:
        fail(str(error))
    if as_json:
        import json
        from dataclasses import asdict

        from colorread.words import room_air_words

        room_air = {**asdict(air), "text": room_air_words(air)}
        parts = {"recipe": asdict(recipe), "dye": asdict(dose), "room_air": room_air}
        typer.echo(json.dumps({"schema": "colorread.fluid/1", **parts, "renewal": RENEWAL, "cautions": CAUTIONS}))
    else:
        from rich.console import Console

        from colorread.cli.show_reading import print_fluid

        print_fluid(Console(highlight=False), recipe, dose, air, vial_volume)
