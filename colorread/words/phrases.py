"""The parts of a reading in words, the same on every screen: numbers, times, inputs and flags; and page templates."""

from __future__ import annotations

import math
import os
import re
import shlex
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from colorread.chemistry import with_other_unit
from colorread.records import toml_beside
from colorread.result import Interval, Level, Reading

if TYPE_CHECKING:
    from jinja2 import Environment

NO_BREAK = "\xa0"
# They differ in shape, never in color alone.
FISH_SIGNS: dict[Level, str] = {
    "no concern": "\N{WHITE CIRCLE}",
    "watch": "\N{BLACK UP-POINTING TRIANGLE}",
    "act": "\N{BLACK UP-POINTING TRIANGLE}\N{BLACK UP-POINTING TRIANGLE}",
}
REFUSED_SIGN = "\N{BALLOT X}"

_TIME_WORDS = {
    "exif with offset": "from the photo",
    "exif without offset": "from the photo, time zone unknown",
    "file time": "time of the file; the photo has none",
    "unknown": "source unknown",
}
# An end this many times the middle number costs decimals, and from this many days on there are none: assumptions.
_FAR_LARGER, _MANY_DAYS = 5.0, 10.0
_SMALL_SHARE = 0.03  # of the variance; less is not worth mentioning: assumption


class FlagText(NamedTuple):
    """A flag in words: what was seen, and what to do about it, if anything."""

    seen: str
    advice: str

    @property
    def sentence(self) -> str:
        """Both as sentences."""
        return f"{self.seen}. {self.advice}." if self.advice else f"{self.seen}."


_FLAGS = toml_beside(__file__, "flags.toml")
FLAG_TEXTS = {code: FlagText(**text) for texts in _FLAGS.values() for code, text in texts.items()}


def clean_name(name: str) -> str:
    """
    Return a file name without characters that cannot be printed or could control a terminal.

    Parameters
    ----------
    name : str
        Any name, even if it is not valid Unicode.

    Returns
    -------
    str
        The name with ``?`` for each such character.
    """
    return "".join(letter if letter.isprintable() else "?" for letter in name)


def percent_words(share: float) -> str:
    """
    Return a share in percent, never as certain.

    Parameters
    ----------
    share : float
        From 0 to 1 [-].

    Returns
    -------
    str
        Such as ``55 %`` or ``more than 99 %``.
    """
    percent = round(share * 100.0)
    return "more than 99 %" if percent >= 100 else "less than 1 %" if percent <= 0 else f"{percent} %"


def bind_units(text: str) -> str:
    """
    Return a text in which no line breaks between a number and its unit.

    Parameters
    ----------
    text : str
        Text with plain spaces.

    Returns
    -------
    str
        The text with `NO_BREAK` before the units.
    """
    return re.sub(r"(?<=\d) (?=%|mg/L|°C|°F|dKH|mL|(?:L|g|oz|gal)\b)", NO_BREAK, text)


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberWords:
    """
    A number with its 90 % interval in words, the same in sentences and in tables.

    Parameters
    ----------
    value : str
        Such as ``19``, or ``above 61`` where only one end is known.
    span : str
        Such as ``13 to 27``, or ``8 or more``; empty if only one end is known.
    unit : str
        Unit of both with a space before it; empty if there is none or the heading of a table has it.
    """

    value: str
    span: str
    unit: str

    def pair(self) -> tuple[str, str]:
        """Return ``19 mg/L`` and ``90 %: 13 to 27``, or ``above 61 mg/L`` and ``90 % confidence``, at least."""
        return self.value + self.unit, f"90 %: {self.span}" if self.span else "90 % confidence"

    def short(self) -> str:
        """Return ``19 mg/L (13 to 27)``, or ``above 61 mg/L``."""
        return f"{self.value}{self.unit} ({self.span})" if self.span else self.value + self.unit

    def cells(self) -> tuple[str, str]:
        """Return ``19 mg/L`` and ``13 to 27 mg/L``, or ``8 mg/L or more``, for a table whose heading says 90 %."""
        end, more, _ = self.span.partition(" or more")
        return self.value + self.unit, end + self.unit + more if end else ""


def number_words(interval: Interval, unit: str = "", *, digits: int | None = None, signed: bool = False) -> NumberWords:
    """
    Return a number with its interval in words.

    Parameters
    ----------
    interval : Interval
        Interval with at least one end.
    unit : str, optional
        Unit of the numbers.
    digits : int, optional
        Decimals; by default enough to show two digits of the middle number.
    signed : bool, default False
        Whether positive numbers get a plus sign.

    Returns
    -------
    NumberWords
        Words for a sentence or a table.
    """
    if digits is None:
        digits = digits_of(interval)

    def words(number: float) -> str:
        shown = round(number, digits) + 0.0  # no sign before a zero
        return f"{shown:{'+' if signed and shown else ''}.{digits}f}".replace("-", "\N{MINUS SIGN}")

    unit = f" {unit}" if unit else ""
    low, high = ("" if end is None else words(end) for end in (interval.low, interval.high))
    if interval.value is None:
        return NumberWords(value=f"above {low}" if low else f"below {high}", span="", unit=unit)
    span = f"{low} to {high}" if low and high else f"{low} or more" if low else f"up to {high}"
    return NumberWords(value=words(interval.value), span=span, unit=unit)


