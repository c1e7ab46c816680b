"""What would other ways of choosing bench visits cost?

documents                       keys of the answers `policies` and `report intervals`
comparison                      the policies side by side, each run by simulation
rules, interval_policies        the policies: fixed, by forecast, by interval method
meter_process, kalman_filter    how meters behave, and what a model believes of them
intervals, interval_methods     the next visit by each method; interval_rules: their arithmetic
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
