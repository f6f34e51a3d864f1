"""
From one photo to a reading.

`pipeline` offers `read_photo` and knows the order of the steps; `inference` believes a pH, `interpretation` makes
numbers of it, `levels` and `verdict` judge them. `record` is what comes out; `stated` is
what the keeper says of the photo.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
