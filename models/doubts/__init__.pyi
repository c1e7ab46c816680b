from .causes import past_of as past_of
from .documents import AffectedDocument as AffectedDocument
from .documents import Doubt as Doubt
from .documents import DoubtsDocument as DoubtsDocument
from .found_out import affected_rides as affected_rides
from .stretches import Judged as Judged
from .stretches import doubts_of as doubts_of
from .stretches import lasting as lasting
