"""Did the model describe its data, and were its forecasts right?

diagnostics        whether the innovations are independent standard normals
looking_back       every past session forecast from what was known before it
hindcast_document  those forecasts scored against what was found
scoring            coverage, calibration and bias
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
