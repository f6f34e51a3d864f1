from __future__ import annotations

import pytest

from tests.benchmark import ROOT, Truth, load_truths
from tests.mutate import DAMAGES, FORMATS, fates, faults, readable

N_DAMAGES = len(DAMAGES) // 2  # anywhere, and in the scan alone


@pytest.fixture(scope="module")
def truths() -> list[Truth]:
    # One is damaged in every way: which photo it is matters less, and each costs its copies in all formats.
    return readable(load_truths(ROOT / "sample_images")[:1])


@pytest.mark.parametrize(
    ("count", "scan_only"),
    [(len(FORMATS) * N_DAMAGES, False), (2 * N_DAMAGES, True)],  # python -m tests.mutate takes any number
    ids=["all formats", "scans of JPEGs"],
)
def test_damaged_files_are_refused_or_read_as_they_should(count: int, scan_only: bool, truths: list[Truth]) -> None:
    assert len(truths) == 1
    ends = list(fates(truths, count, scan_only=scan_only))
    assert len(ends) == count
    assert [(mutant, found) for mutant, fate in ends if (found := faults(fate))] == []
    assert 0 < sum(fate.code == "read" for _, fate in ends) < count  # it is damage, but not of every kind
