from .devices import DEVICE_SCHEMA as DEVICE_SCHEMA
from .devices import ZERO_SCHEMA as ZERO_SCHEMA
from .frame import Numbers as Numbers
from .reader import RECORDING_SUFFIXES as RECORDING_SUFFIXES
from .reader import Recording as Recording
from .reader import RecordingError as RecordingError
from .reader import looks_like_recording as looks_like_recording
from .reader import read_recording as read_recording
