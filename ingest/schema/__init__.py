"""What may a team's tables hold, and what can be wrong with them?

The input tables (tables, columns, row_rules, rows_in_force), what the store keeps besides
(internal_tables, settings), problems, templates, and frames of declared rows (row_types).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
