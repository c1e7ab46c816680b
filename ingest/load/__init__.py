"""How do files and typed rows get into the store, and out of it again?

Files (sources, other_store) and rows without one (typed_rows) become batches, compared with the
store (merge) and put in (commit, loading, report) or set aside (set_aside, corrections); undo,
contradictions between tables, and tables read without_store.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
