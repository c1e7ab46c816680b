"""Which parts are all pages built from: tables, fields, charts, messages, states?"""

import dash_ag_grid  # noqa: F401  Dash takes no component library first imported in a callback
import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
