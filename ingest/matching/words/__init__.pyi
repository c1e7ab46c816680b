from .spelling import plain as plain
from .spelling import tokens as tokens
from .tagging import concepts_in as concepts_in
from .tagging import tags as tags
from .units import UNITS as UNITS
from .units import Unit as Unit
from .units import unit_in as unit_in
from .units import unit_named as unit_named
