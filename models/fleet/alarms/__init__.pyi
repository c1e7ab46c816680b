from .alarm_budget import budget_for as budget_for
from .alarm_table import alarm_frame as alarm_frame
from .alarm_table import when as when
from .search import Search as Search
from .search import describe_noise as describe_noise
from .search import locate as locate
from .search import run as run
