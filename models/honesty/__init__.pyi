from .diagnostics import checks as checks
from .diagnostics import detection as detection
from .looking_back import hindcast as hindcast
from .scoring import proportion as proportion
from .scoring import share_out_of_tolerance as share_out_of_tolerance
