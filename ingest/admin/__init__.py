"""Who may sign in, what is one rider's, what is pinned, and what can be downloaded?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
