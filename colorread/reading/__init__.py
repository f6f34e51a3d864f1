"""
From one photo to a reading.

`pipeline` offers `read_photo` and knows the order of the steps; `interpretation` believes a pH and makes numbers of it;
`stated` is what the keeper says of the photo.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
