from .choosing import TableFit as TableFit
from .choosing import best_table as best_table
from .writing import record_rows as record_rows
