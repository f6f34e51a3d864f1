"""Guided calibration: which photos it takes in which order, and those that were taken so far."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, get_args

from colorread.page.uploads import Upload

Kind = Literal["ends", "air", "chart"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """
    One photo of a calibration.

    Parameters
    ----------
    key : str
        Name in addresses and files.
    title, words : str
        What the fluid is, and how it is made.
    kh_dkh : float or None
        KH of the fluid where it is part of a ladder [dKH].
    """

    key: str
    title: str
    words: str
    kh_dkh: float | None = None


TITLES: Mapping[Kind, str] = {
    "ends": "Ends of the color, and a fluid of known pH",
    "air": "Fluid that stood in fresh air",
    "chart": "Printed color chart",
}
BEFORE: Mapping[Kind, str] = {
    "ends": "Take all photos with the phone, vial and light of your readings, one after another, the vial before the "
    "card. Rinse the vial with fluid in between; the same number of drops of dye each time.",
    "air": "Thin the 4 dKH fluid with pure water to 2, 1 and 0.5 dKH (1 + 1 parts, each from the one before), add as "
    "many drops of dye per milliliter as in the vial, and let them stand open and shallow, stirred now and then. Then "
    "take all photos with the phone, vial and light of your readings, the vial before the card.",
    "chart": "Take the photo with the phone and light of your readings, straight on, nothing overexposed or mirrored. "
    "A chart is a print, whose inks are not the dye: it tells little, the other ways tell more.",
}
STEPS: Mapping[Kind, tuple[Step, ...]] = {
    "ends": (
        Step(
            key="acid",
            title="All yellow",
            words="KH fluid with dye and one drop of clear household vinegar of 4 to 6 % (no essence), mixed. Above 15 "
            "dKH a second drop.",
        ),
        Step(
            key="base",
            title="All blue",
            words="The rinsed vial with KH fluid, dye and a pinch of baking soda, mixed. If it looks green, add more "
            "and let it stand in fresh air for a while.",
        ),
        Step(
            key="known",
            title="Known pH",
            words="The rinsed vial with a fresh, colorless buffer of known pH near 7 and the same dye (many are sold "
            "colored). It counts most: it fixes the dye's own constant.",
        ),
    ),
    "air": tuple(
        Step(
            key=f"kh{number}",
            title=f"{kh_dkh:g} dKH",
            words=f"Fluid of {kh_dkh:g} dKH with dye that stood open for some hours outdoors or at an open window.",
            kh_dkh=kh_dkh,
        )
        for number, kh_dkh in enumerate((2.0, 1.0, 0.5), start=1)
    ),
    "chart": (
        Step(
            key="chart",
            title="The chart",
            words="The chart of this program, printed in color and photographed alone; or the chart of your own kit, "
            "flat beside the printed card, its row of patches in view.",
        ),
    ),
}


class Calibrations:
    """Photos of calibrations that are not finished, by tank and kind; they go with the server."""

    def __init__(self) -> None:
        self._photos: dict[tuple[str, Kind], dict[str, Upload]] = {}
        self._lock = threading.Lock()

    def photos(self, tank: str, kind: Kind) -> dict[str, Upload]:
        """Return the photos so far by step."""
        with self._lock:
            return dict(self._photos.get((tank, kind), {}))

    def put(self, tank: str, kind: Kind, step: str, upload: Upload) -> None:
        """Keep the photo of a step in place of an earlier one."""
        path = upload.path.rename(upload.path.with_name(step))  # the profile tells of its photos by these names
        with self._lock:
            photos = self._photos.setdefault((tank, kind), {})
            earlier = photos.pop(step, None)
            photos[step] = replace(upload, path=Path(path))
        if earlier is not None:
            earlier.remove()

    def clear(self, tank: str, kind: Kind) -> None:
        """Delete the photos of a calibration."""
        with self._lock:
            photos = self._photos.pop((tank, kind), {})
        for upload in photos.values():
            upload.remove()
