"""Who may sign in, what is one rider's, what is pinned, and what can be downloaded?

Accounts (people, passwords, secrets), one rider's data (riders), pins of the plan (plan_pins),
downloads.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
