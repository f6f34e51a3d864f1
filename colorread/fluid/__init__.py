"""
The fluid in front of card or tag.

`pixels` compares every pixel with paper and classifies it with a network; `find` outlines the fluid; `signal` measures
its color; `chart` measures the patches of a printed color chart instead.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
