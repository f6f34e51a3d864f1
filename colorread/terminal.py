"""Readings and recipes as text for a terminal, in words and symbols, never by color alone."""

from __future__ import annotations

from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from colorread.flags import flag_text
from colorread.fluid import CAUTIONS, RENEWAL, DyeDose, FluidRecipe, RoomAirColor
from colorread.reading import Interval, Reading
from colorread.verdict import PLANTS_HIGH_MG_L, PLANTS_LOW_MG_L

_SCALE_END_MG_L = 60.0
_FISH_SYMBOLS = {"no concern read": "(-)", "watch": "(!)", "act": "(!!)"}
_FISH_STYLES = {"no concern read": "bold", "watch": "bold yellow", "act": "bold red"}
_TIME_WORDS = {
    "exif with offset": "from the photo, with its time zone",
    "exif without offset": "from the photo, time zone unknown",
    "file time": "time of the file, the photo holds none",
    "unknown": "",
}


def print_reading(console: Console, reading: Reading) -> None:
    """
    Print one reading, what matters most first.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    reading : Reading
        Read or refused.
    """
    console.print(Text(reading.photo, style="bold underline"))
    if reading.reason is not None:
        console.print(Text("(x) Not read: ", style="bold").append(reading.reason.message, style="not bold"))
        console.print(Text("    What to do: ").append(reading.reason.next_step))
    else:
        _print_numbers(console, reading)
    if reading.taken_at is not None:
        when = f"{reading.taken_at:%Y-%m-%d %H:%M}{reading.taken_at:%z}"
        console.print(Text(f"Taken {when} ({_TIME_WORDS[reading.time_source]})", style="dim"))
    if reading.reason is None:
        _print_details(console, reading)
    console.print()


def print_summary(console: Console, readings: list[Reading]) -> None:
    """
    Print a table of several readings.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    readings : list of Reading
        In the order in which they were given.
    """
    table = Table(title="Summary", title_justify="left")
    for name in ("photo", "CO2 mg/L", "90 %", "fish"):
        table.add_column(name, overflow="fold")
    for reading in readings:
        if reading.co2_mg_l is None or reading.verdict is None:
            table.add_row(reading.photo, "not read", reading.reason.code if reading.reason else "", "")
        else:
            value = "-" if reading.co2_mg_l.value is None else f"{reading.co2_mg_l.value:.0f}"
            table.add_row(
                reading.photo,
                value,
                interval_words(reading.co2_mg_l, ".0f"),
                f"{_FISH_SYMBOLS[reading.verdict.fish]} {reading.verdict.fish}",
            )
    console.print(table)


def print_fluid(console: Console, recipe: FluidRecipe, dose: DyeDose, air: RoomAirColor, vial_ml: float) -> None:
    """
    Print how to mix the fluid.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    recipe : FluidRecipe
        Stock and dilutions.
    dose : DyeDose
        Drops of dye for the vial.
    air : RoomAirColor
        Color to expect in room air.
    vial_ml : float
        Fluid that the vial takes [mL].
    """
    error, direct = recipe.error, recipe.error_weighed_directly
    steps = [
        f"Stock: dissolve {recipe.baking_soda_g:g} g baking soda in pure water and fill up to {recipe.stock_ml:g} mL "
        f"({recipe.stock_kh_dkh:.0f} dKH).",
        f"First dilution: {recipe.first.portion_ml:g} mL of the stock, filled up with pure water to "
        f"{recipe.first.total_ml:g} mL ({recipe.first.kh_dkh:.1f} dKH).",
        f"Fluid: {recipe.second.portion_ml:g} mL of the first dilution, filled up with pure water to "
        f"{recipe.second.total_ml:g} mL ({recipe.second.kh_dkh:.2f} dKH).",
        f"Dye: {dose.drops} drops of 0.04 % bromothymol blue in {vial_ml:g} mL of fluid (common practice 2 to 5 drops "
        f"in 2 to 5 mL); the drops thin the fluid by {abs(dose.dilution_percent):.1f} %.",
    ]
    console.print(Text(f"Fluid of {recipe.kh_dkh:.2f} dKH", style="bold underline"))
    for number, step in enumerate(steps, 1):
        console.print(Text(f"{number}. {step}"))
    console.print(
        f"\nHow exact: KH within {error.kh_error_percent:.1f} %, so every CO2 reading within "
        f"{error.co2_error_percent:.1f} % from this. Weighing {recipe.direct_baking_soda_g:.3f} g directly would be "
        f"off by up to {direct.kh_error_percent:.0f} %.",
        highlight=False,
    )
    console.print(f"Check: {air.text}", highlight=False)
    console.print(RENEWAL, highlight=False)
    _print_cautions(console, CAUTIONS)


def interval_words(interval: Interval, form: str) -> str:
    """
    Return an interval in words.

    Parameters
    ----------
    interval : Interval
        One end may be open.
    form : str
        Format of a number.

    Returns
    -------
    str
        Such as ``13 to 24``, ``above 28``.
    """
    if interval.low is None:
        return f"below {interval.high:{form}}"
    if interval.high is None:
        return f"above {interval.low:{form}}"
    return f"{interval.low:{form}} to {interval.high:{form}}"


