"""What may a coach make of the watts?

documents        keys of all answers
efforts          corrected watts, and whether a difference is real; ledger: factors over time
rider_notices    from when the same effort shows other watts; alarm_notices: because of alarms
rider_view       a rider's meters over time, and how far they agree
eve              what can be done just before a race
rides_in_doubt   rides on a meter that was found out; handing_over: what a leaving rider returns
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
