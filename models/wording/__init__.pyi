from .numbers import chance as chance
from .numbers import share as share
from .numbers import signed as signed
from .user_errors import NothingToSayError as NothingToSayError
from .user_errors import unknown_name as unknown_name
