"""
The words that every screen shares.

`phrases` for numbers, times, inputs and flags of a reading, and for pages of them; `verdict` and `bar` for its first
lines, `gas_care` for the cautions of a gas source, `mixing` for the fluid.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
