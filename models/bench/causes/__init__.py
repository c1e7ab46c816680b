"""What may be behind the error that a session found, and how likely is each cause?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
