"""Where are the team's records kept, and how do several programs use them at once?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
