"""Which colours, words and ways of writing a number do pages, PDF and commands share?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
