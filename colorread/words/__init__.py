"""
The words that every screen shares.

`numbers` for values, intervals and times, `verdict` and `bar` for the first lines of a reading, `flags` for what makes
it less sure, `gas_care` for the cautions of a gas source, `mixing` for the fluid; `templates` fills pages with them.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
