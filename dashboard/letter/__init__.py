"""How does a digest look as a letter: as text, as a page of HTML, as an e-mail?"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
