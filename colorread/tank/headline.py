"""The sentences that days of readings end in: what matters first, and what was assumed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta

import numpy as np

from colorread.fluid import RENEW_AFTER_WEEKS
from colorread.reading import Interval, Reading, Verdict
from colorread.tank.day_words import lit_words, share_words
from colorread.tank.fit import TankFit
from colorread.tank.results import Advice, Estimate
from colorread.tank.series import WINDOW_DAYS, wall_clock
from colorread.tank.settings import Tank
from colorread.verdict import Marks, judge, turn_down_now

_OLD_DAYS = 7  # older photos say little of now: assumption
_FEW_DRAWS = 100.0  # fewer independent draws, and the ends of a 90 % band rest on five: assumption


def headline(
    tank: Tank,
    peak: Interval,
    above: Interval,
    advice: Advice,
    trend: Estimate,
    fades: Estimate,
    *,
    peak_to_come: bool,
) -> tuple[str, ...]:
    """
    Return the verdict of a course in sentences, the fish first.

    Parameters
    ----------
    tank : Tank
        Its marks.
    peak, above : Interval
        On the day of the last photo, the peak [mg/L] and the hours above the fish mark [h].
    advice : Advice
        What to change.
    trend, fades : Estimate
        Change of the gas [%/d], and the days until the peak falls below the plants' mark [d].
    peak_to_come : bool
        The peak of that day lies after its last photo.

    Returns
    -------
    tuple of str
        One sentence or two for fish, plants, gas and change.
    """
    marks = tank.judged_by
    was = "is expected to peak" if peak_to_come else "peaked"
    fish = (
        f"Fish: on the day of the last photo the tank {was} at {_span(peak, 'mg/L')}, {_for_fish(peak, above, marks)}"
    )
    plants = (
        f"Plants: as it runs now the CO2 is within {marks.plants_low_mg_l:g} to {marks.plants_high_mg_l:g} mg/L for "
        f"{share_words(advice.today)} of {lit_words(tank.lights)}."
    )
    gas = "Gas: " + trend.reason
    if trend.interval is not None:
        low, high = trend.interval.low or 0.0, trend.interval.high or 0.0
        gas = f"Gas: the rate changes by {trend.interval.value:+.0f} % a day ({low:+.0f} to {high:+.0f})."
        if low < 0.0 < high:
            gas = f"Gas: no sure trend, {trend.interval.value:+.0f} % a day ({low:+.0f} to {high:+.0f})."
        elif fades.interval is not None and fades.interval.value == 0.0:
            gas += f" The daily peak is below {tank.marks.plants_low_mg_l:g} mg/L already."
        elif fades.interval is not None:
            unit = "day" if round(fades.interval.value or 0.0) == 1 else "days"
            gas += (
                f" Fading on like that, the daily peak falls below {tank.marks.plants_low_mg_l:g} mg/L in about "
                f"{_span(fades.interval, unit)}."
            )
    return fish, plants, gas, f"What to change: {advice.sentences[0]}"


def _for_fish(peak: Interval, above: Interval, marks: Marks) -> str:
    """Return what a daily peak means for the fish, no weaker than one reading as high would be judged."""
    assert peak.low is not None
    assert peak.high is not None
    assert above.high is not None
    mark = f"the mark of {marks.fish_mg_l:g} mg/L"
    if peak.high <= marks.fish_mg_l:
        return f"below {mark}. Keep watching the fish as on every day."
    hours = max(math.ceil(round(above.high, 1)), 1)  # as the tables tell it
    duration = f"for up to {hours} hour{'s' if hours > 1 else ''} a day"
    if peak.low > marks.fish_mg_l:
        return f"so it is above {mark} {duration}. {turn_down_now(marks)}"
    verdict = judge(peak, marks)
    return f"so it may pass {mark} {duration}. {verdict.sentences[-1] if verdict.fish == 'act' else 'Watch the fish.'}"


def lone_headline(taken_at: datetime | None, verdict: Verdict | None, reason: str) -> tuple[str, ...]:
    """
    Return what one reading alone says, the fish first.

    Parameters
    ----------
    taken_at : datetime or None
        When the highest reading of the last two days was taken: a low morning does not undo a high evening.
    verdict : Verdict or None
        Of that reading.
    reason : str
        Why there is no more.

    Returns
    -------
    tuple of str
        Sentences.
    """
    if taken_at is None or verdict is None:
        return (reason,)
    plants, fish, advice = verdict.sentences
    when = f"Told by the highest reading of the last two days, of {taken_at:%Y-%m-%d %H:%M}."
    return f"{fish} {advice}", plants, when, reason


def age_of(last_at: datetime, now: datetime) -> tuple[str, ...]:
    """
    Return the age of the last photo where it matters.

    Parameters
    ----------
    last_at, now : datetime
        On the tank's clock.

    Returns
    -------
    tuple of str
        A sentence, or none.
    """
    days = (now - last_at).days
    return (f"The last photo is {days} days old: all of this is of that time.",) if days > _OLD_DAYS else ()


def fluid_advice(tank: Tank, last: date | None) -> str:
    """
    Return whether to renew the fluid in the vial.

    Parameters
    ----------
    tank : Tank
        When its fluid was renewed.
    last : datetime.date or None
        Day of the last photo.

    Returns
    -------
    str
        A sentence; empty where nothing is known.
    """
    if tank.fluid_renewed is None or last is None:
        return ""
    weeks = (last - tank.fluid_renewed).days / 7.0
    age = "1 week" if round(weeks) == 1 else f"{weeks:.0f} weeks"
    if weeks >= RENEW_AFTER_WEEKS:
        return (
            f"The fluid in the vial was {age} old at the last photo; renew it "
            f"(about every {RENEW_AFTER_WEEKS} weeks, common practice, no source)."
        )
    if weeks < 0.0:
        return "The fluid in the vial was renewed after the last photo; nothing to do yet."
    return f"The fluid in the vial was {age} old at the last photo; nothing to do yet."


def input_notes(read: Sequence[Reading], n_of_the_future: int) -> tuple[str, ...]:
    """
    Return what was assumed of the photos.

    Parameters
    ----------
    read : sequence of Reading
        Those with numbers.
    n_of_the_future : int
        How many were left out because the clock of their phone was wrong.

    Returns
    -------
    tuple of str
        Sentences.
    """
    notes = []
    if n_of_the_future:
        notes.append(
            f"{n_of_the_future} photo{'s carry' if n_of_the_future > 1 else ' carries'} a time that has not come yet, "
            f"so {'they do' if n_of_the_future > 1 else 'it does'} not count; set the clock of that phone or camera."
        )
    by_file = sum(reading.time_source == "file time" for reading in read)
    if by_file:
        notes.append(
            f"{by_file} photo{'s carry' if by_file > 1 else ' carries'} no time of taking; the time of the file was "
            "used, which is that of the last copy."
        )
    if any("kh" in reading.assumed for reading in read):
        notes.append("The KH of the fluid was assumed to be 4 dKH.")
    if read and not any(reading.profile for reading in read):
        notes.append("Without a calibration all readings may be off together; the intervals hold that.")
    return tuple(notes)


def unused_notes(tank: Tank, usable: Sequence[Reading], used: Sequence[Reading]) -> tuple[str, ...]:
    """
    Return which readings the course leaves out, and why.

    Parameters
    ----------
    tank : Tank
        Its settings.
    usable : sequence of Reading
        Those with numbers, none of the future.
    used : sequence of Reading
        Those that were fitted, in the order of time.

    Returns
    -------
    tuple of str
        A sentence, or none.
    """
    times = [wall_clock(reading.taken_at) for reading in usable if reading.taken_at is not None]
    first, last = (wall_clock(reading.taken_at) for reading in (used[0], used[-1]) if reading.taken_at is not None)
    unused = sorted(time for time in times if time < first)
    n_old = sum(time < last - timedelta(days=WINDOW_DAYS) for time in unused)
    charged = None if tank.source is None else tank.source.started
    if charged is not None and charged > last.date():  # as the series does
        charged = None
    n_charged = 0 if charged is None else sum(time.date() <= charged for time in unused[n_old:])
    counts = (
        (n_charged, "from before the present charge of the gas source was at work"),
        (len(unused) - n_old - n_charged, "from before the readings took another course"),
        (n_old, f"from more than {WINDOW_DAYS} days before the last"),
        (len(usable) - len(times), "without a time"),
    )
    parts = [f"{count} photo{'s' if count > 1 else ''} {why}" for count, why in counts if count]
    return (f"Not used for the course: {', '.join(parts)}.",) if parts else ()


def fit_notes(tank: Tank, fit: TankFit) -> tuple[str, ...]:
    """
    Return what the readings could not tell the fit.

    Parameters
    ----------
    tank : Tank
        Its settings.
    fit : TankFit
        What was fitted.

    Returns
    -------
    tuple of str
        Sentences.
    """
    notes = []
    if tank.lights is None:
        notes.append("The hours of the lamp are not known; what plants take up is not told apart from the loss.")
    hours = np.unique(np.floor(fit.series.hours % 24.0 / 3.0))
    if len(hours) < 2:
        notes.append("All photos are of the same hours of the day; photos at other hours would tell far more.")
    if fit.effective_draws < _FEW_DRAWS:
        notes.append(
            "The photos fit in several ways, and the bands are themselves rough; more photos would settle them."
        )
    one_sided = int((fit.series.open_below | fit.series.open_above).sum())
    if one_sided:
        notes.append(
            f"{one_sided} reading{'s lie' if one_sided > 1 else ' lies'} beyond the dye's range; only one end counts."
        )
    return tuple(notes)


def _span(value: Interval, unit: str) -> str:
    ends = f"{value.low:.0f} to {value.high:.0f}" if value.high is not None else f"{value.low:.0f} or more"
    return f"{value.value:.0f} {unit} ({ends})"
