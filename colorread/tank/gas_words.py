"""A planned charge of gas in words, the same in the terminal and on the page."""

from __future__ import annotations

from colorread.chemistry import with_other_unit
from colorread.result import Interval
from colorread.tank.day_words import night_words, timer_words
from colorread.tank.gas_plan import Fill, GasPlan, StartPlan
from colorread.tank.gas_recipe import MONOHYDRATE_PER_ACID, amount_words
from colorread.words import (
    SIGNS_OF_DISTRESS,
    SOURCE_WORDS,
    co2_words,
    date_words,
    days_words,
    gas_cautions,
    has_open_hose,
    if_distressed,
    number_words,
    percent_words,
)

Rows = tuple[tuple[str, str], ...]
"""A short label, empty where it is that of the row before, and what to do or know."""

_FERMENTING_CAUTION = (
    "Yeast past its date or kept warm starts late or not at all (hobby convention). Never tighten a cap without an "
    "open hose. Keep the mix out of the tank: a second bottle with water catches foam."
)
_ACID_CAUTION = (
    "Citric acid stings: gloves and goggles. Never mix acid, soda and water at once in a closed bottle; let the acid "
    "run to the soda as the bottle's supplier says."
)
_CHARGE_CAUTIONS = {
    "fermentation": (_FERMENTING_CAUTION,),
    "acid-bicarbonate": (_ACID_CAUTION,),
    "cylinder": ("Have cylinders filled and tested by their supplier. Never refill one yourself.",),
}


def plan_title(plan: GasPlan) -> str:
    """Return what a plan is of."""
    name = f" for {plan.tank.name}" if plan.tank.name != "tank" else ""
    kind = plan.tank.source_kind
    assert kind is not None
    return f"Gas{name}: {SOURCE_WORDS[kind]}, {plan.days:g} days"


def answer_lines(plan: GasPlan) -> tuple[str, ...]:
    """
    Return what to mix or fill, the answer of a plan.

    Parameters
    ----------
    plan : GasPlan
        The plan.

    Returns
    -------
    tuple of str
        A line each: grams, with ounces and kitchen measures beside.
    """
    if plan.mix is None:
        return f"{_mass(plan.gas_g)} of gas for {plan.days:g} days.", *map(_fill_words, plan.fills)
    mix = plan.mix
    parts = [f"{part.capitalize()}: {amount_words(part, amount)}" for part, amount in mix.parts.items()]
    size, share = (
        with_other_unit("fluid", mix.bottle_ml),
        "three quarters" if "yeast" in mix.parts else "half",
    )
    bottles = "1 bottle of" if mix.bottles == 1 else f"{mix.bottles} bottles, each of"
    return *parts, f"In {bottles} {size}, filled to {share} at most."


def plan_rows(plan: GasPlan) -> Rows:
    """
    Return what comes of a plan and how to go about it, after its answer.

    Parameters
    ----------
    plan : GasPlan
        The plan.

    Returns
    -------
    tuple of (str, str)
        Rows.
    """
    rows = [
        *_labelled("How", _mixing_words(plan)),
        ("Gives", _gives_words(plan)),
        ("Until", _until_words(plan)),
        ("Fish", _fish_words(plan)),
        ("Needs", _need_words(plan)),
    ]
    rows += _labelled("Dose it", dosing_words(plan))
    if plan.night is not None:
        rows.append(("Night", night_words(plan.night, plan.tank.judged_by.fish_mg_l)))
    if plan.timer is not None:
        rows.append(("Timer", timer_words(plan.timer)))
    if plan.outlook is not None:
        rows.append(("Now", plan.outlook.sentence))
    if plan.start_plan is not None:
        rows += _labelled("Start", start_words(plan.start_plan, plan))
    return tuple(rows)


def plan_cautions(plan: GasPlan) -> tuple[str, ...]:
    """
    Return what to beware of with a plan.

    Parameters
    ----------
    plan : GasPlan
        The plan.

    Returns
    -------
    tuple of str
        A line each.
    """
    kind, valve = plan.tank.source_kind, plan.tank.valve
    assert kind is not None
    return (
        *_CHARGE_CAUTIONS[kind],
        *gas_cautions(kind, valve),
        SIGNS_OF_DISTRESS,
        if_distressed(kind, valve),
        "A plan is no measurement. Take photos, and let them decide each step.",
    )


def dosing_words(plan: GasPlan) -> tuple[str, ...]:
    """
    Return what can be changed with this hardware, and what not.

    Parameters
    ----------
    plan : GasPlan
        The plan.

    Returns
    -------
    tuple of str
        A line each.
    """
    kind, valve = plan.tank.source_kind, plan.tank.valve
    by_depth = (
        "The deeper the diffuser hangs, the more dissolves: little near the surface, much deep and in the outflow "
        "(hobby convention)."
    )
    if kind == "fermentation":
        return (
            "A fermenting bottle cannot be stopped or turned down: the yeast goes on, and behind a closed valve the "
            "bottle bursts. So no valve, and no timer.",
            "Its size sets the dose: a smaller or larger charge, fewer or more bottles.",
            by_depth,
        )
    if valve == "none":
        return (
            "Without a needle valve the gas cannot be set finely. Fit one, and plan again with it.",
            by_depth,
        )
    regulator = "Regulator first, then the needle valve. " if kind == "cylinder" else ""
    lines = [f"{regulator}Open the needle valve slowly, and count the bubbles a minute to find the setting again."]
    if valve == "timer":
        lines.append(f"Set the timer valve to {plan.gas}. It closes when it has no current.")
    elif valve is None:
        lines.append("Enter which valve it has, for advice that fits it.")
    elif plan.gas.hours >= 24.0:
        lines.append("With a needle valve alone the gas runs day and night.")
    return (*lines, by_depth)


