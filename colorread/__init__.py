"""
Read dissolved CO2 from a photo of a drop checker.

>>> from colorread import read_photo  # doctest: +SKIP
>>> read_photo("tank.jpg", kh_dkh=4.0).co2_mg_l  # doctest: +SKIP
"""

import lazy_loader

# Names load on first use: the command line must start without numpy and OpenCV.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
__version__ = "0.9.7"
