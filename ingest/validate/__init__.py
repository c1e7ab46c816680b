"""Is each cell and each row what its table expects, and if not, what would mend it?

Whole tables (checks), cell by cell (cell_parsing, cell_writing) and row against row
(cross_row_checks), each problem with what to do about it (suggestions).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