def digits_of(interval: Interval) -> int:
    """Return the decimals for a number and its interval, of which at least one end is known."""
    sizes = sorted(abs(number) for number in (interval.value, interval.low, interval.high) if number is not None)
    # Two digits of the middle one, if that is not zero, but no decimals next to a far larger end.
    return min(_decimals(sizes[len(sizes) // 2] or sizes[-1]), _decimals(sizes[-1] / _FAR_LARGER))


def co2_words(co2_mg_l: Interval) -> NumberWords:
    """Return CO2 [mg/L] with its interval in words."""
    return number_words(co2_mg_l, "mg/L")


def days_words(days: Interval) -> NumberWords:
    """Return a number of days with its interval in words, with tenths only if there are few."""
    known = [number for number in (days.value, days.low, days.high) if number is not None]
    return number_words(days, "days", digits=1 if round(max(known), 1) < _MANY_DAYS else 0)


def ph_words(ph: Interval) -> NumberWords:
    """Return a pH with its interval in words."""
    return number_words(ph, digits=2)


def time_words(reading: Reading) -> str:
    """
    Return when the photo was taken and how that is known.

    Parameters
    ----------
    reading : Reading
        Read or refused.

    Returns
    -------
    str
        Such as ``2025-05-12 13:00+02:00, from the photo``; empty if the time is not known.
    """
    if reading.taken_at is None:
        return ""
    return f"{reading.taken_at.isoformat(' ', 'minutes')}, {_TIME_WORDS[reading.time_source]}"


def plural(count: int, noun: str) -> str:
    """Return a count with its noun, such as ``3 photos``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def counts_words(**counts: int) -> str:
    """Return counts by their nouns, such as ``3 readings, 1 note and 2 tanks``; those of zero are left out."""
    parts = [plural(count, noun) for noun, count in counts.items() if count]
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 2 else parts)


def as_typed(word: str) -> str:
    """Return a word of a command as it is typed in a terminal."""
    if os.name == "nt":  # where single quotation marks are letters to one of its terminals
        return word if re.fullmatch(r"[\w.:\\/-]+", word) else f'"{word}"'
    return shlex.quote(word)


def date_words(day: date) -> str:
    """Return a day such as ``May 12``."""
    return f"{day:%B} {day.day}"


def date_span_words(first: date, last: date | None) -> str:
    """Return a span of days such as ``May 12 to 19``, ``May 28 to June 3``, or ``May 12 or later``."""
    if last is None:
        return f"{date_words(first)} or later"
    is_same_month = (first.year, first.month) == (last.year, last.month)
    return f"{date_words(first)} to {last.day if is_same_month else date_words(last)}"


def when_words(taken_at: datetime | None, now: datetime) -> str:
    """Return a time on the tank's clock such as ``Sun, May 18, 18:28``, with its year if it is not this one."""
    if taken_at is None:
        return "time unknown"
    year = "" if taken_at.year == now.year else f", {taken_at.year}"
    return f"{taken_at:%a}, {taken_at:%b} {taken_at.day}{year}, {taken_at:%H:%M}"


def input_words(reading: Reading) -> tuple[str, str]:
    """
    Return the inputs that were entered and those that were assumed.

    Parameters
    ----------
    reading : Reading
        Read or refused.

    Returns
    -------
    entered, assumed : str
        Lists in words; either may be empty.
    """
    water = "tank water" if reading.fluid == "tank-water" else "fluid"
    inputs = {
        "kh": f"{water} of {reading.kh_dkh:g} dKH",
        "temperature": with_other_unit("temperature", reading.temperature_c),
        "light": "lamp unknown" if reading.light == "unknown" else f"lamp {reading.light}",
    }
    if reading.profile is not None:
        inputs["profile"] = f"profile {clean_name(reading.profile)}"
    entered = ", ".join(text for name, text in inputs.items() if name not in reading.assumed)
    return entered, ", ".join(text for name, text in inputs.items() if name in reading.assumed)


def flag_texts(reading: Reading) -> tuple[FlagText, ...]:
    """
    Return the flags of a reading in words.

    Parameters
    ----------
    reading : Reading
        Read or refused; a refused one has no words for flags of the fluid, which may not be fluid at all.

    Returns
    -------
    tuple of FlagText
        In the order of the flags; an unknown code, as from a later version, is shown as it is.
    """
    reference = reading.reference or "card or tag"
    texts = (
        FLAG_TEXTS.get(f"{code}/{reading.limit}") or FLAG_TEXTS.get(code, FlagText(code, ""))
        for code in reading.flags
        if reading.status == "read" or code not in _FLAGS["fluid"]
    )
    return tuple(text._replace(seen=text.seen.replace("card or tag", reference)) for text in texts)


def budget_words(reading: Reading) -> str:
    """
    Return where the uncertainty comes from, largest share first.

    Parameters
    ----------
    reading : Reading
        Read or refused.

    Returns
    -------
    str
        Shares of the variance of the pH; empty without a budget.
    """
    total = sum(std**2 for std in reading.budget.values())
    shares = sorted(((std**2 / total, source) for source, std in reading.budget.items() if std > 0.0), reverse=True)
    return ", ".join(f"{source} {100.0 * share:.0f} %" for share, source in shares if share >= _SMALL_SHARE)


def _decimals(number: float) -> int:
    """Return how many decimals show two digits of a number; none from 10 on."""
    two_digits = float(f"{number:.1e}")  # 9.97 is shown as 10
    return max(0, 1 - math.floor(math.log10(two_digits))) if two_digits > 0.0 else 0


@cache
def templates_of(package: str) -> Environment:
    """
    Return the templates of a package.

    Parameters
    ----------
    package : str
        Package with a folder ``templates``.

    Returns
    -------
    jinja2.Environment
        Escapes what is put into a page. The filter `bound` keeps units with their numbers, `plural` puts a noun to a
        count, `sentence` capitalizes the first letter, and `svg` marks what this program drew itself as safe.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["bound"] = bind_units
    environment.filters["plural"] = plural
    environment.filters["sentence"] = lambda text: f"{text[:1].upper()}{text[1:]}"
    environment.filters["svg"] = Markup
    return environment
