"""
Reads dissolved CO2 from a photo of a drop checker.

>>> from colorread import read_photo  # doctest: +SKIP
>>> read_photo("tank.jpg", kh_dkh=4.0).co2_mg_l  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from colorread.reading.pipeline import read_photo
    from colorread.reading.record import Reading

__version__ = "0.7.0"
__all__ = ["Reading", "__version__", "read_photo"]


def __getattr__(name: str) -> Any:
    # Loaded when asked for: the command line must start without numpy and OpenCV.
    if name == "read_photo":
        from colorread.reading.pipeline import read_photo

        return read_photo
    if name == "Reading":
        from colorread.reading.record import Reading

        return Reading
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
