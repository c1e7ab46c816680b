"""What do thousands of recordings amount to, and which of them belong together?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
