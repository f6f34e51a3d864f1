"""What the commands print, in words and symbols, never by color alone."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
