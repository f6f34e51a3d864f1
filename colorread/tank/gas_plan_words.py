"""A gas plan in words, the same in the terminal, on the page and in JSON."""

from __future__ import annotations

from typing import Any

from colorread import words
from colorread.chemistry import with_other_unit
from colorread.records import Kept, plain
from colorread.result import Interval
from colorread.tank.advice import handling_of
from colorread.tank.advice_words import SET_BY
from colorread.tank.charge import MONOHYDRATE_PER_ACID, SUGAR_G_PER_CUP, YEAST_G_PER_TSP, Substance
from colorread.tank.gas_plan import GasPlan, StartPlan
from colorread.tank.tank_words import AERATE, night_words, timer_words

_PER_CUP = {"cup": 1.0, "tbsp": 16.0, "tsp": 48.0}
# Level US cups; a teaspoon of baking soda or citric acid weighs 4.6 g: common practice, no source.
_G_PER_CUP: dict[Substance, float] = {
    "sugar": SUGAR_G_PER_CUP,
    "yeast": YEAST_G_PER_TSP * 48.0,
    "citric acid": 4.6 * 48.0,
    "baking soda": 4.6 * 48.0,
}
_SPOON_ERROR = 0.05  # nobody fills a spoon more accurately: assumption
_QUARTERS = ("", "¼", "½", "¾")
_OLD_DAYS = 14  # days since the last reading; plants and surface may have changed after that: assumption
# What the sentences here say about yeast and its doses, depth and hours: common practice, no source.
_BY_DEPTH = (
    "The deeper the diffuser hangs, the more gas dissolves: little near the surface, much at depth and in the outflow."
)


def plan_title(plan: GasPlan) -> str:
    """Return the title of a plan: tank, gas source and days."""
    name = f" for {plan.tank.name}" if plan.tank.name != "tank" else ""
    return f"Gas{name}: {words.SOURCE_WORDS[_kind_of(plan)]}, {plan.days:g} days"


def answer_lines(plan: GasPlan) -> tuple[str, ...]:
    """
    Return what to mix or fill, which is the answer of a plan.

    Parameters
    ----------
    plan : GasPlan
        Plan of a charge.

    Returns
    -------
    tuple of str
        Lines with grams, and ounces and kitchen measures in brackets.
    """
    mix = plan.mix
    if mix is None:
        fills = (f"A fill of {_mass(fill.gas_g)} lasts {words.days_words(fill.days).short()}." for fill in plan.fills)
        return f"{_mass(plan.gas_g)} of gas for {plan.days:g} days.", *fills
    parts = [f"{part.capitalize()}: {amount_words(part, amount)}" for part, amount in mix.parts.items()]
    bottles = "1 bottle of" if mix.bottles == 1 else f"{mix.bottles} bottles, each of"
    share = "three quarters" if "yeast" in mix.parts else "half"
    return *parts, f"In {bottles} {with_other_unit('fluid', mix.bottle_ml)}, at most {share} full."


def plan_rows(plan: GasPlan) -> tuple[tuple[str, str], ...]:
    """
    Return what follows the answer: how to carry a plan out, and what to expect.

    Parameters
    ----------
    plan : GasPlan
        Plan of a charge.

    Returns
    -------
    tuple of (str, str)
        Rows of a short label, empty if it is the same as in the row above, and a text.
    """
    sections: dict[str, tuple[str, ...]] = {
        "How": _mixing_lines(plan),
        "Gives": (_gives_words(plan),),
        "Until": (_until_words(plan),),
        "Fish": (_fish_words(plan),),
        "Needs": (_need_words(plan),),
        "Dose it": _dosing_lines(plan),
        "Night": _night_lines(plan),
        "Timer": () if plan.timer is None else (timer_words(plan.timer),),
        "Now": () if plan.outlook is None else (plan.outlook.sentence,),
        "Start": () if plan.start_plan is None else _start_lines(plan, plan.start_plan),
    }
    return tuple(("" if i else label, line) for label, lines in sections.items() for i, line in enumerate(lines))


