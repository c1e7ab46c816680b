from .csv_samples import RecordingError as RecordingError
from .devices import Device as Device
from .devices import ZeroReading as ZeroReading
from .frame import Numbers as Numbers
from .reader import RECORDING_SUFFIXES as RECORDING_SUFFIXES
from .reader import Recording as Recording
from .reader import looks_like_recording as looks_like_recording
from .reader import read_recording as read_recording
