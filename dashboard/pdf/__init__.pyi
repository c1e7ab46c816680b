from .calibration_record import label_pdf as label_pdf
from .calibration_record import record_pdf as record_pdf
