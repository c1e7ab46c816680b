"""Is each cell and each row what its table expects, and if not, what would mend it?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
