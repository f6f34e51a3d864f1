"""A tank as its keeper describes it: water, schedule, gas source and limits; as typed, as stored, and as shown."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, time
from typing import Any, Self

from colorread.chemistry import with_other_unit
from colorread.limits import SENSITIVE_FISH_LIMIT_MG_L, USUAL_KH_DKH, USUAL_TEMPERATURE_C, LightName, checked_number
from colorread.tank.settings_table import SETTINGS, Setting
from colorread.words import NO_VALVE_ON_YEAST, Marks, SourceKind, Valve, clean_name

_SPAN = re.compile(r"(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})")
_RANGE = re.compile(r"(\d+(?:\.\d+)?)\s*-\s*(\d+(?:\.\d+)?)")
_OF_SOURCE = {option for option, setting in SETTINGS.items() if setting.fields[0].startswith("source.")} - {"source"}


@dataclass(frozen=True, slots=True, kw_only=True)
class DailySpan:
    """
    A span of hours that repeats every day; it may run past midnight.

    Parameters
    ----------
    on, off : datetime.time
        Start and end on the tank's own clock; equal times mean all day.
    """

    on: time
    off: time

    @property
    def on_h(self) -> float:
        """Start in hours after midnight."""
        return self.on.hour + self.on.minute / 60

    @property
    def hours(self) -> float:
        """Its length [h]."""
        minutes = (self.off.hour - self.on.hour) * 60 + self.off.minute - self.on.minute
        return ((minutes - 1) % (24 * 60) + 1) / 60

    @classmethod
    def from_text(cls, text: str) -> Self:
        """
        Return a daily span from text such as ``10:00-18:00``.

        Parameters
        ----------
        text : str
            Start and end in hours and minutes; ``22:00-06:00`` runs past midnight.

        Returns
        -------
        DailySpan
            The span.

        Raises
        ------
        ValueError
            If the text is not such a span.
        """
        match = _SPAN.fullmatch(text.strip())
        try:
            if match is None:
                raise ValueError
            on_hour, on_minute, off_hour, off_minute = map(int, match.groups())
            midnight = (off_hour, off_minute) == (24, 0)
            return cls(on=time(on_hour, on_minute), off=time() if midnight else time(off_hour, off_minute))
        except ValueError:
            raise ValueError(f"Hours must look like 10:00-18:00, not {text!r}.") from None

    def __str__(self) -> str:
        return f"{self.on:%H:%M}-{'24:00' if self.off == time() else format(self.off, '%H:%M')}"


ALL_DAY = DailySpan(on=time(), off=time())
parse_span = DailySpan.from_text


@dataclass(frozen=True, slots=True, kw_only=True)
class GasSource:
    """
    What makes the gas.

    Parameters
    ----------
    kind : {'fermentation', 'acid-bicarbonate', 'cylinder'}
        Sugar and yeast, citric acid and bicarbonate, or compressed gas.
    amount_g : float or None
        Sugar, citric acid, or gas in the cylinder at the start [g].
    started : datetime.date or None
        Day of the last refill.
    valve : {'none', 'needle', 'timer'} or None
        What sets the gas, see `colorread.words.gas_care.Valve`; None if not entered.
    """

    kind: SourceKind
    amount_g: float | None = None
    started: date | None = None
    valve: Valve | None = None

    @staticmethod
    def upgraded(data: dict[str, Any]) -> dict[str, Any]:
        """Return the data of an earlier version, which did not ask for the valve, in the present form."""
        return {"valve": None} | data


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """
    One tank. Times are on its own clock.

    Parameters
    ----------
    name : str
        Short name, unique in a log.
    volume_l : float or None
        Volume of water [L].
    kh_dkh : float or None
        KH of the fluid in the vial [dKH]; the usual one is assumed if None.
    tank_kh_dkh : float or None
        KH of the tank's own water [dKH].
    temperature_c : float or None
        Water temperature [degC]; the usual one is assumed if None.
    lights, gas : DailySpan or None
        When the lamp and the gas are on; None if not entered.
    source : GasSource or None
        What makes the gas.
    sensitive : bool
        Whether CO2-sensitive animals live in it, see `colorread.words.gas_care.SENSITIVE_ANIMALS`.
    marks : Marks
        Plants' range and fish limit as entered; `judged_by` has those in use.
    fluid_renewed : datetime.date or None
        When the fluid in the vial was last renewed.
    light : str
        Lamp class of the photos.
    profile : str or None
        Path of the default calibration profile.
    made_up : bool
        Whether it is a demonstration.

    Attributes
    ----------
    schema : str
        Schema of its JSON.
    """

    schema: str = field(default="colorread.tank/1", init=False)
    name: str
    volume_l: float | None = None
    kh_dkh: float | None = None
    tank_kh_dkh: float | None = None
    temperature_c: float | None = None
    lights: DailySpan | None = None
    gas: DailySpan | None = None
    source: GasSource | None = None
    sensitive: bool = False
    marks: Marks = field(default_factory=Marks)
    fluid_renewed: date | None = None
    light: LightName = "unknown"
    profile: str | None = None
    made_up: bool = False

    @property
    def fluid_kh_dkh(self) -> float:
        """KH of the fluid, entered or assumed [dKH]."""
        return USUAL_KH_DKH if self.kh_dkh is None else self.kh_dkh

    @property
    def water_c(self) -> float:
        """Water temperature, entered or assumed [degC]."""
        return USUAL_TEMPERATURE_C if self.temperature_c is None else self.temperature_c

    @property
    def gas_hours(self) -> DailySpan | None:
        """When the gas is on: as entered, or all day for yeast, which never stops; None if not known."""
        return ALL_DAY if self.gas is None and self.source_kind == "fermentation" else self.gas

    @property
    def source_kind(self) -> SourceKind | None:
        """What makes the gas, if entered."""
        return None if self.source is None else self.source.kind

    @property
    def valve(self) -> Valve | None:
        """What sets the gas, if entered."""
        return None if self.source is None else self.source.valve

    @property
    def judged_by(self) -> Marks:
        """The limits in use, the fish limit lowered for sensitive animals; with gas source and valve."""
        fish_mg_l = min(self.marks.fish_mg_l, SENSITIVE_FISH_LIMIT_MG_L) if self.sensitive else self.marks.fish_mg_l
        return replace(self.marks, fish_mg_l=fish_mg_l, source=self.source_kind, valve=self.valve)

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[^\W_][\w .-]{0,39}", self.name):
            raise ValueError(
                "A tank's name starts with a letter or digit and has up to 40 letters, digits, spaces, dots or "
                f"dashes; it cannot be {self.name!r}."
            )
        for setting in SETTINGS.values():
            for value in setting.values_in(self):
                if value is not None and setting.measure is not None:
                    checked_number(f"{setting.name} in {setting.measure.unit}", value, *setting.measure.limits)
                if value is not None and setting.choices and value not in setting.choices:
                    raise ValueError(f"{setting.name} must be one of {', '.join(setting.choices)}, not {value!r}.")
        if not self.marks.plants_low_mg_l < self.marks.plants_high_mg_l:
            raise ValueError("The plants' range must go from low to high.")
        if self.source_kind == "fermentation" and self.valve not in (None, "none"):
            raise ValueError(f"{NO_VALVE_ON_YEAST} Set its valve to none.")


def changed_tank(tank: Tank, given: Mapping[str, Any], cleared: Collection[str] = ()) -> Tank:
    """
    Return a tank with some settings changed and all others as they were.

    Parameters
    ----------
    tank : Tank
        The tank to change.
    given : mapping of str to object
        New settings, named like the options of ``colorread tank add`` with underscores; spans, ranges and days as
        text. A gas source of another kind starts without amount, day and valve.
    cleared : collection of str
        Settings to reset to those of a new tank.

    Returns
    -------
    Tank
        A changed copy.

    Raises
    ------
    ValueError
        If a setting is not valid; one sentence.
    """
    source = None if "source" in cleared else tank.source
    if "source" in given and (source is None or source.kind != given["source"]):
        source = GasSource(kind=given["source"])
    if source is None and _OF_SOURCE & given.keys():
        raise ValueError("Also enter the gas source: fermentation, acid-bicarbonate or cylinder.")
    new = Tank(name=tank.name)
    changes: dict[str, dict[str, Any]] = {"": {}, "source": {}, "marks": {}}  # by the owner of the field
    for option in (given.keys() | cleared) - {"source"}:
        setting = SETTINGS[option]
        values = _parsed(setting, given[option]) if option in given else setting.values_in(new)
        for path, value in zip(setting.fields, values, strict=True):
            owner, _, name = path.rpartition(".")
            changes[owner][name] = value
    changed = replace(
        tank,
        source=None if source is None else replace(source, **changes["source"]),
        marks=replace(tank.marks, **changes["marks"]),
        **changes[""],
    )
    # Tanks of earlier versions may have such hours; complain only if hours or source change.
    touched = "gas" in given or changed.source_kind != tank.source_kind
    if touched and changed.source_kind == "fermentation" and changed.gas not in (None, ALL_DAY):
        raise ValueError(
            f"A fermenting bottle gives gas day and night; it cannot have gas hours ({changed.gas}). Leave them out, "
            "or enter 00:00-24:00."
        )
    return changed


def parse_day(text: str) -> date:
    """
    Return a day from text such as ``2025-06-04``.

    Parameters
    ----------
    text : str
        Year, month and day.

    Returns
    -------
    datetime.date
        The day.

    Raises
    ------
    ValueError
        If the text is not such a day.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"A day must look like 2025-06-04, not {text!r}.") from None


