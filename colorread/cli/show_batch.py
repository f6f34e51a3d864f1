"""What became of many photos, as text for a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table

from colorread.cli.console_text import shown
from colorread.result import Interval, Reading
from colorread.tank import wall_clock
from colorread.words import co2_words

_NAMES_SHOWN = 3


def print_batch(
    console: Console, readings: Sequence[Reading], *, n_same: int, n_known: int, n_earlier: int, details: bool = False
) -> None:
    """
    Print how many photos were read, over what time, and what to do about those that were not.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    readings : sequence of Reading
        All of a folder, by name.
    n_same : int
        How many more have the same content as one of these.
    n_known : int
        How many of these were in the log before.
    n_earlier : int
        How many more that were read the log holds of the tank.
    details : bool, default False
        Whether to say what to do about each kind of refusal, and over what time the photos were taken.
    """
    refused = [reading for reading in readings if reading.status == "refused"]
    parts = [f"{_photos(len(readings) - len(refused))} read", f"{len(refused)} not read"]
    parts += [f"{n_known} from the log"] if n_known else []
    parts += [f"{n_same} duplicate{'s' if n_same > 1 else ''}"] if n_same else []
    parts += [f"{n_earlier} more in the log"] if n_earlier else []
    _print(console, f"{', '.join(parts)}.", style="bold")
    if details:
        for line in (_time_words(readings), _co2_words(readings)):
            if line:
                _print(console, line)
    if refused and details:
        console.print(_table_of_refused(console, refused))
    elif refused:
        reasons = Counter(reading.reason for reading in refused if reading.reason)
        reason, count = reasons.most_common(1)[0]
        more = f" ({count} of {len(refused)}; more: --details)" if len(reasons) > 1 else ""
        _print(console, f"Not read: {reason.message} {reason.next_step}{more}")


def _table_of_refused(console: Console, refused: Sequence[Reading]) -> Table:
    by_reason: dict[tuple[str, str], list[str]] = {}
    for reading in refused:
        assert reading.reason is not None
        by_reason.setdefault((reading.reason.message, reading.reason.next_step), []).append(reading.photo)
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("not read", overflow="fold", ratio=3)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("photos", overflow="fold", ratio=2)
    table.add_column("what to do", overflow="fold", ratio=3)
    for (message, next_step), photos in sorted(by_reason.items(), key=lambda item: (-len(item[1]), item[0])):
        cells = (message, str(len(photos)), _listed(photos), next_step)
        table.add_row(*(shown(console, cell) for cell in cells))
    return table


def _time_words(readings: Sequence[Reading]) -> str:
    times = sorted(wall_clock(reading.taken_at) for reading in readings if reading.taken_at is not None)
    if not times:
        return ""
    unknown = len(readings) - len(times)
    first, last = (f"{time:%Y-%m-%d %H:%M}" for time in (times[0], times[-1]))
    words = f"Taken {first}" if first == last else f"Taken from {first} to {last}"
    by_file = sum(reading.time_source == "file time" for reading in readings)
    if by_file:
        words += f"; {by_file} by file time"
    return f"{words}{f'; {unknown} at a time unknown' if unknown else ''}."


def _co2_words(readings: Sequence[Reading]) -> str:
    found = [reading.co2_mg_l for reading in readings if reading.co2_mg_l is not None]
    values = [co2 for co2 in found if co2.value is not None]
    above = [co2 for co2 in found if co2.high is None and co2.value is None]
    below = [co2 for co2 in found if co2.low is None and co2.value is None]
    parts = [
        _ends_words(values) if values else "",
        f"{_photos(len(above))} {co2_words(min(above, key=lambda co2: co2.low or 0.0)).short()}" if above else "",
        f"{_photos(len(below))} {co2_words(max(below, key=lambda co2: co2.high or 0.0)).short()}" if below else "",
    ]
    return f"CO2 in the vial: {'; '.join(part for part in parts if part)}." if found else ""


def _ends_words(readings: Sequence[Interval]) -> str:
    """Return the lowest and the highest of some readings, each with its interval."""
    ordered = sorted(readings, key=lambda co2: co2.value or 0.0)
    lowest, highest = (co2_words(ordered[place]).short() for place in (0, -1))
    return lowest if lowest == highest else f"lowest {lowest}, highest {highest}"


def _photos(count: int) -> str:
    return f"{count} photo{'' if count == 1 else 's'}"


def _listed(names: Sequence[str]) -> str:
    rest = len(names) - _NAMES_SHOWN
    return ", ".join(names[:_NAMES_SHOWN]) + (f" and {rest} more" if rest > 0 else "")


def _print(console: Console, text: str, style: str = "") -> None:
    console.print(shown(console, text, style))