def plan_cautions(plan: GasPlan) -> tuple[str, ...]:
    """
    Return the cautions of a plan.

    Parameters
    ----------
    plan : GasPlan
        Plan of a charge.

    Returns
    -------
    tuple of str
        One caution each.
    """
    kind = _kind_of(plan)
    return (
        words.charge_caution(kind),
        *words.gas_cautions(kind, plan.tank.valve),
        *words.watch_cautions(plan.tank.judged_by),
        "A plan is not a measurement; its rules of thumb are hobby convention. Take photos to decide each step.",
    )


def plan_to_dict(plan: GasPlan) -> dict[str, Any]:
    """
    Return a plan as plain values for programs.

    Parameters
    ----------
    plan : GasPlan
        Plan of a charge.

    Returns
    -------
    dict
        The parameters of `GasPlan` by name, with ``refill_on`` and the words.
    """
    return {
        "schema": "colorread.gas/1",
        **plain(plan, Kept(significant=4)),
        "tank": plain(plan.tank),
        "refill_on": plain(plan.refill_on),
        "answer": plain(answer_lines(plan)),
        "rows": plain(plan_rows(plan)),
        "cautions": plain(plan_cautions(plan)),
    }


def amount_words(substance: Substance, amount: float) -> str:
    """Return an amount in g, or mL of water, with other units, such as ``142 g (5.01 oz, 11 ¼ tbsp)``."""
    if substance == "water":  # fluid ounces are kitchen measures already
        return with_other_unit("fluid", amount)
    kitchen = _kitchen_words(amount / _G_PER_CUP[substance])
    if substance == "yeast":  # only a few hundredths of an ounce
        return f"{amount:.2g} g ({kitchen})"
    return with_other_unit("mass", amount, remark=f", {kitchen}")


def _kitchen_words(cups: float) -> str:
    """Return a volume in quarters of the largest measure that is accurate enough, else of the smallest."""
    quarters = {name: max(round(cups * per_cup * 4.0), 1) for name, per_cup in _PER_CUP.items()}
    errors = {name: abs(quarters[name] / 4.0 / (cups * per_cup) - 1.0) for name, per_cup in _PER_CUP.items()}
    name = next((name for name, error in errors.items() if error <= _SPOON_ERROR), "tsp")
    whole, part = divmod(quarters[name], 4)
    shown = " ".join(filter(None, (str(whole or ""), _QUARTERS[part])))
    return f"{shown} {name}{'s' if name == 'cup' and quarters[name] > 4 else ''}"


def _mixing_lines(plan: GasPlan) -> tuple[str, ...]:
    if plan.mix is None:
        return ()
    if "yeast" in plan.mix.parts:
        return (
            "Dissolve the sugar in lukewarm water, then add fresh dry yeast: half a teaspoon per cup of sugar. Up to a "
            "tablespoon starts faster but runs out sooner.",
        )
    hydrate_g = plan.mix.parts["citric acid"] * MONOHYDRATE_PER_ACID
    return (f"This is for anhydrous acid. If yours is the monohydrate, use {hydrate_g:.3g} g with the same soda.",)


def _gives_words(plan: GasPlan) -> str:
    text = f"{_grams(plan.gives_g_per_day)} of CO2 a day into the water"
    if plan.starts_after_days is not None:
        text += f"; it starts after half a day to two days, with {_grams(plan.first_days_g_per_day)} a day at first"
    return f"{text}."


def _until_words(plan: GasPlan) -> str:
    refill, start = words.date_words(plan.refill_on), words.date_words(plan.starts)
    span = words.date_span_words(plan.day_after(plan.lasts_days.low), plan.day_after(plan.lasts_days.high))
    what = "Change the cylinder" if plan.mix is None else "Refill it"
    return f"About {refill} ({span}), if started on {start}. {what} then."


def _fish_words(plan: GasPlan) -> str:
    peak, chance = words.co2_words(plan.first_peak_mg_l).short(), words.percent_words(plan.chance_above_limit)
    text = f"Daily peak {peak} at first: {chance} chance of passing {plan.tank.judged_by.fish_mg_l:g} mg/L."
    if plan.is_held_back:
        text += " The dose is kept below the target, as more gas could pass the fish limit."
    if plan.against_now is not None and plan.against_now > 1.2:
        to_plan = SET_BY[_set_by(plan)]["to_plan"]
        text += f" The plan is {plan.against_now:.2g} times the current gas: {to_plan}."
    return text


