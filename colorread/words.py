"""The parts of a reading in words, the same in the terminal and on the evidence picture."""

from __future__ import annotations

import re

from colorread.limits import USUAL_KH_DKH, USUAL_TEMPERATURE_C
from colorread.reading import FishWord, Interval, Reading

NO_BREAK = "\xa0"
# Told apart by shape, never by color alone.
FISH_SIGNS: dict[FishWord, str] = {
    "no concern read": "\N{WHITE CIRCLE}",
    "watch": "\N{BLACK UP-POINTING TRIANGLE}",
    "act": "\N{BLACK UP-POINTING TRIANGLE}\N{BLACK UP-POINTING TRIANGLE}",
}
REFUSED_SIGN = "\N{BALLOT X}"

_TIME_WORDS = {
    "exif with offset": "from the photo, with its time zone",
    "exif without offset": "from the photo, time zone unknown",
    "file time": "time of the file; the photo itself holds none",
    "unknown": "source unknown",
}
_SMALL_SHARE = 0.03  # of the variance; less is not worth a word


def clean_name(name: str) -> str:
    """
    Return a file name without characters that could steer a terminal or cannot be printed.

    Parameters
    ----------
    name : str
        Any name, also one that is not valid Unicode.

    Returns
    -------
    str
        The name with ``?`` for each such character.
    """
    return "".join(letter if letter.isprintable() else "?" for letter in name)


def bind_units(text: str) -> str:
    """
    Return a text in which no line may break between a number and its unit.

    Parameters
    ----------
    text : str
        With plain spaces.

    Returns
    -------
    str
        With `NO_BREAK` before the units.
    """
    return re.sub(r"(?<=\d) (?=%|mg/L|°C|dKH|mL|g\b)", NO_BREAK, text)


def co2_words(co2_mg_l: Interval) -> tuple[str, str]:
    """
    Return CO2 and its interval in words.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2, one end may be open [mg/L].

    Returns
    -------
    value, interval : str
        Such as ``19 mg/L`` and ``90 % interval 13 to 27 mg/L``, or ``above 61 mg/L`` and that no more is known.
    """
    known = co2_mg_l.value or co2_mg_l.low or co2_mg_l.high or 0.0
    return _interval_words(co2_mg_l, 1 if known < 10.0 else 0, " mg/L")


def ph_words(ph: Interval) -> tuple[str, str]:
    """
    Return a pH and its interval in words.

    Parameters
    ----------
    ph : Interval
        pH, one end may be open [-].

    Returns
    -------
    value, interval : str
        As in `co2_words`.
    """
    return _interval_words(ph, 2, "")


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
        Empty where the time is unknown.
    """
    if reading.taken_at is None:
        return ""
    zone = reading.taken_at.strftime("%z")
    zone = f" {zone[:3]}:{zone[3:5]}" if zone else ""
    return f"{reading.taken_at:%Y-%m-%d %H:%M}{zone}, {_TIME_WORDS[reading.time_source]}"


def input_words(reading: Reading) -> tuple[str, str]:
    """
    Return the inputs that someone stated and those that were assumed.

    Parameters
    ----------
    reading : Reading
        Read or refused.

    Returns
    -------
    stated, assumed : str
        Lists in words; either may be empty.
    """
    water = "tank water" if reading.fluid == "tank-water" else "fluid"
    inputs = {
        "kh": f"{water} of {reading.kh_dkh:g} dKH",
        "temperature": f"{reading.temperature_c:g} °C",
        "light": "lamp unknown" if reading.light == "unknown" else f"lamp {reading.light}",
    }
    if reading.profile is not None:
        inputs["profile"] = f"profile {clean_name(reading.profile)}"
    stated = ", ".join(text for name, text in inputs.items() if name not in reading.assumed)
    return stated, ", ".join(text for name, text in inputs.items() if name in reading.assumed)


def kh_words(kh_dkh: float | None) -> str:
    """
    Return the KH of the fluid in words.

    Parameters
    ----------
    kh_dkh : float or None
        As stated, if it was [dKH].

    Returns
    -------
    str
        Such as ``4 dKH (assumed)``.
    """
    return f"{USUAL_KH_DKH:g} dKH (assumed)" if kh_dkh is None else f"{kh_dkh:g} dKH"


def temperature_words(temperature_c: float | None) -> str:
    """
    Return the temperature of the water in words.

    Parameters
    ----------
    temperature_c : float or None
        As stated, if it was [degC].

    Returns
    -------
    str
        Such as ``25 °C (assumed)``.
    """
    return f"{USUAL_TEMPERATURE_C:g} °C (assumed)" if temperature_c is None else f"{temperature_c:g} °C"


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
        Shares of the variance of the pH; empty where there is no budget.
    """
    total = sum(std**2 for std in reading.budget.values())
    shares = sorted(((std**2 / total, source) for source, std in reading.budget.items() if std > 0.0), reverse=True)
    return ", ".join(f"{source} {100.0 * share:.0f} %" for share, source in shares if share >= _SMALL_SHARE)


def _interval_words(interval: Interval, digits: int, unit: str) -> tuple[str, str]:
    if interval.low is None:
        return f"below {interval.high:.{digits}f}{unit}", "only this end is known, 95 % sure"
    if interval.high is None:
        return f"above {interval.low:.{digits}f}{unit}", "only this end is known, 95 % sure"
    span = f"90 % interval {interval.low:.{digits}f} to {interval.high:.{digits}f}{unit}"
    return f"{interval.value:.{digits}f}{unit}", span
