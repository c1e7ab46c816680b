from .choosing import TableFit as TableFit
from .choosing import best_table as best_table
from .ride_sheet import RideSheet as RideSheet
from .ride_sheet import ride_in as ride_in
from .writing import record_rows as record_rows
