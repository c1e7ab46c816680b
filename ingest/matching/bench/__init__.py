"""Which columns of a bench sheet are what, and which readings do they hold?

By words and kinds of values (roles, traits), by physics (physics, slopes), and from there the rows
of `bench` (rows).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
