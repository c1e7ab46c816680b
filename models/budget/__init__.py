"""What does the season cost, and what should be replaced or claimed?

documents      keys of the answers `budget` and `report warranty`
cost           the budget, made of cost_items
replacement    keep a meter or replace it
claims         meters under warranty that exceed what their maker states
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
