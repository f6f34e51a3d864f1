"""
Card and tag in a photo.

`find` tells which of them is there and where, by `markers` and `plane`; `view` shows it from straight above;
`balance` gives the light of its paper, by its grays.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
