"""The local page: photos from a phone, read on this machine and kept in the same log as those of the command line."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
