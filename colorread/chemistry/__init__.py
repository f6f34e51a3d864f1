"""
Chemistry and units.

`carbonate` converts pH and KH to CO2 and back; `kh_fluid` computes recipes for fluid of a given KH; `units` lists the
units that may be typed and shown.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
