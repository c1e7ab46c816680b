from .calls import clicked as clicked
from .calls import decoded as decoded
