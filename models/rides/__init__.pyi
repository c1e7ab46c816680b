from .comparison import CannotCompareError as CannotCompareError
from .comparison import Comparison as Comparison
from .comparison import NoOverlap as NoOverlap
from .comparison import compare_recordings as compare_recordings
from .drawing import drawn as drawn
from .impossible_pairs import without_impossible as without_impossible
from .steady_steps import RESULT_SCHEMA as RESULT_SCHEMA
from .steady_steps import compare_steps as compare_steps
