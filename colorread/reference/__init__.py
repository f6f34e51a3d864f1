"""
Card and tag in a photo.

`find` locates them by their `markers`, with a map from their `plane` to pixels; `view` rectifies them; `balance`
estimates tone curve and light of the paper from the grays.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
