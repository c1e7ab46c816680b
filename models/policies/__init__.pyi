from .comparison import policies_document as policies_document
from .intervals import interval_table as interval_table
from .rules import cheapest_average as cheapest_average
from .simulation_state import Belief as Belief
from .simulation_state import Nature as Nature
from .simulation_state import nature_of as nature_of
from .simulation_state import surroundings as surroundings
