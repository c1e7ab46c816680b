"""Which table is a sheet that is no bench sheet, and what are its rows?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
