from .diagnostics import checks as checks
from .diagnostics import detection as detection
from .looking_back import hindcast as hindcast
