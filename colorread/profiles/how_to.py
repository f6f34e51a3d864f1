"""How to prepare each kind of calibration, for terminal and page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from colorread.limits import OUTDOOR_AIR_PPM
from colorread.records import toml_beside

Kind = Literal["ends", "air", "chart"]
# Half the sum of concentration times squared charge: 0.10 for 0.025 mol/L each of Na2HPO4 and KH2PO4 (pH 6.86, JIS
# Z 8802), 0.149 for 0.041 and 0.026 mol/L (pH 7.00, from manual MI 611-211, 2005, of a maker of pH meters).
SOLD_BUFFERS = {"6.86": 0.1, "7.00": 0.15}
"""Ionic strength of ready-made buffers, by their pH [mol/kg]."""
BUFFERS = ", ".join(f"{strength:g} for a buffer sold as pH {ph}" for ph, strength in SOLD_BUFFERS.items())
"""The same, for help texts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A calibration photo: its key in addresses and files, its fluid, how to prepare that, and its KH if fixed."""

    key: str
    title: str
    words: str
    kh_dkh: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """How to prepare a calibration: introduction, photos in their order, and cautions."""

    title: str
    before: tuple[str, ...]
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]


def _guide(kind: Kind) -> Guide:
    texts = _TEXTS[kind]
    return Guide(
        title=texts["title"],
        before=tuple(text.format(photos=_TEXTS["photos"], air_ppm=OUTDOOR_AIR_PPM) for text in texts["before"]),
        steps=tuple(Step(**step) for step in texts["steps"]),
        cautions=tuple(texts.get("cautions", _TEXTS["cautions"])),
    )


_TEXTS = toml_beside(__file__, "guides.toml")
GUIDES: Mapping[Kind, Guide] = {kind: _guide(kind) for kind in get_args(Kind)}
"""By the name of the command and page."""
