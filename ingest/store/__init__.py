"""Where are the team's records kept, and how do several programs use them at once?

The file (store_file) behind a lock (gate), opened in idle instances (connection_pool); an open
store (database) with its questions (sql/); older stores (migrations), change_log, export.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
