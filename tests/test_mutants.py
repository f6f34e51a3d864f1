from __future__ import annotations

import pytest

from tests.benchmark import ROOT, Truth
from tests.mutate import fates, faults, readable


@pytest.fixture(scope="module")
def truths() -> list[Truth]:
    return readable([ROOT / "sample_images"])


@pytest.mark.parametrize(("count", "scan_only"), [(90, False), (27, True)], ids=["all formats", "scans of JPEGs"])
def test_damaged_files_are_refused_or_read_as_they_should(count: int, scan_only: bool, truths: list[Truth]) -> None:
    assert len(truths) >= 5
    ends = list(fates(truths[:4], count, scan_only=scan_only))
    assert len(ends) == count
    assert [(mutant, found) for mutant, fate in ends if (found := faults(fate))] == []
    assert 0 < sum(fate.code == "read" for _, fate in ends) < count  # it is damage, but not of every kind
