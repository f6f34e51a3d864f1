"""Pages from templates, units as a browser shows them, and readings in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from colorread import __version__, words
from colorread.chemistry import UNITS, Quantity, Unit
from colorread.errors import Reason
from colorread.log import Log, LogEntry
from colorread.page.core import core_of
from colorread.page.guard import YEAR_S
from colorread.result import Reading
from colorread.tank import Tank, age_days, has_future_date

Units = Mapping[Quantity, Unit]
"""The units that a browser shows."""
_UNITS_COOKIE = "colorread-units"
CHOSEN: tuple[Quantity, ...] = ("temperature", "kh", "volume", "mass")
"""The quantities whose units are chosen, in the order of the cookie."""
_STATUS_OF_REASON = {"not-a-photo": 415, "too-large": 413, "profile": 409}
_DAYS_FROM_H = 48  # from this age on, it is given in days
_CLOCKS_APART = timedelta(minutes=2)  # between a phone and this machine when both are right: assumption


def units_of(cookie: str) -> Units:
    """Return the units that a cookie names; for unknown names, those of the project."""
    own = {quantity: next(iter(UNITS[quantity].values())) for quantity in CHOSEN}
    names = zip(CHOSEN, cookie.split("."), strict=False)
    return own | {quantity: UNITS[quantity][name] for quantity, name in names if name in UNITS[quantity]}


def cookie_of(units: Units) -> str:
    """Return units as a cookie keeps them."""
    return ".".join(name for quantity in CHOSEN for name, unit in UNITS[quantity].items() if unit is units[quantity])


def units_shown(request: Request) -> Units:
    """Return the units that the browser asked for."""
    return units_of(request.cookies.get(_UNITS_COOKIE, ""))


def remember_units(answer: Response, units: Units) -> None:
    """Set the cookie for the units."""
    answer.set_cookie(_UNITS_COOKIE, cookie_of(units), max_age=YEAR_S, httponly=True, samesite="lax")


UnitsHere = Annotated[Units, Depends(units_shown)]


def parse_number(what: str, text: str) -> float:
    """Return a number typed with a dot or a comma; for anything else raise ValueError, which names it as `what`."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"{what} must be a number, not {text!r}.") from None


def page(
    request: Request, template: str, *, status: int | None = None, wrong: object = "", **values: Any
) -> HTMLResponse:
    """
    Return a page.

    Parameters
    ----------
    request : Request
        The request.
    template : str
        File name of the template.
    status : int, optional
        HTTP status; by default 422 if anything is wrong, else 200.
    wrong : object, optional
        What is wrong with what was typed, as the template takes it.
    **values : object
        Values for the template; `units` only if they differ from those of the browser.

    Returns
    -------
    HTMLResponse
        The page, which loads only the style and the script of this server.
    """
    values = {"units": units_shown(request)} | values
    if status is None:
        status = 422 if wrong else 200
    text = (
        words.templates_of("colorread.page")
        .get_template(template)
        .render(
            values,
            wrong=wrong,
            units_cookie=cookie_of(values["units"]),
            csrf=core_of(request).access.form_token(request.state.session),
            version=__version__,
            path=request.url.path,
            said=request.query_params.get("said", "") if status == 200 else "",
        )
    )
    return HTMLResponse(text, status)


def status_of(reason: Reason) -> int:
    """Return the HTTP status for a photo that was refused."""
    return _STATUS_OF_REASON.get(reason.code, 422)


def tank_url(name: str, rest: str = "") -> str:
    """Return the URL of a tank, or of something that belongs to it."""
    return f"/tanks/{quote(name, safe='')}{rest}"


def redirect(url: str, said: str = "") -> RedirectResponse:
    """Redirect after a form, so that reloading repeats nothing; `said` is the word for what was done."""
    return RedirectResponse(f"{url}?said={said}" if said else url, 303)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    """
    One reading in words.

    Parameters
    ----------
    sha256 : str
        Hash of the photo.
    when, age : str
        When it was taken, and how long ago; the age is empty if the time is unknown.
    reason : Reason or None
        Why it was refused and what to do.
    answer : Answer or None
        The lines that every screen starts with; None if refused.
    bar : str
        The bar below the number as SVG; empty if refused.
    is_doubtful : bool
        Whether to ask if the outline is the fluid.
    cautions, notes : tuple of str
        What to watch, and what widened the interval.
    details : list of (str, str)
        The pH, and what the photo was read with.
    """

    sha256: str
    when: str
    age: str
    reason: Reason | None
    answer: words.Answer | None
    bar: str
    is_doubtful: bool
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    details: list[tuple[str, str]]