def _parsed(setting: Setting, typed: Any) -> tuple[Any, ...]:
    """Return what was typed as one value for each field of a setting."""
    if setting.kind == "span":
        span = parse_span(typed)
        if span.on == span.off and not typed.strip().endswith("24:00"):
            raise ValueError(f"{typed} could mean never or always; use 00:00-24:00 for all day.")
        return (span,)
    if setting.kind == "day":
        day = parse_day(typed)
        if day > date.today():
            raise ValueError(f"{day.isoformat()} is in the future; enter the day it was done.")
        return (day,)
    if setting.kind == "range":
        match = _RANGE.fullmatch(typed.strip())
        if match is None:
            raise ValueError(f"{setting.name} must look like 15-30, not {typed!r}.")
        return tuple(map(float, match.groups()))
    return (typed,)


def setting_rows(tank: Tank) -> list[tuple[Setting, str]]:
    """
    Return the settings in use, entered or assumed, in words.

    Parameters
    ----------
    tank : Tank
        Its settings.

    Returns
    -------
    list of (Setting, str)
        Every setting with its value, empty if not known; the limits are those that the tank is judged by.
    """
    in_use = replace(
        tank, kh_dkh=tank.fluid_kh_dkh, temperature_c=tank.water_c, gas=tank.gas_hours, marks=tank.judged_by
    )
    return [
        (setting, _setting_words(setting, setting.values_in(in_use), is_assumed=None in setting.values_in(tank)))
        for setting in SETTINGS.values()
    ]


def _setting_words(setting: Setting, values: Sequence[Any], *, is_assumed: bool) -> str:
    value, measure = values[0], setting.measure
    if value is None:
        return ""
    if measure is not None and measure.quantity is not None:
        return with_other_unit(measure.quantity, value, remark=", assumed" if is_assumed else "")
    if measure is not None:
        return f"{' to '.join(f'{end:g}' for end in values)} {measure.unit}"
    if setting.kind == "flag":
        return "yes" if value else "no"
    words = setting.choices.get(value) or clean_name(str(value))
    return f"{words} (assumed)" if is_assumed else words
