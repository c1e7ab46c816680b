"""What goes onto paper?

calibration_record  the record of a bench session: result, slopes, readings, remarks, signature
uncertainty         its tables: readings and uncertainty budget
traceability        what its masses and its gravity are known by
label               a label for the meter
session_words       what record and label say alike: error, due date, stages
sheet               a sheet of paper: headings, paragraphs, facts, tables
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
