"""Everything known or fitted beforehand (prints, dye, cameras, profiles), and the inversion from color to pH."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
