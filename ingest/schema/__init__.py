"""What may a team's tables hold, and what can be wrong with them?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
