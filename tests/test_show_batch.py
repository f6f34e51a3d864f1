from __future__ import annotations

import io
from collections.abc import Sequence

from colorread.cli.show_reading import print_batch
from colorread.cli.terminal import Terminal
from colorread.result import Interval, Reading
from tests.fabricated import made_reading


def printed(readings: Sequence[Reading]) -> str:
    text = io.StringIO()
    print_batch(Terminal(file=text, width=100), readings, n_same=0, n_known=0, n_earlier=0, details=True)
    return text.getvalue()


def reading(value: float | None, low: float | None, high: float | None) -> Reading:
    return made_reading(co2_mg_l=Interval(value=value, low=low, high=high))


def test_readings_beyond_the_dye_keep_their_number_and_direction() -> None:
    text = printed([reading(12.0, 9.0, 16.0), reading(None, 61.4, None), reading(None, 48.8, None)])
    assert "CO2 in the vial: 12 mg/L (9 to 16); 2 photos above 49 mg/L." in text
    assert "CO2 in the vial: 1 photo below 7.2 mg/L." in printed([reading(None, None, 7.2)])


def test_of_several_photos_the_lowest_and_the_highest_are_told_with_their_intervals() -> None:
    text = " ".join(printed([reading(39.0, 30.0, 52.0), reading(3.0, 2.0, 4.5), reading(12.0, 9.0, 16.0)]).split())
    lowest, highest = "3.0 mg/L (2.0 to 4.5)", "39 mg/L (30 to 52)"
    assert f"CO2 in the vial: lowest {lowest}, highest {highest}." in text
    assert "CO2 in the vial: 12 mg/L (9 to 16)." in printed([reading(12.0, 9.0, 16.0)] * 2)
