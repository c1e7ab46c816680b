from .document import session_document as session_document
from .evaluation import SESSION_SCHEMA as SESSION_SCHEMA
from .evaluation import evaluate_bench as evaluate_bench
from .evaluation import session_frame as session_frame
from .measurement import LEFT as LEFT
from .measurement import rule_of as rule_of
from .offline_kit import kit as kit
from .offline_kit import last_slopes as last_slopes
