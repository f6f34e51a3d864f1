"""What is known or fitted beforehand: card, dye, cameras, and the way from a signal to a pH."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
