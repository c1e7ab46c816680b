from .calibration_record import record_pdf as record_pdf
from .claim import MEMBERS as MEMBERS
from .claim import SESSIONS as SESSIONS
from .claim import claim_pdf as claim_pdf
from .claim import member as member
from .claim import session as session
from .label import label_pdf as label_pdf
