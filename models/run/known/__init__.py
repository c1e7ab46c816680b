"""What is known of a fleet on a day, and what is a question about it?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
