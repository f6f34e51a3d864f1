"""Calibration profiles: made from photos of known fluid and charts, shown, and kept as defaults."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
