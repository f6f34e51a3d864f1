"""
The fluid in front of card or tag.

`color` compares with paper; `find` outlines the fluid, by the network of `mask`; `signal` measures its color; `chart`
measures the patches of a printed color chart in its place.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
