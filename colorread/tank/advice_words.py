"""Advice in words: each change as an instruction, the sentences around it, and its cautions."""

from __future__ import annotations

from collections.abc import Mapping

from colorread import words
from colorread.records import toml_beside
from colorread.tank.results import Change, Decision, Handling, Outcome
from colorread.tank.settings import DailySpan, Tank
from colorread.tank.tank_words import AERATE, lit_words, night_words, share_words, timer_words

_TEXTS = toml_beside(__file__, "advice.toml")
SET_BY: Mapping[str, Mapping[str, str]] = _TEXTS["set_by"]
_LOOK = "Look at the fish now."
_TOMORROW = "Take new photos tomorrow."
_UNCHANGED: Mapping[Outcome, str] = {
    "watch": words.WATCH,
    "leave": words.LEAVE_IT,
    "leave untried": f"{words.LEAVE_IT} Enter the lighting hours to see what a change would do.",
    "check source": "Check the gas source first: is it empty or closed, or the hose blocked?",
}
_ONE_CHANGE = "Make one change at a time. Wait two days, look at the fish and take new photos before the next."
_ONLY_PHOTOS = "The simulation knows only what the photos showed. Watch the fish, especially the day after a change."
# Common practice, no source.
_NEW_CHARGE = "A refilled bottle starts at its full rate. Start it in the morning, and watch the fish all that day."


def change_words(change: Change, handling: Handling, gas: DailySpan, bubbles: float | None) -> str:
    """Return a single change as an instruction, given the present gas hours and, if known, bubbles a minute."""
    if change.gas is not None and handling.switched_by is not None:
        if gas.hours >= 24.0:
            what, before = "both", "day and night"
        else:
            what, before = ("start", f"{gas.on:%H:%M}") if change.gas.on != gas.on else ("stop", f"{gas.off:%H:%M}")
        order = _TEXTS["switched_by"][handling.switched_by][what]
        return f"{order.format(on=change.gas.on, off=change.gas.off)} instead of {before}."
    if change.refill_on is not None:
        order = "Refill the bottle in the morning"
        if change.refill_share < 1.0:
            order += f", with at most about {change.refill_share * 100.0:.0f} % of the last charge"
        return f"{order}."
    if change.night_loss_factor != 1.0:
        return str(_TEXTS["night_loss"][f"{change.night_loss_factor:g}"])
    factor = change.rate_factor
    if factor == 1.0:
        return "Change nothing."
    order = SET_BY[handling.set_by]["down" if factor < 1.0 else "up"]
    return order.format(percent=abs(factor - 1.0) * 100.0, bubbles=_bubble_words(bubbles, factor))


def new_start_words(factor: float, handling: Handling, bubbles: float | None) -> str:
    """Return how to restart stopped gas at a share of its former rate."""
    return SET_BY[handling.set_by]["restart"].format(percent=factor * 100.0, bubbles=_bubble_words(bubbles, factor))


def _bubble_words(bubbles: float | None, factor: float) -> str:
    return "" if bubbles is None else f", from {bubbles:.0f} to {bubbles * factor:.0f} bubbles a minute"


def advice_sentences(decision: Decision, tank: Tank, handling: Handling) -> tuple[str, ...]:
    """Return the advice: what to do, then the day without and with the change, then what else to know."""
    marks, today, new = tank.judged_by, decision.today, decision.recommended
    is_stopped = decision.outcome == "stop"
    sentences = [_first_words(decision, tank, handling)]
    if is_stopped:
        sentences.append("No simulated change is enough." if new is None else new.words)
    chance = words.percent_words(today.fish_probability)
    sentences.append(
        f"With nothing changed: {chance} chance of staying below {marks.fish_mg_l:g} mg/L all day, and in the plants' "
        f"range for {share_words(today)} of {lit_words(tank.lights)}."
    )
    if new is not None:
        chance = words.percent_words(new.fish_probability)
        sentences.append(f"With the change: {chance} chance, and {share_words(new)} of that time.")
    if is_stopped:
        return (*sentences, _TOMORROW)
    if decision.is_first_step:
        sentences.append("This is a first step. Take the next one in two days.")
    if decision.night is not None:
        sentences.append(night_words(decision.night, marks.fish_mg_l))
    if decision.timer is not None and decision.timer.is_worth_it:
        sentences.append(timer_words(decision.timer))
    if (days := decision.calm_in_days) is not None:
        sentences.append(f"The gas is fading: no concern in about {words.plural(days, 'day')} if nothing is changed.")
    return tuple(sentences)


def _first_words(decision: Decision, tank: Tank, handling: Handling) -> str:
    """Return everything to do first; this is what every screen shows."""
    new, night = decision.recommended, decision.night
    orders = [_order_words(decision, tank, handling)]
    if decision.is_overdosed:
        orders.append(f"Also run an air stone until new photos read below {tank.judged_by.fish_mg_l:g} mg/L.")
    elif night is not None and night.aerate and (new is None or new.change.night_loss_factor == 1.0):
        orders.append(AERATE)
    return " ".join(orders)


def _order_words(decision: Decision, tank: Tank, handling: Handling) -> str:
    outcome, new, gas = decision.outcome, decision.recommended, tank.gas_hours
    stop = words.stop_gas_words(tank.source_kind, tank.valve)
    if outcome == "stop":
        return f"{_LOOK} Stop the gas: {stop}."
    if outcome == "pause":
        return f"{_LOOK} Stop the gas for a few hours: {stop}. {_TOMORROW}"
    if outcome == "climb":
        return f"Plants could use more gas: {SET_BY[handling.set_by]['much_more']}, and wait two days after each step."
    if new is None:
        may_be_cylinder = outcome == "check source" and tank.source_kind in ("cylinder", None)
        return _UNCHANGED[outcome] + (" Before changing a cylinder, close its valve." if may_be_cylinder else "")
    ends_otherwise = new.change.gas is not None and gas is not None and new.change.gas.off != gas.off
    orders = (
        _LOOK if decision.is_urgent else "",
        new.words,
        "Never close or pinch the hose." if handling.switched_by == "hose" and ends_otherwise else "",
    )
    return " ".join(filter(None, orders))


def advice_cautions(tank: Tank, *, overdosed: bool) -> tuple[str, ...]:
    """Return the cautions that go with the advice; for an overdosed tank, only raising the gas again must be slow."""
    return (
        *(words.ACT_CAUTIONS if overdosed else (_ONE_CHANGE,)),
        _ONLY_PHOTOS,
        *words.watch_cautions(tank.judged_by),
        *(() if tank.source_kind == "cylinder" else (_NEW_CHARGE,)),
        *words.gas_cautions(tank.source_kind, tank.valve),
    )