def _night_lines(plan: GasPlan) -> tuple[str, ...]:
    if plan.night is None:
        return ()
    return night_words(plan.night, plan.tank.judged_by.fish_mg_l), *((AERATE,) if plan.night.aerate else ())


def _need_words(plan: GasPlan) -> str:
    basis = "from this tank's own photos" if plan.is_of_days else "for a typical tank, so the interval is wide"
    volume = with_other_unit("volume", plan.tank.volume_l or 0.0)
    is_old = plan.days_old is not None and plan.days_old > _OLD_DAYS
    sentences = (
        f"{_grams(plan.need_g_per_day)} a day for a daily peak of {plan.target_mg_l:g} mg/L in {volume}, {basis}.",
        f"Its last photo was taken {plan.days_old} days ago." if is_old else "",
        plan.no_days,
        "Enter the lighting hours to account for the plants and for the night." if plan.tank.lights is None else "",
        "Assumes gas day and night." if _assumes_all_day(plan) else "",
    )
    return " ".join(filter(None, sentences))


def _assumes_all_day(plan: GasPlan) -> bool:
    return plan.tank.gas_hours is None and plan.gas.hours >= 24.0


def _dosing_lines(plan: GasPlan) -> tuple[str, ...]:
    """Return what sets the dose with this hardware."""
    set_by, valve = _set_by(plan), plan.tank.valve
    if set_by == "bottle":
        its_size = "Its size sets the dose: a smaller or larger charge, fewer or more bottles."
        return words.NO_VALVE_ON_YEAST, its_size, _BY_DEPTH
    if set_by == "depth":
        return "Without a needle valve the gas cannot be fine-tuned. Fit one, then plan again.", _BY_DEPTH
    regulator = "Regulator first, then the needle valve. " if plan.tank.source_kind == "cylinder" else ""
    lines = [f"{regulator}Open the needle valve slowly, and note the bubbles a minute to find the setting again."]
    if valve == "timer":
        hours = f"Set the timer valve to {plan.gas}"
        if _assumes_all_day(plan):
            hours = "Enter the gas hours that the timer valve should keep"
        lines.append(f"{hours}. It closes when it has no power.")
    elif valve is None:
        lines.append("Enter its valve to get advice that fits.")
    elif plan.gas.hours >= 24.0:
        lines.append("With a needle valve alone the gas runs day and night.")
    return *lines, _BY_DEPTH


def _start_lines(plan: GasPlan, start: StartPlan) -> tuple[str, ...]:
    """Return the first days of a new tank, in order."""
    lines = [
        f"Fill the vial and put it in the water. Wait {start.first_photo_after_h:g} hours, then take the first "
        "photo, before any gas."
    ]
    if low := SET_BY[_set_by(plan)].get("start"):
        low_g = words.number_words(Interval(value=plan.dose_g_per_day * start.starts_with, low=None, high=None)).value
        steps = f"steps of at most a fifth, {start.step_days} days apart"
        lines.append(low.format(low_g=low_g, steps=steps, full_after_days=start.full_after_days))
    if start.gas_on is not None and start.lights_on is not None:
        lines.append(
            f"Gas on at {start.gas_on:%H:%M}, lights on at {start.lights_on:%H:%M}. One to two hours between them is "
            "usual."
        )
    if start.photos:
        lines.append(f"On the first days, take photos at {', '.join(f'{clock:%H:%M}' for clock in start.photos)}.")
    return *lines, "Look at the fish after each step, and early in the morning."


def _set_by(plan: GasPlan) -> str:
    return handling_of(plan.tank.source, plan.gas).set_by


def _kind_of(plan: GasPlan) -> words.SourceKind:
    kind = plan.tank.source_kind
    assert kind is not None  # `plan_gas` refuses a tank without a gas source
    return kind


def _mass(gas_g: float) -> str:
    return with_other_unit("mass", float(f"{gas_g:.3g}"))


def _grams(mass_g: Interval) -> str:
    return words.number_words(mass_g, "g").short()
