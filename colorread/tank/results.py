"""What days of readings show about a tank: numbers with their intervals, or the reason why there are none."""

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
from colorread.words import OLD_DAYS, Answer, answer_of

_THREE_DIGITS = Kept(digits=3)  # decimals in JSON; more would mean nothing

# Numbers of a tank. For the day of the last photo, from midnight to midnight and simulated after the photo: CO2 at
# lights on, daily peak and overnight low [mg/L], and the hours above the fish limit [h]. At the last reading: gas rate
# [mg/L/h], its change [%/d], first-order loss to the air [1/h], time constant of the vial [h], and the days until the
# daily peak falls below the plants' range [d].
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
    A fitted number with its 90 % interval, or the reason why it cannot be determined.

    Parameters
    ----------
    interval : Interval or None
        None if it cannot be determined.
    reason : str
        One sentence why; empty if there is an interval.
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
        As stored in the photo.
    co2_mg_l : Interval
        CO2 of the tank [mg/L].
    """

    photo: str
    taken_at: datetime
    co2_mg_l: Interval


def tank_co2_lookup(points: Iterable[PhotoPoint]) -> Callable[[Reading], Interval | None]:
    """Return a function that gives the tank's CO2 [mg/L] at the photo of a reading, or None if it is not known."""
    by_photo: dict[object, Interval] = {(point.photo, point.taken_at): point.co2_mg_l for point in points}
    return lambda reading: by_photo.get((reading.photo, reading.taken_at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """
    CO2 over time with its 90 % band.

    Parameters
    ----------
    times : tuple of datetime
        N times on the tank's own clock, without offset.
    tank_mg_l : ndarray of float64, shape (3, N)
        5, 50 and 95 % points of the tank's CO2 [mg/L].
    vial_mg_l : ndarray of float64, shape (N,)
        Median of the vial's CO2 [mg/L].
    """

    times: tuple[datetime, ...]
    tank_mg_l: NDArray[np.float64]
    vial_mg_l: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """
    A change a keeper could make. Whatever is None or 1 stays as it is.

    Parameters
    ----------
    gas : DailySpan or None
        New gas hours.
    rate_factor : float
        Gas rate relative to today's [-].
    night_loss_factor : float
        Loss to the air at night relative to today's, changed by rippling the surface [-].
    refill_on : datetime.date or None
        Day on which to refill the gas source.
    refill_share : float
        Largest size of the refill relative to the last charge [-].
    """

    gas: DailySpan | None = None
    rate_factor: float = 1.0
    night_loss_factor: float = 1.0
    refill_on: date | None = None
    refill_share: Annotated[float, Kept(is_left_out=True)] = 1.0


@dataclass(frozen=True, slots=True)
class Handling:
    """
    How a keeper can control the gas from a source.

    Parameters
    ----------
    switched_by : {'gas', 'hose', 'unknown'} or None
        What starts and stops it by the clock: a switch or valve, or the hose; None if nothing does.
    set_by : {'valve', 'bottle', 'depth', 'unknown'}
        What makes less or more of it reach the water: a needle valve; the size of the bottle or the depth of the
        diffuser; that depth alone.
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
        What is done differently.
    co2_mg_l : ndarray of float64, shape (3, H)
        5, 50 and 95 % points at equal steps, both midnights included [mg/L].
    lights_on_mg_l, peak_mg_l, night_low_mg_l : Interval
        CO2 at lights on, daily peak, and lowest at night [mg/L].
    hours_above_fish_mark : Interval
        Hours of the day above the fish limit [h].
    plants_share : float
        Expected share of the lit hours in which the CO2 is within the plants' range [-].
    plants_share_low, plants_share_high : float
        Its 90 % interval, widened to include the expected share [-].
    fish_probability : float
        Probability that the whole day stays below the fish limit [-].
    """

    words: str
    change: Change
    co2_mg_l: Annotated[NDArray[np.float64], Kept(is_left_out=True)]
    lights_on_mg_l: Interval
    peak_mg_l: Interval
    night_low_mg_l: Interval
    hours_above_fish_mark: Interval
    plants_share: float
    plants_share_low: float
    plants_share_high: float
    fish_probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """
    The dark hours of a day whose gas never stops.

    Parameters
    ----------
    low_mg_l, high_mg_l : Interval
        Lowest and highest CO2 [mg/L].
    chance_above_limit : float
        Chance that the CO2 passes the fish limit [-].
    aerate : bool
        Whether that chance is too high for the hours in which oxygen is lowest.
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
        The gas hours with it.
    chance_without, chance_with : float
        Chance that the CO2 passes the fish limit at night [-].
    saved : float
        Share of the gas that it saves [-].
    is_worth_it : bool
        Whether the night needs it to keep the fish limit, and it helps.
    """

    gas: DailySpan
    chance_without: float
    chance_with: float
    saved: float
    is_worth_it: bool


# The advice: stop the gas for now ("stop") or for hours ("pause"); check a source that may have run dry; make a
# simulated change; watch; leave it, perhaps with more gas to try ("climb"), or because no change could be simulated.
Outcome = Literal["stop", "pause", "check source", "change", "watch", "leave", "climb", "leave untried"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """
    What the advice says, before it is put into words.

    Parameters
    ----------
    outcome : Outcome
        What is advised.
    today : DayForecast
        The day with nothing changed.
    recommended : DayForecast or None
        The change, or how to start again after a stop; None if there is none.
    is_urgent : bool
        Whether to look at the fish now.
    is_overdosed : bool
        Whether the whole interval of the daily peak lies above the fish limit.
    is_first_step : bool
        Whether the change alone is not enough.
    night : Night or None
        The night, if the gas never stops and there are known dark hours.
    timer : TimerValve or None
        What a timer valve would change there.
    calm_in_days : int or None
        Days after which a fading source reaches no concern by itself.
    """

    outcome: Outcome
    today: DayForecast
    recommended: DayForecast | None = None
    is_urgent: bool = False
    is_overdosed: bool = False
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
        The simulated day.
    sentences : tuple of str
        The advice in words.
    cautions : tuple of str
        Shown with it.
    today : DayForecast
        That day with nothing changed.
    recommended : DayForecast or None
        The smallest change that is enough; None if nothing needs changing or nothing helps.
    others : tuple of DayForecast
        Other simulated changes worth showing.
    """

    day: date
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    today: DayForecast
    recommended: DayForecast | None
    others: tuple[DayForecast, ...]


# Anything that lasts this long counts as lasting forever: assumption, longer than any charge is kept [d].
NEVER_DAYS = 3650.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceOutlook:
    """
    What the charge of the gas source can still give, by stoichiometry.

    Parameters
    ----------
    total_g : float
        The most CO2 that the whole charge can give [g].
    used_g : Interval
        CO2 that went into the water at the fitted rate, without gas lost on the way [g].
    days_left : Interval or None
        Until the charge is used up, counting the usual yield of a bottle or all the gas of a cylinder; value and upper
        end are None for never. None as a whole if by this count it is used up already [d].
    fades_on : bool
        Whether that extrapolates the fitted trend rather than the present rate.
    sentence : str
        The same in words.
    """

    total_g: float
    used_g: Interval
    days_left: Interval | None
    fades_on: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """
    What a course fitted to the readings shows about one tank.

    Parameters
    ----------
    tank_co2 : tuple of PhotoPoint
        The tank at the times of the fitted photos, in order of time.
    course : Course
        From the first day to a day after the last photo.
    estimates : mapping of EstimateName to Estimate
        All of them.
    source : SourceOutlook or None
        How long the charge lasts.
    advice : Advice
        What to change.
    n_unused : int
        Number of photos that were read but are left out of the course.
    common_std_ph : float
        Standard uncertainty that all readings share, as pH; averaging does not reduce it [-].
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
        What the number describes.
    co2_mg_l : Interval
        CO2 [mg/L].
    verdict : Verdict
        What it means, and what to do.
    """

    what: str
    co2_mg_l: Interval
    verdict: Verdict


# The number that a photo narrows most; "usual" if there is no course.
PlannedFor = Literal["loss", "lag", "gas rate", "usual"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPhoto:
    """
    A photo to take.

    Parameters
    ----------
    at : datetime
        A whole hour on the tank's clock.
    tells : {'loss', 'lag', 'gas rate', 'usual'}
        The number that it narrows most.
    narrowing : float
        Expected narrowing of its interval, relative to that after the photos planned before it [-].
    """

    at: Annotated[datetime, Kept(timespec="minutes")]
    tells: PlannedFor
    narrowing: Annotated[float, _THREE_DIGITS]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """
    What to do next.

    Parameters
    ----------
    photos : tuple of PlannedPhoto
        In the order of time.
    refill_on : datetime.date or None
        Day on which the charge is used up; None if not known.
    refill_from, refill_until : datetime.date or None
        Ends of its 90 % interval; the latter None if it is open.
    renew_fluid_on : datetime.date or None
        Day by which to renew the fluid; None if its age is not known.
    """

    photos: tuple[PlannedPhoto, ...]
    refill_on: date | None
    renew_fluid_on: date | None
    refill_from: Annotated[date | None, Kept(is_left_out=True)] = None
    refill_until: Annotated[date | None, Kept(is_left_out=True)] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSummary:
    """
    What days of readings show about one tank.

    Parameters
    ----------
    tank : Tank
        Its settings, updated by what was noted.
    events : tuple of Event
        What was noted, in order of time.
    n_read, n_refused : int
        Photos with numbers and without.
    first_at, last_at : datetime or None
        First and last reading on the tank's clock.
    now : Now or None
        The one verdict for now, by the course or else by the highest recent reading; None if nothing was read.
    days_old : int
        Age of the last photo; 0 for a demonstration.
    more : tuple of str
        What follows the verdict: the gas, and why there is no course or which photos it leaves out.
    cautions : tuple of str
        Cautions of the advice, or else those of the highest reading and the gas source.
    notes : tuple of str
        What was assumed and what cannot be determined.
    fluid_advice : str
        Whether to renew the fluid; empty if its age is not known.
    findings : Findings or None
        What a course shows; None if there is none.
    reason : str
        Why there is no course; empty if there is one.
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
    findings: Findings | None
    reason: str
    plan: Plan

    @property
    def answer(self) -> Answer | None:
        """The verdict for now in words."""
        if self.now is None:
            return None
        return answer_of(self.now.co2_mg_l, self.now.verdict, days_old=self.days_old, what=self.now.what)

    @property
    def advice_title(self) -> str:
        """Title above the advice."""
        return "Advice at the time" if self.days_old > OLD_DAYS else "What to change"

    @property
    def tank_co2(self) -> tuple[PhotoPoint, ...]:
        """The tank at the times of the photos; empty without a course."""
        return () if self.findings is None else self.findings.tank_co2

    def estimate(self, name: EstimateName) -> Estimate:
        """Return a fitted number, or the reason why there is none."""
        return Estimate(reason=self.reason) if self.findings is None else self.findings.estimates[name]


def summary_to_dict(summary: TankSummary) -> dict[str, Any]:
    """
    Return a summary as plain values, rounded to meaningful digits.

    Parameters
    ----------
    summary : TankSummary
        Of one tank.

    Returns
    -------
    dict
        Keys as documented in DEVELOPERS.md. A number that cannot be determined is None, with its reason under
        ``cannot_tell``.
    """
    findings, now, answer = summary.findings, summary.now, summary.answer
    source = None if findings is None else plain(findings.source, _THREE_DIGITS)
    if source is not None:
        del source["fades_on"]
    estimates = {name: summary.estimate(name) for name in get_args(EstimateName)}
    data = {
        "schema": "colorread.summary/1",
        "software": f"colorread {__version__}",
        "tank": summary.tank.name,
        "made_up": summary.tank.made_up,
        "n_read": summary.n_read,
        "n_refused": summary.n_refused,
        "n_unused": 0 if findings is None else findings.n_unused,
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
        "common_std_ph": plain(0.0 if findings is None else findings.common_std_ph, _THREE_DIGITS),
        "fitted": plain({} if findings is None else findings.fitted, _THREE_DIGITS),
        "course": None if findings is None else plain(_rows(findings.course), _THREE_DIGITS),
        "source": source,
        "fluid_advice": summary.fluid_advice,
        "advice": None if findings is None else plain(findings.advice, _THREE_DIGITS),
        "cautions": summary.cautions,
        "notes": summary.notes,
        "events": summary.events,
        "plan": summary.plan,
    }
    return {name: plain(value) for name, value in data.items()}


def _rows(course: Course) -> list[dict[str, Any]]:
    return [
        {"at": at.isoformat(timespec="minutes"), "value": value, "low": low, "high": high, "vial": vial}
        for at, low, value, high, vial in zip(course.times, *course.tank_mg_l, course.vial_mg_l, strict=True)
    ]
