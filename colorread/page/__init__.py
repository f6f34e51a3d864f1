"""The local page: reads photos from a phone on this machine and keeps the readings in the command line's log."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
