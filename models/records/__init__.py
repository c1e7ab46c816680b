"""What is known of each meter: who it is, what was set, done and ridden?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
