"""How do sensors age, and is that under control?

population    drift of each group against age and battery swaps
mixed         the mixed model behind it
survival      time until a meter is first found out of tolerance
ageing_table  both and the share found out, a row a group
charts        control charts of innovations
run_length    their run lengths, and limits that give them
workshops     whether the workshops agree
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
