"""What do thousands of recordings amount to, and which of them belong together?

Summaries of many files (bulk, summaries, shards), whose they are (device_matching), what the
devices report (device_metadata), pairs (pairing, pair_results), corrected summaries, and files
beside the store (staging, trace_store).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
