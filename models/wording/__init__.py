"""How is a reason, a number or a name said, the same in commands, pages, PDF and browser?

reasons       a reason as data (a kind and its values), which becomes words here and nowhere else
formats       numbers, days and chances in sentences, by name
bench_words   templates: assumptions, suspicions, findings and advice of a bench session
ride_words    templates: void pairs and warnings of a compared ride
alarm_words   templates: what each alarm says
status_words  templates: why a status, what to do next, what the fleet's truth hangs on
device_words  templates: what is known of a device beyond its number
user_errors   the models' error for a question without an answer, and a name that nobody knows
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
