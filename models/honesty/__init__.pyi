from .diagnostics import checks as checks
from .diagnostics import detection as detection
from .hindcast_document import HindcastDocument as HindcastDocument
from .hindcast_document import hindcast as hindcast
from .looking_back import Known as Known
from .looking_back import before as before
