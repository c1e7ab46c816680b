"""What did a head unit record of a ride?

One recording (reader) from FIT (fit; fit_walk, fit_layout and fit_checksum bound what a decoder is
given), TCX or CSV (csv_samples); its samples on one clock (frame), the devices in it (devices).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