def view_reading(entry: LogEntry, units: Units, marks: words.Marks, now: datetime) -> ReadingView:
    """
    Put a reading into words.

    Parameters
    ----------
    entry : LogEntry
        Read or refused.
    units : Units
        Units to show.
    marks : Marks
        Limits of the tank now, whatever they were when the photo was read.
    now : datetime
        With offset.

    Returns
    -------
    ReadingView
        For the templates.
    """
    reading = words.judged(entry.reading, marks)
    verdict, co2, taken_at = reading.verdict, reading.co2_mg_l, reading.taken_at
    days_old = 0 if taken_at is None else age_days(taken_at, now)
    return ReadingView(
        sha256=entry.sha256,
        when=words.when_words(taken_at, now),
        age="" if taken_at is None else age_words(taken_at, now),
        reason=reading.reason,
        answer=None if co2 is None or verdict is None else words.answer_of(co2, verdict, days_old=days_old),
        bar="" if co2 is None else words.bar_svg(co2, marks),
        is_doubtful=verdict is not None and "odd-color" in reading.flags,
        cautions=() if verdict is None else verdict.cautions,
        notes=tuple(text.sentence for text in words.flag_texts(reading)),
        details=_details(reading, units),
    )


def view_of(request: Request, entry: LogEntry, tank: Tank) -> ReadingView:
    """Put a reading of a tank into words, in the units of the browser."""
    return view_reading(entry, units_shown(request), tank.judged_by, datetime.now().astimezone())


def last_view(request: Request, log: Log, tank: Tank) -> ReadingView | None:
    """Return the newest reading of a tank that has numbers and a plausible time."""
    now = datetime.now().astimezone()
    for entry in log.entries(tank.name, newest_first=True):
        reading = entry.reading
        if reading.status == "read" and reading.taken_at is not None and not has_future_date(reading, now):
            return view_of(request, entry, tank)
    return None


def age_words(taken_at: datetime, now: datetime) -> str:
    """
    Return how long ago a photo was taken.

    Parameters
    ----------
    taken_at : datetime
        On the clock of the tank; with offset where known.
    now : datetime
        With offset.

    Returns
    -------
    str
        Such as ``3 hours ago``.
    """
    age = now - taken_at if taken_at.utcoffset() is not None else now.replace(tzinfo=None) - taken_at
    if age < -_CLOCKS_APART:
        return "in the future by this computer's clock"
    minutes = max(round(age / timedelta(minutes=1)), 0)
    if age >= timedelta(hours=_DAYS_FROM_H):
        count, unit = age_days(taken_at, now), "day"
    else:
        count, unit = (minutes, "minute") if minutes < 90 else (round(minutes / 60), "hour")
    return f"{words.plural(count, unit)} ago"


def _details(reading: Reading, units: Units) -> list[tuple[str, str]]:
    """Return the pH and what the photo was read with, and which of it was assumed."""
    inputs = {
        "kh": ("Tank water" if reading.fluid == "tank-water" else "Fluid", units["kh"].text(reading.kh_dkh)),
        "temperature": ("Temperature", units["temperature"].text(reading.temperature_c)),
        "light": ("Lamp", reading.light.replace("-", " ")),
    }
    rows = [] if reading.ph is None else [("pH of the fluid", words.ph_words(reading.ph).short())]
    rows += [
        (label, f"{value} (assumed)" if name in reading.assumed and value != "unknown" else value)
        for name, (label, value) in inputs.items()
    ]
    rows.append(("Profile", "none" if reading.profile is None else words.clean_name(reading.profile)))
    if reading.tank_ph is not None:
        rows.append(("A probe in the tank should show", f"pH {words.ph_words(reading.tank_ph).short()}"))
    if budget := words.budget_words(reading):
        rows.append(("Uncertainty from", budget))
    rows.append(("Taken", words.time_words(reading) or "time unknown"))
    rows.append(("Photo", words.clean_name(reading.photo.rpartition("/")[2])))
    return rows
