"""How does each device stand today, why, and when is it due?

documents           keys of the answers `status` and `history`
fleet_status        the `status` document, with meter_rows for its meters
meter_history       the parts of the `history` document
due                 probabilities within tolerance, statuses, due dates, worded by reasons
trainers            how far references have moved, and when that matters
device_findings     what is known beyond the number; traceability_basis: what the truth hangs on
kept_fit            the frames that a fit leaves behind
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