def co2_scale(co2_mg_l: Interval, width: int) -> str:
    """
    Draw the interval on a scale of 0 to 60 mg/L.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval [mg/L].
    width : int
        Characters for the scale.

    Returns
    -------
    str
        Two lines: ``=`` the interval, ``O`` the value, ``<`` or ``>`` where it goes on; below the plants' marks.
    """

    def column(value: float) -> int:
        return min(max(round(value / _SCALE_END_MG_L * (width - 1)), 0), width - 1)

    low = 0.0 if co2_mg_l.low is None else co2_mg_l.low
    high = _SCALE_END_MG_L if co2_mg_l.high is None else co2_mg_l.high
    bar = ["."] * width
    for index in range(column(low), column(high) + 1):
        bar[index] = "="
    if co2_mg_l.value is not None:
        bar[column(co2_mg_l.value)] = "O"
    if co2_mg_l.low is None:
        bar[0] = "<"
    if co2_mg_l.high is None or high > _SCALE_END_MG_L:
        bar[-1] = ">"
    marks = [" "] * (width + 3)
    for value in (0.0, PLANTS_LOW_MG_L, PLANTS_HIGH_MG_L, 45.0, _SCALE_END_MG_L):
        label = f"{value:.0f}"
        start = min(column(value), width + 3 - len(label))
        marks[start : start + len(label)] = label
    return "".join(bar) + "\n" + "".join(marks).rstrip()


def _print_numbers(console: Console, reading: Reading) -> None:
    assert reading.verdict is not None
    assert reading.co2_mg_l is not None
    assert reading.ph is not None
    fish = reading.verdict.fish
    console.print(Text(f"{_FISH_SYMBOLS[fish]} {reading.verdict.sentences[1]}", style=_FISH_STYLES[fish]))
    console.print(Text(reading.verdict.sentences[0]))
    co2 = reading.co2_mg_l
    words = interval_words(co2, ".0f")
    if co2.value is None:
        console.print(Text(f"CO2 {words} mg/L", style="bold").append(" (one-sided, 95 %)", style="not bold"))
    else:
        console.print(Text(f"CO2 {co2.value:.0f} mg/L", style="bold").append(f", 90 %: {words} mg/L", style="not bold"))
    width = max(20, min(60, console.width - 8))
    console.print(Text(co2_scale(co2, width), no_wrap=True))
    ph = reading.ph
    shown = (
        f"pH {interval_words(ph, '.2f')}"
        if ph.value is None
        else f"pH {ph.value:.2f}, 90 %: " + interval_words(ph, ".2f")
    )
    console.print(Text(f"{shown} in the vial"))
    if reading.tank_ph is not None:
        expected = reading.tank_ph
        middle = "" if expected.value is None else f"{expected.value:.2f}, 90 %: "
        console.print(
            Text(
                f"A probe in the tank ({reading.tank_kh_dkh:g} dKH) should show pH {middle}"
                f"{interval_words(expected, '.2f')}; a clear mismatch means other acids, a drifting probe or stale "
                "fluid."
            )
        )


def _print_details(console: Console, reading: Reading) -> None:
    words = {
        "kh": f"KH of the fluid {reading.kh_dkh:g} dKH",
        "temperature": f"{reading.temperature_c:g} C",
        "light": "light unknown",
    }
    stated = [text for name, text in words.items() if name not in reading.assumed]
    assumed = [text for name, text in words.items() if name in reading.assumed]
    if assumed:
        console.print(Text("Assumed: " + ", ".join(assumed) + ".", style="dim"))
    if stated:
        stated_words = [text if text != "light unknown" else f"light {reading.light}" for text in stated]
        console.print(Text("Stated: " + ", ".join(stated_words) + ".", style="dim"))
    if reading.co2_rule_of_thumb_mg_l is not None:
        console.print(
            Text(
                f"The customary rule 3 x KH x 10^(7 - pH) would say {reading.co2_rule_of_thumb_mg_l:.0f} mg/L "
                "(common practice; it reads 6 to 17 % low).",
                style="dim",
            )
        )
    total = sum(std**2 for std in reading.budget.values())
    if total > 0.0:
        shares = sorted(reading.budget.items(), key=lambda item: -item[1])
        text = ", ".join(f"{source} {100.0 * std**2 / total:.0f} %" for source, std in shares)
        console.print(Text(f"Where the uncertainty comes from: {text}.", style="dim"))
    for code in reading.flags:
        console.print(Text(f"Note, {code}: {flag_text(code)}."))
    if reading.verdict is not None:
        _print_cautions(console, reading.verdict.cautions)


def _print_cautions(console: Console, cautions: tuple[str, ...]) -> None:
    text = Text("\n").join(Text(f"- {caution}") for caution in cautions)
    console.print(Panel(text, title="Cautions", title_align="left", width=min(console.width, 100)))
