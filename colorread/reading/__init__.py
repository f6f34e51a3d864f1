"""
From one photo to a reading.

`pipeline` has `read_photo` and the order of the steps; `interpretation` turns the color into pH and CO2; `inputs` holds
what the keeper says about the photo.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
