"""What pages show: filled-in templates, and readings in the words used everywhere, in the units of the keeper."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from colorread import __version__, words
from colorread.chemistry import UNITS, Quantity, Unit
from colorread.errors import Reason
from colorread.log import LogEntry
from colorread.page.core import core_of
from colorread.result import Reading
from colorread.tank import Tank, age_days, is_of_the_future

UNITS_COOKIE = "colorread-units"
CHOSEN: tuple[Quantity, ...] = ("temperature", "kh", "volume", "mass")
"""The quantities whose units are chosen, in the order of the cookie."""
_DAYS_FROM_H = 48  # an age from here on is told in days
_CLOCKS_APART = timedelta(minutes=2)  # of a phone and this machine, that both are right: assumption
# What a page says of what was done before, by the word in its address.
_SAID = {
    "kept": "Saved.",
    "saved": "Saved.",
    "known": "This photo was already in the log.",
    "photo-kept": "The photo is saved too.",
    "discarded": "Discarded.",
    "deleted": "Reading deleted.",
    "damaged-deleted": "Damaged readings deleted.",
    "renamed": "Renamed.",
    "removed": "Tank removed.",
    "noted": "Noted.",
    "note-deleted": "Note deleted.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """
    Units that a browser shows, of those in `colorread.chemistry.UNITS`.

    Parameters
    ----------
    temperature, kh, volume, mass : Unit
        Of temperature, of carbonate hardness, of the volume of a tank, and of what a gas source holds.
    """

    temperature: Unit = UNITS["temperature"]["c"]
    kh: Unit = UNITS["kh"]["dkh"]
    volume: Unit = UNITS["volume"]["l"]
    mass: Unit = UNITS["mass"]["g"]

    @property
    def cookie(self) -> str:
        """What a cookie keeps of it."""
        return ".".join(
            name for quantity in CHOSEN for name, unit in UNITS[quantity].items() if unit is getattr(self, quantity)
        )


def units_of(cookie: str) -> Units:
    """Return the units that a cookie tells of, which is nothing to be trusted; else those of the project."""
    names = zip(CHOSEN, cookie.split("."), strict=False)
    return Units(**{quantity: UNITS[quantity][name] for quantity, name in names if name in UNITS[quantity]})


def units_shown(request: Request) -> Units:
    """Return the units that the browser shows."""
    return units_of(request.cookies.get(UNITS_COOKIE, ""))


UnitsHere = Annotated[Units, Depends(units_shown)]


def number_of(what: str, text: str) -> float:
    """Return a number as people type it, with a dot or a comma; the message where it is none says what it is."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"{what} must be a number, not {text!r}.") from None


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """
    Return a page.

    Parameters
    ----------
    request : Request
        Who asks.
    template : str
        File name of the template.
    status : int, default 200
        Of the answer.
    **values : object
        For the template; `units` only where they are others than the browser shows.

    Returns
    -------
    HTMLResponse
        The page; it loads nothing but the style and the script of this server.
    """
    text = (
        words.templates_of("colorread.page")
        .get_template(template)
        .render(
            {"units": units_shown(request)} | values,
            csrf=core_of(request).access.form_token(request.state.session),
            version=__version__,
            path=request.url.path,
            said=_SAID.get(request.query_params.get("said", ""), ""),
        )
    )
    return HTMLResponse(text, status)


def tank_url(name: str, rest: str = "") -> str:
    """Return the address of a tank, or of something that belongs to it."""
    return f"/tanks/{quote(name, safe='')}{rest}"


def see(url: str, said: str = "") -> RedirectResponse:
    """Send a browser on after a form, so that loading again repeats nothing; what was done is said there."""
    return RedirectResponse(f"{url}?said={said}" if said else url, 303)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    """
    One reading in words; texts may be empty.

    Parameters
    ----------
    sha256 : str
        Of the photo.
    when, age : str
        When it was taken, and how long ago that was.
    answer : Answer or None
        What every screen begins with; None where refused.
    is_doubtful : bool
        Whether a person should say that the outline is the fluid.
    bar : str
        The bar below the number, drawn.
    ph : str
        With its interval.
    cautions, notes : tuple of str
        What to watch, and what made it less sure.
    reason : Reason or None
        Why it was refused and what to do.
    record : list of (str, str)
        What it was read with.
    """

    sha256: str
    when: str
    age: str
    answer: words.Answer | None
    is_doubtful: bool
    bar: str
    ph: str
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    reason: Reason | None
    record: list[tuple[str, str]]


def view_reading(entry: LogEntry, units: Units, marks: words.Marks, now: datetime) -> ReadingView:
    """
    Put a reading into words.

    Parameters
    ----------
    entry : LogEntry
        Read or refused.
    units : Units
        Chosen by the keeper.
    marks : Marks
        What the tank is judged by now, whatever it was when the photo was read.
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
        answer=None if co2 is None or verdict is None else words.answer_of(co2, verdict, days_old=days_old),
        is_doubtful=verdict is not None and "odd-color" in reading.flags,
        bar="" if co2 is None else words.bar_svg(co2, marks),
        ph="" if reading.ph is None else words.ph_words(reading.ph).short(),
        cautions=() if verdict is None else verdict.cautions,
        notes=tuple(text.sentence for text in words.flag_texts(reading)),
        reason=reading.reason,
        record=_record(reading, units),
    )


def view_of(request: Request, entry: LogEntry, tank: Tank) -> ReadingView:
    """Put a reading of a tank into words for whoever asks."""
    return view_reading(entry, units_shown(request), tank.judged_by, datetime.now().astimezone())


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
    return f"{count} {unit}{'' if count == 1 else 's'} ago"


def last_read(entries: Iterable[LogEntry], now: datetime) -> LogEntry | None:
    """Return the first of entries, the newest first, that has numbers and is of a time that can be true."""
    for entry in entries:
        reading = entry.reading
        if reading.status == "read" and reading.taken_at is not None and not is_of_the_future(reading, now):
            return entry
    return None


def _record(reading: Reading, units: Units) -> list[tuple[str, str]]:
    """Return what the photo was read with, and what nobody stated."""
    inputs = {
        "kh": ("Tank water" if reading.fluid == "tank-water" else "Fluid", units.kh.text(reading.kh_dkh)),
        "temperature": ("Temperature", units.temperature.text(reading.temperature_c)),
        "light": ("Lamp", reading.light.replace("-", " ")),
    }
    rows = [
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
