from .formats import chance as chance
from .formats import share as share
from .formats import signed as signed
from .reasons import Reason as Reason
from .reasons import browser_templates as browser_templates
from .reasons import said as said
from .user_errors import NothingToSayError as NothingToSayError
from .user_errors import unknown_name as unknown_name
