from .answering import match_document as match_document
from .documents import MatchDocument as MatchDocument
from .files import accept as accept
from .files import match_paths as match_paths
from .meaning import Choices as Choices
