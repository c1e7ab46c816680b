from .calibration_record import record_pdf as record_pdf
from .label import label_pdf as label_pdf
