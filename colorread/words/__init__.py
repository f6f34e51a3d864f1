"""
The words that all screens share.

`phrases` puts numbers, times, inputs and flags into words; `verdict` and `bar` make the answer to a reading; `gas_care`
has the cautions for gas sources; `mixing` has the recipe for the fluid.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
