from .cells import MONTHS as MONTHS
from .cells import Kind as Kind
from .cells import amount_in as amount_in
from .cells import kind_of as kind_of
from .row_kinds import known_headings as known_headings
from .search import find_tables as find_tables
from .surroundings import Surroundings as Surroundings
from .table import FoundTable as FoundTable
