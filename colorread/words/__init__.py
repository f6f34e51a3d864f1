"""
The words that all screens share.

`phrases` words numbers, times, inputs and flags; `verdict` and `bar` make the answer to a reading; `gas_care` has the
cautions of gas sources; `mixing` has the recipe of the fluid.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
