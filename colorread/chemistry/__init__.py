"""
Chemistry and units.

`carbonate` goes from pH and KH to CO2 and back; `kh_fluid` makes fluid of a wanted KH; `units` is the one table of what
may be typed and shown.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
