from .alarm_budget import budget_for as budget_for
from .alarm_table import alarm_frame as alarm_frame
from .alarm_table import alarm_year as alarm_year
from .search import Search as Search
from .search import describe_noise as describe_noise
from .search import localise_resets as localise_resets
from .search import run as run
