"""What days of readings tell of a tank: results with their intervals, or the reason why there are none."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from colorread import __version__
from colorread.records import Kept, plain
from colorread.result import Interval, Reading, Verdict
from colorread.tank.events import Event
from colorread.tank.settings import DailySpan, Tank
from colorread.words import Answer, answer_of

_THREE_DIGITS = Kept(digits=3)  # more are worth nothing
_Told = Annotated[Interval, _THREE_DIGITS]
_Share = Annotated[float, _THREE_DIGITS]
_NotKept = Annotated[NDArray[np.float64], Kept(is_left_out=True)]

# What the days may tell of a tank. Of the day of the last photo, from midnight to midnight, what comes after the photo
# simulated: CO2 at lights on, daily peak and overnight low [mg/L], and the hours above the fish mark [h]. At the last
# reading: gas rate [mg/L/h], its change [%/d], first-order loss to the air [1/h], time constant of the vial [h], and
# the days until the daily peak falls below the plants' lower mark [d].
EstimateName = Literal[
    "lights_on_mg_l",
    "peak_mg_l",
    "night_low_mg_l",
    "hours_above_fish_mark",
    "gas_mg_l_per_hour",
    "gas_trend_percent_per_day",
    "loss_per_hour",
    "lag_hours",
    "fades_in_days",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """
    A fitted number with its 90 % interval, or the reason why the data cannot tell it.

    Parameters
    ----------
    interval : Interval or None
        None where the data cannot tell.
    reason : str
        One sentence why; empty where there is an interval.
    """

    interval: Interval | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPoint:
    """
    The tank, not the vial, when a photo was taken.

    Parameters
    ----------
    photo : str
        Name or path of the photo.
    taken_at : datetime
        When, as the photo says.
    co2_mg_l : Interval
        CO2 of the tank [mg/L].
    """

    photo: str
    taken_at: datetime
    co2_mg_l: Interval


def tank_co2_of(points: Iterable[PhotoPoint]) -> Callable[[Reading], Interval | None]:
    """Return what tells the CO2 of the tank [mg/L] when the photo of a reading was taken; None where it is not told."""
    by_photo: dict[object, Interval] = {(point.photo, point.taken_at): point.co2_mg_l for point in points}
    return lambda reading: by_photo.get((reading.photo, reading.taken_at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """
    CO2 through time with its 90 % band.

    Parameters
    ----------
    times : tuple of datetime
        On the tank's own clock, without offset; N of them.
    tank_mg_l, tank_low_mg_l, tank_high_mg_l : ndarray of float64, shape (N,)
        Median and ends of the tank's CO2 [mg/L].
    vial_mg_l : ndarray of float64, shape (N,)
        Median of what the vial follows with [mg/L].
    """

    times: tuple[datetime, ...]
    tank_mg_l: NDArray[np.float64]
    tank_low_mg_l: NDArray[np.float64]
    tank_high_mg_l: NDArray[np.float64]
    vial_mg_l: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """
    A change a keeper could make. What is None or 1 stays as it is.

    Parameters
    ----------
    gas : DailySpan or None
        New hours of the gas.
    rate_factor : float
        Gas rate against today's [-].
    night_loss_factor : float
        Loss to the air at night against today's, by moving the surface [-].
    refill_on : datetime.date or None
        Day on which to charge the gas source anew.
    refill_share : float
        How much of the gas of the last charge the new one is to give at most [-].
    """

    gas: DailySpan | None = None
    rate_factor: float = 1.0
    night_loss_factor: float = 1.0
    refill_on: date | None = None
    refill_share: Annotated[float, Kept(is_left_out=True)] = 1.0


@dataclass(frozen=True, slots=True)
class Handling:
    """
    What a keeper can do with the gas of a source.

    Parameters
    ----------
    switched_by : {'gas', 'hose', 'unknown'} or None
        What begins and ends it at an hour: a switch or valve, the hose; None where nothing does.
    set_by : {'valve', 'bottle', 'depth', 'unknown'}
        What brings less or more of it into the water: a needle valve; the depth of the diffuser, or the size of the
        bottle; that depth alone.
    """

    switched_by: Literal["gas", "hose", "unknown"] | None
    set_by: Literal["valve", "bottle", "depth", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayForecast:
    """
    A predicted day, from midnight to midnight.

    Parameters
    ----------
    words : str
        The change as an instruction, one sentence.
    change : Change
        What is changed for it.
    hours : ndarray of float64, shape (H,)
        Hours after midnight.
    co2_mg_l, low_mg_l, high_mg_l : ndarray of float64, shape (H,)
        Median and 90 % band [mg/L].
    lights_on_mg_l, peak_mg_l, night_low_mg_l : Interval
        CO2 at lights on, its daily peak and its lowest by night [mg/L].
    hours_above_fish_mark : Interval
        Hours of the day above the fish mark [h].
    plants_share : float
        Expected share of the lit hours in which the CO2 lies within the plants' range [-].
    plants_share_low, plants_share_high : float
        Its 90 % interval, widened to hold the expected share [-].
    fish_probability : float
        Probability that the whole day stays below the fish mark [-].
    """

    words: str
    change: Change
    hours: _NotKept
    co2_mg_l: _NotKept
    low_mg_l: _NotKept
    high_mg_l: _NotKept
    lights_on_mg_l: _Told
    peak_mg_l: _Told
    night_low_mg_l: _Told
    hours_above_fish_mark: _Told
    plants_share: _Share
    plants_share_low: _Share
    plants_share_high: _Share
    fish_probability: _Share


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """
    The hours without light of a day whose gas never stops.

    Parameters
    ----------
    low_mg_l, high_mg_l : Interval
        Lowest and highest CO2 [mg/L].
    chance_above_limit : float
        That it passes the fish limit meanwhile [-].
    aerate : bool
        Whether that is too likely for the hours in which the oxygen is lowest.
    """

    low_mg_l: Interval
    high_mg_l: Interval
    chance_above_limit: float
    aerate: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerValve:
    """
    What a timer valve would change for gas that runs day and night.

    Parameters
    ----------
    gas : DailySpan
        Hours that it would give the gas.
    chance_without, chance_with : float
        That the CO2 passes the fish limit by night [-].
    saved : float
        Share of the gas that it saves [-].
    is_worth_it : bool
        Whether it keeps the fish limit by night where it would else be passed too likely.
    """

    gas: DailySpan
    chance_without: float
    chance_with: float
    saved: float
    is_worth_it: bool


# What is advised: to stop the gas for now, or for hours; to check a source that may have run dry; a simulated change;
# to watch; to leave it, also where more gas could be tried, or hours of the lamp would tell what to change.
Outcome = Literal["stop", "pause", "check source", "change", "watch", "leave", "climb", "leave untried"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """
    What an advice says.

    Parameters
    ----------
    outcome : Outcome
        What is advised.
    today : DayForecast
        The day with nothing changed.
    recommended : DayForecast or None
        The change, or how to start again after a stop; None for none.
    is_urgent : bool
        Whether to look at the fish now.
    is_first_step : bool
        Whether more must follow the change.
    night : Night or None
        Of gas that never stops, where the gas is not too much throughout.
    timer : TimerValve or None
        What a timer valve would change of it.
    calm_in_days : int or None
        When a fading source is of no concern by itself.
    """

    outcome: Outcome
    today: DayForecast
    recommended: DayForecast | None = None
    is_urgent: bool = False
    is_first_step: bool = False
    night: Night | None = None
    timer: TimerValve | None = None
    calm_in_days: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """
    What to change, from simulated days.

    Parameters
    ----------
    day : datetime.date
        The day that is simulated.
    sentences : tuple of str
        The advice in words.
    cautions : tuple of str
        Shown with it.
    today : DayForecast
        That day with nothing changed.
    recommended : DayForecast or None
        The smallest change that does; None where nothing needs changing or nothing helps.
    others : tuple of DayForecast
        What else was tried and is worth showing.
    """

    day: date
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    today: DayForecast
    recommended: DayForecast | None
    others: tuple[DayForecast, ...]


# What lasts so long is told to last for ever: assumption, longer than any charge is kept [d].
NEVER_DAYS = 3650.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceOutlook:
    """
    What the charge of the gas source can still give, by stoichiometry.

    Parameters
    ----------
    total_g : float
        CO2 that the whole charge can give at most [g].
    used_g : Interval
        What went into the water so far by the fitted rate; gas lost on the way is not in it [g].
    days_left : Interval or None
        Until the charge is used up, with the usual yield of a bottle; of a cylinder, if all of its gas reached the
        water; value and upper end None for never; None where it would be used up already [d].
    fades_on : bool
        Whether the fitted trend is carried on for that; else it is reckoned at the present rate.
    sentence : str
        The same in words.
    """

    total_g: float
    used_g: Interval
    days_left: Interval | None
    fades_on: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """
    What a course fitted to the readings tells of one tank.

    Parameters
    ----------
    tank_co2 : tuple of PhotoPoint
        The tank at the times of the photos that were fitted, the last one last.
    course : Course
        Through all days.
    estimates : mapping of EstimateName to Estimate
        All of them.
    source : SourceOutlook or None
        What the charge can still give.
    advice : Advice
        What to change.
    n_unused : int
        How many photos with numbers the course leaves out.
    common_std_ph : float
        Error that all readings may share, as pH; it is not averaged away [-].
    fitted : mapping of str to Interval
        Further fitted numbers, for the record.
    """

    tank_co2: tuple[PhotoPoint, ...]
    course: Course
    estimates: Mapping[EstimateName, Estimate]
    source: SourceOutlook | None
    advice: Advice
    n_unused: int
    common_std_ph: float
    fitted: Mapping[str, Interval]


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """
    The one verdict for now, the same on every screen.

    Parameters
    ----------
    what : str
        What the number is of.
    co2_mg_l : Interval
        CO2 [mg/L].
    verdict : Verdict
        What it means, and what to do.
    taken_at : datetime or None
        Time of the photo on which it is based last.
    """

    what: str
    co2_mg_l: Interval
    verdict: Verdict
    taken_at: datetime | None


# What a photo is to tell; "usual" where no course says what is known least.
PlannedFor = Literal["loss", "lag", "gas rate", "usual"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPhoto:
    """
    A photo to take.

    Parameters
    ----------
    at : datetime
        When, on the tank's clock, a whole hour.
    tells : {'loss', 'lag', 'gas rate', 'usual'}
        What it tells most about.
    narrowing : float
        By which share it is expected to narrow the interval of that, after the photos planned before it [-].
    """

    at: Annotated[datetime, Kept(timespec="minutes")]
    tells: PlannedFor
    narrowing: _Share


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """
    What to do next.

    Parameters
    ----------
    photos : tuple of PlannedPhoto
        In the order of time.
    refill_on : datetime.date or None
        Day about which the charge is used up; None where not known.
    refill_from, refill_until : datetime.date or None
        Ends of its 90 % interval; the last one None where it has no end.
    renew_fluid_on : datetime.date or None
        Day by which the fluid is to be renewed; None where its age is not known.
    """

    photos: tuple[PlannedPhoto, ...]
    refill_on: date | None
    renew_fluid_on: date | None
    refill_from: Annotated[date | None, Kept(is_left_out=True)] = None
    refill_until: Annotated[date | None, Kept(is_left_out=True)] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSummary:
    """
    What days of readings tell of one tank.

    Parameters
    ----------
    tank : Tank
        Its settings, with what was noted since.
    events : tuple of Event
        What was noted, in the order of time.
    n_read, n_refused : int
        Photos with numbers and without.
    first_at, last_at : datetime or None
        First and last reading on the tank's clock.
    now : Now or None
        The one verdict for now: of the course where it holds, of the highest reading of late where not; None where
        nothing was read.
    days_old : int
        Age of the last photo; 0 of a demonstration.
    more : tuple of str
        What comes after the verdict: gas, and why there is no course or less of it.
    cautions : tuple of str
        What to watch: those of the advice, or of the highest reading and the gas source where there is none.
    notes : tuple of str
        What the data cannot tell and what was assumed.
    fluid_advice : str
        Whether to renew the fluid; empty where nothing is to say.
    told : Told or None
        What a course tells; None where the readings give none.
    reason : str
        Why there is no course; empty where there is one.
    plan : Plan
        What to do next, and when.
    """

    tank: Tank
    events: tuple[Event, ...]
    n_read: int
    n_refused: int
    first_at: datetime | None
    last_at: datetime | None
    now: Now | None
    days_old: int
    more: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    fluid_advice: str
    told: Told | None
    reason: str
    plan: Plan

    @property
    def answer(self) -> Answer | None:
        """The verdict for now in words."""
        if self.now is None:
            return None
        return answer_of(self.now.co2_mg_l, self.now.verdict, days_old=self.days_old, what=self.now.what)

    @property
    def tank_co2(self) -> tuple[PhotoPoint, ...]:
        """The tank at the times of the photos; empty where the data cannot tell."""
        return () if self.told is None else self.told.tank_co2

    def estimate(self, name: EstimateName) -> Estimate:
        """Return a fitted number, or the reason why there is none."""
        return Estimate(reason=self.reason) if self.told is None else self.told.estimates[name]


def summary_to_dict(summary: TankSummary) -> dict[str, Any]:
    """
    Return a summary as plain values, rounded to what they are worth.

    Parameters
    ----------
    summary : TankSummary
        Of one tank.

    Returns
    -------
    dict
        Keys as documented in DEVELOPERS.md. A number that the data cannot tell is None, and its reason stands under
        ``cannot_tell``.
    """
    told, kept_of_source = summary.told, ("total_g", "used_g", "days_left", "sentence")
    source = None if told is None or told.source is None else {n: getattr(told.source, n) for n in kept_of_source}
    estimates = {name: summary.estimate(name) for name in get_args(EstimateName)}
    now, answer = summary.now, summary.answer
    data = {
        "schema": "colorread.summary/1",
        "software": f"colorread {__version__}",
        "tank": summary.tank.name,
        "made_up": summary.tank.made_up,
        "n_read": summary.n_read,
        "n_refused": summary.n_refused,
        "n_unused": 0 if told is None else told.n_unused,
        "first_at": summary.first_at,
        "last_at": summary.last_at,
        "now": None
        if now is None or answer is None
        else {
            "what": now.what,
            "co2_mg_l": plain(now.co2_mg_l, _THREE_DIGITS),
            "fish": now.verdict.fish,
            "plants": now.verdict.plants,
            "sentences": (answer.fish, answer.plants, answer.to_do),
            "days_old": summary.days_old,
        },
        "more": summary.more,
        "tank_co2": [
            {"photo": point.photo, "taken_at": point.taken_at, **plain(point.co2_mg_l, _THREE_DIGITS)}
            for point in summary.tank_co2
        ],
        **{name: plain(estimate.interval, _THREE_DIGITS) for name, estimate in estimates.items()},
        "cannot_tell": {name: estimate.reason for name, estimate in estimates.items() if estimate.interval is None},
        "common_std_ph": plain(0.0 if told is None else told.common_std_ph, _THREE_DIGITS),
        "fitted": plain({} if told is None else told.fitted, _THREE_DIGITS),
        "course": None if told is None else plain(_rows(told.course), _THREE_DIGITS),
        "source": plain(source, _THREE_DIGITS),
        "fluid_advice": summary.fluid_advice,
        "advice": None if told is None else told.advice,
        "cautions": summary.cautions,
        "notes": summary.notes,
        "events": summary.events,
        "plan": summary.plan,
    }
    return {name: plain(value) for name, value in data.items()}


def _rows(course: Course) -> list[dict[str, Any]]:
    columns = (course.tank_mg_l, course.tank_low_mg_l, course.tank_high_mg_l, course.vial_mg_l)
    return [
        {"at": at.isoformat(timespec="minutes"), "value": value, "low": low, "high": high, "vial": vial}
        for at, value, low, high, vial in zip(course.times, *columns, strict=True)
    ]