def start_words(start: StartPlan, plan: GasPlan) -> tuple[str, ...]:
    """
    Return the first days of a tank in words.

    Parameters
    ----------
    start : StartPlan
        Hours and steps.
    plan : GasPlan
        The plan that it belongs to.

    Returns
    -------
    tuple of str
        A line each, in order.
    """
    lines = [
        f"Fill the vial and put it into the water. Wait {start.first_photo_after_h:g} hours, then take the first "
        "photo, before any gas."
    ]
    if plan.tank.valve != "none" or plan.tank.source_kind == "fermentation":
        lines.append(_start_low_words(start, plan))
    if start.gas_on is not None and start.lights_on is not None:
        lines.append(
            f"Gas on at {start.gas_on:%H:%M}, lights on at {start.lights_on:%H:%M}. One to two hours between them is "
            "usual (hobby convention)."
        )
    if start.photos:
        hours = ", ".join(f"{clock:%H:%M}" for clock in start.photos)
        lines.append(f"On the first days, take photos at {hours}.")
    lines.append("Look at the fish after each step, and early in the morning.")
    return tuple(lines)


def _start_low_words(start: StartPlan, plan: GasPlan) -> str:
    steps = f"steps of at most a fifth, {start.step_days} days apart"
    if has_open_hose(plan.tank.source_kind, plan.tank.valve):
        return f"Start low: hang the diffuser near the surface. Then lower it in {steps}, after a photo each."
    low_g = number_words(_point(plan.dose_g_per_day * start.starts_with)).value
    return (
        f"Start low, with about {low_g} g a day. Then turn it up in {steps}, after a photo each: all of it after "
        f"{start.full_after_days} days or more."
    )


def _gives_words(plan: GasPlan) -> str:
    words = f"{_grams(plan.gives_g_per_day)} of CO2 a day into the water"
    if plan.starts_after_days is not None:
        after = "half a day to two days (hobby convention)"
        words += f"; {_grams(plan.first_days_g_per_day)} a day at first, after {after}"
    return f"{words}."


def _until_words(plan: GasPlan) -> str:
    lasts = plan.lasts_days
    first, last = plan.day_after(lasts.low), plan.day_after(lasts.high)
    what = "Change the cylinder" if plan.mix is None else "Refill it"
    refill, low, high, start = map(date_words, (plan.refill_on, first, last, plan.starts))
    return f"About {refill} ({low} to {high}), if started on {start}. {what} then."


def _fish_words(plan: GasPlan) -> str:
    limit = plan.tank.judged_by.fish_mg_l
    words = (
        f"Daily peak {co2_words(plan.first_peak_mg_l).short()} at first: {percent_words(plan.chance_above_limit)} "
        f"chance of passing {limit:g} mg/L."
    )
    if plan.is_held_back:
        words += " Kept below the target, as more could pass the fish limit."
    if plan.against_now is not None and plan.against_now > 1.2:
        words += f" That is {plan.against_now:.1f} times the gas of now: go up by at most a fifth every two days."
    return words


def _need_words(plan: GasPlan) -> str:
    basis = "from this tank's own days" if plan.is_of_days else "for a usual tank, so the interval is wide"
    volume = with_other_unit("volume", plan.tank.volume_l or 0.0)
    words = f"{_grams(plan.need_g_per_day)} a day for a daily peak of {plan.target_mg_l:g} mg/L in {volume}, {basis}."
    lights = "" if plan.tank.lights is not None else " Enter the hours of the lights to tell uptake by plants."
    return f"{words} {plan.no_days}{lights}".rstrip()


def _mixing_words(plan: GasPlan) -> tuple[str, ...]:
    if plan.mix is None:
        return ()
    if "yeast" in plan.mix.parts:
        return (
            "Dissolve the sugar in lukewarm water, then add fresh dry yeast: half a teaspoon a cup, up to a tablespoon "
            "for a fast start and an early end (hobby convention).",
        )
    acid_g = plan.mix.parts["citric acid"]
    hydrate = f"{acid_g * MONOHYDRATE_PER_ACID:.3g} g"
    return (f"That is anhydrous acid. Of the monohydrate, use {hydrate} with the same soda.",)


def _fill_words(fill: Fill) -> str:
    return f"A filling of {_mass(fill.gas_g)} lasts {days_words(fill.days).short()}."


def _labelled(label: str, lines: tuple[str, ...]) -> list[tuple[str, str]]:
    return [("" if i else label, line) for i, line in enumerate(lines)]


def _mass(gas_g: float) -> str:
    return with_other_unit("mass", float(f"{gas_g:.3g}"))


def _grams(mass_g: Interval) -> str:
    return number_words(mass_g, "g").short()


def _point(value: float) -> Interval:
    return Interval(value=value, low=None, high=None)
